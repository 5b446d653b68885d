"""The demo: the real daemon, driven through a real broker by a simulated barge, as a short story.

Nothing in it is special to the demo but the barge, the clock's speed and the mock pin.
"""

import asyncio
import contextlib
import json
import signal
import socket
import sys
import tempfile
import textwrap
import time
from asyncio.subprocess import PIPE, Process, create_subprocess_exec
from collections.abc import Coroutine
from importlib.util import find_spec
from pathlib import Path
from typing import Any, TypeVar

from dumpload.config.model import Settings, load_settings
from dumpload.core.controller import Decision
from dumpload.core.explain import MEANINGS, cause_name
from dumpload.core.law import Position
from dumpload.daemon.bootstrap import pin_spec
from dumpload.daemon.logs import open_log
from dumpload.daemon.service import Service
from dumpload.daemon.systemd import Notifier
from dumpload.demo.barge import TANK_WH_PER_KELVIN
from dumpload.gpio.relay import Relay, boot_clock

T = TypeVar("T")

SPEED = 120
READY_S = 15.0
# How long the barge may take to end by itself, once the daemon has.
END_S = 2.0

ROW_EVERY_S = 600.0
WORDS_WIDTH = 46

SETTINGS = f"""\
name = "barge"
[mqtt]
host = "127.0.0.1"
port = {{port}}
protocol = "3.1.1"        # all that the embedded broker speaks
[telemetry.state_of_charge]
topic = "barge/bank/charge"
max_age_s = {120 / SPEED}       # 2 minutes of barge time
[telemetry.battery_power]
topic = "barge/bank/power"
pointer = "/bank_w"
max_age_s = {120 / SPEED}
[control]
cut_in_percent = 97
cut_out_percent = 95
floor_percent = 50
confirm_s = {60 / SPEED}         # 1 minute
min_on_s = {300 / SPEED}          # 5 minutes
min_off_s = {300 / SPEED}
[permissive]
window = []
[relay]
pin = 17
pin_factory = "mock"
"""

INTRODUCTION = f"""\
A simulated 24 V canal barge: 1.4 kW of panels, a 280 Ah battery, a 300 W heater in a 40-litre tank.
It uses the real daemon and a real MQTT broker; only the pin is simulated: NO PIN IS DRIVEN.
Time runs {SPEED} times faster, and the daemon's times are shortened to match.
Settings: on at or above 97 % held for 1 min, off below 95 %, off when data are 2 min old.

 time   charge  panels  heater
"""


class Story:
    """Prints what happens, in barge time, and keeps what the summary needs."""

    def __init__(self) -> None:
        self.barge: dict[str, Any] = {}
        self.changes: list[tuple[float, Decision]] = []
        self._next_row_s = 0.0

    def line(self, text: str) -> None:
        """Print one line with the barge's state."""
        now = self.barge
        on = bool(self.changes) and self.changes[-1][1].position == Position.ON
        hours, seconds = divmod(int(now["clock_s"]), 3600)
        state = f"{now['charge_percent']:6.1f} %  {now['panels_w']:4.0f} W  {'ON ' if on else 'off'}"
        first, *more = textwrap.wrap(text, WORDS_WIDTH) or [""]
        sys.stdout.write(f" {hours:02d}:{seconds // 60:02d}  {state}  {first}".rstrip() + "\n")
        sys.stdout.writelines(f"{'':33}{line}\n" for line in more)
        sys.stdout.flush()
        self._next_row_s = now["clock_s"] + ROW_EVERY_S

    def hear(self, news: dict[str, Any]) -> None:
        """Take one line from the barge."""
        self.barge = news
        if "words" in news:
            self.line(f"~ {news['words']}")
        elif news["clock_s"] >= self._next_row_s and not news.get("end"):
            self.line("")

    def decided(self, decision: Decision) -> None:
        """Take one relay change from the daemon."""
        self.changes.append((self.barge["clock_s"], decision))
        meaning = MEANINGS[decision.cause].removeprefix("On: ")
        self.line(f"* relay {decision.position.name}, {cause_name(decision.cause)}: {meaning}")

    def summary(self) -> str:
        """Return what it all came to."""
        moments = [*(moment for moment, _ in self.changes), self.barge["clock_s"]]
        on_s = sum(
            later - moment
            for (moment, decision), later in zip(self.changes, moments[1:], strict=True)
            if decision.position == Position.ON
        )
        ons = sum(decision.position == Position.ON for _, decision in self.changes)
        heat_wh = self.barge["heater_wh"]
        return (
            f"\nThe relay went on {ons} times and was on for {on_s / 60:.0f} min of barge time.\n"
            f"{heat_wh:.0f} Wh of sun went into the tank: {heat_wh / TANK_WH_PER_KELVIN:.1f} K for its 40 litres.\n"
            "The demo is over; the daemon stopped with the relay off.\n"
        )


def run_demo() -> int:
    """Run the demo; return its exit code: 0 when the story went as it should."""
    if find_spec("amqtt") is None:
        sys.stderr.write("dumpload demo: the embedded broker is missing: pip install 'dumpload[demo]'\n")
        return 2
    return asyncio.run(_demo())


def _settings(port: int) -> Settings:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "demo.toml")
        file.write_text(SETTINGS.format(port=port))
        return load_settings(file, {}, [])


async def _demo() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    source = await create_subprocess_exec(
        sys.executable, "-m", "dumpload.demo.source", str(port), stdin=PIPE, stdout=PIPE, start_new_session=True
    )
    try:
        return await _tell(source, port)
    finally:
        if source.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                source.terminate()
            await source.wait()


async def _tell(source: Process, port: int) -> int:
    assert source.stdout is not None  # noqa: S101  (asked for)
    assert source.stdin is not None  # noqa: S101
    story = Story()
    if not await _within(READY_S, source.stdout.readline()):
        sys.stderr.write("dumpload demo: the simulated barge did not start\n")
        return 1
    service = _make_service(_settings(port))
    service.control.observers.append(story.decided)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda number, _frame: service.stop(130 if number == signal.SIGINT else 0))
    running = asyncio.create_task(service.run())
    sys.stdout.write(INTRODUCTION)
    source.stdin.write(b"go\n")
    listener = asyncio.create_task(_hear(source.stdout, story))
    await asyncio.wait({running, listener}, return_when=asyncio.FIRST_COMPLETED)
    is_finished = bool(story.barge.get("end"))
    service.stop(0 if is_finished else 1)
    code = await running
    listener.cancel()
    source.stdin.close()
    if is_finished:
        await _within(END_S, source.wait())
        sys.stdout.write(story.summary())
    return code


async def _within(seconds: float, answer: Coroutine[Any, Any, T]) -> T | None:
    try:
        return await asyncio.wait_for(answer, seconds)
    except TimeoutError:
        return None


async def _hear(lines: asyncio.StreamReader, story: Story) -> None:
    while text := await lines.readline():
        story.hear(json.loads(text))
        if story.barge.get("end"):
            return


def _make_service(settings: Settings) -> Service:
    # The story tells what the log would; only what should not happen is logged.
    log, _writer = open_log(sys.stderr.fileno(), time.time, human=True, least="warning")
    relay = Relay(pin_spec(settings), boot_clock)
    return Service(settings, relay, log=log, notifier=Notifier({}), reload=lambda: settings, clock=boot_clock)
