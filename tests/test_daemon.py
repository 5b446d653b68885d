"""The bootstrap: the pin first, then the rest, and everything let go of in order. In one process, with a mock pin."""

import asyncio
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory
from judged import settings
from scripted_broker import BAD_LOGIN_5, Peer, eventually, scripted_broker

from dumpload.cli.commands import main
from dumpload.config.layers import ConfigError
from dumpload.config.model import Settings
from dumpload.daemon import bootstrap as daemon
from dumpload.daemon.state import StateFile
from dumpload.gpio.relay import PinSpec

FILE = Path("/barge/dumpload.toml")
MOCK = {"name": "barge", "relay.pin_factory": "mock", "mqtt.host": "127.0.0.1", "mqtt.port": 1}


@pytest.fixture(autouse=True)
def _no_settings_from_here(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("DUMPLOAD_")]:
        monkeypatch.delenv(name)


TAKEN = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGALRM)


@pytest.fixture(autouse=True)
def _signals_as_before() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in TAKEN}
    hook = threading.excepthook
    yield
    threading.excepthook = hook
    for number, handler in before.items():
        signal.signal(number, handler)


# ---- before anything is started ----


def test_the_clock_counts_suspend() -> None:
    before = time.clock_gettime(time.CLOCK_BOOTTIME)
    assert before <= daemon.boot_clock() <= time.clock_gettime(time.CLOCK_BOOTTIME)


def test_the_pin_is_what_the_settings_say() -> None:
    spec = daemon.pin_spec(settings({"relay.pin": 22, "relay.active_high": False, "relay.chip_label": "bank-a"}))
    assert spec == PinSpec(22, active_high=False, chip_label="bank-a", pin_factory="lgpio", feedback_pin=None)
    assert daemon.pin_spec(settings({"relay.feedback_pin": 27})).feedback_pin == 27


def secret_files(folder: Path, *, readable: bool) -> dict[str, Any]:
    keys = {}
    for key in ("password_file", "ca_file", "client_cert_file", "client_key_file"):
        file = folder / key
        if readable:
            file.write_text("x")
            file.chmod(0o600)
        keys[f"mqtt.{key}"] = str(file)
    return {**MOCK, "mqtt.username": "stoker", "mqtt.tls": True, **keys}


def test_files_that_can_be_read_are_no_problem(tmp_path: Path) -> None:
    assert daemon.unreadable_files(FILE, settings(secret_files(tmp_path, readable=True))) == []


def test_every_file_that_cannot_be_read_is_named_before_the_pin_is_touched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(daemon, "Relay", None)  # to touch it would be a TypeError
    with pytest.raises(ConfigError) as caught:
        daemon.run_daemon(FILE, settings(secret_files(tmp_path, readable=False)), [])
    keys = [problem.key for problem in caught.value.problems]
    assert keys == ["mqtt.password_file", "mqtt.ca_file", "mqtt.client_cert_file", "mqtt.client_key_file"]
    assert str(caught.value).splitlines()[0] == (f"{FILE}: mqtt.password_file = (not shown): cannot read this file")


def test_a_pin_that_cannot_be_had_is_2_and_one_line(capfd: pytest.CaptureFixture[str]) -> None:
    nowhere = settings({"relay.chip_label": "no-such-chip"})
    assert daemon.run_daemon(FILE, nowhere, []) == 2
    told = capfd.readouterr()
    assert told.out == ""
    assert told.err.startswith(f"{FILE}: relay: ")
    assert len(told.err.splitlines()) == 1


# ---- while it runs ----


class Recorded:
    """Stands in for the service; takes note of what it is given, and of the order of things."""

    given: Any = None
    trace: list[str]
    code = 0
    fault: Exception | None = None


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch) -> Iterator[Recorded]:
    """A service that ends at once."""
    recorded = Recorded()
    recorded.trace = []

    class Stand:
        def __init__(self, *arguments: Any, **more: Any) -> None:
            recorded.given = SimpleNamespace(settings=arguments[0], relay=arguments[1], **more)
            recorded.trace.append("service")
            self.control = SimpleNamespace(recorder=None, state_file=StateFile({}))

        def contact_moved(self, closed: bool) -> None:
            recorded.trace.append(f"contact {closed}")

        def stop(self, code: int) -> None:
            recorded.trace.append(f"stop {code}")

        def fail(self, error: BaseException) -> None:
            recorded.trace.append(f"fail {error!r}")

        async def run(self) -> int:
            recorded.trace.append("run")
            if recorded.fault is not None:
                raise recorded.fault
            for number in (signal.SIGTERM, signal.SIGINT):
                os.kill(os.getpid(), number)
            recorded.given.log.info("last", text="the last word")
            return recorded.code

    monkeypatch.setattr("dumpload.daemon.service.Service", Stand)
    handlers = logging.getLogger().handlers[:]
    yield recorded
    logging.getLogger().handlers[:] = handlers


def run(configured: Settings) -> int:
    return daemon.run_daemon(FILE, configured, ["control.cut_in_percent=98"])


def test_the_service_s_exit_code_is_the_process_s(stand_in: Recorded) -> None:
    stand_in.code = 130
    assert run(settings(MOCK)) == 130


def test_a_signal_stops_the_service_with_the_code_that_belongs_to_it(stand_in: Recorded) -> None:
    run(settings(MOCK))
    assert stand_in.trace == ["service", "run", "stop 0", "stop 130"]


def test_a_thread_that_dies_is_a_failure(stand_in: Recorded) -> None:
    run(settings(MOCK))
    thread = threading.Thread(target=lambda: 1 / 0)
    thread.start()
    thread.join()
    assert stand_in.trace[-1] == "fail ZeroDivisionError('division by zero')"


@pytest.mark.usefixtures("stand_in")
def test_the_last_word_of_the_log_is_written_before_the_process_ends(capfd: pytest.CaptureFixture[str]) -> None:
    run(settings(MOCK))
    assert "the last word" in capfd.readouterr().err


@pytest.mark.usefixtures("stand_in")
def test_what_is_doubtful_about_the_pin_is_logged(capfd: pytest.CaptureFixture[str]) -> None:
    run(settings({**MOCK, "relay.active_high": False}))
    assert "relay_warning" in capfd.readouterr().err


@pytest.mark.parametrize("fault", [None, RuntimeError("broken")])
def test_on_every_way_out_the_pin_is_off_and_let_go(stand_in: Recorded, fault: Exception | None) -> None:
    stand_in.fault = fault
    if fault is None:
        run(settings(MOCK))
    else:
        with pytest.raises(RuntimeError, match="broken"):
            run(settings(MOCK))
    relay = stand_in.given.relay
    assert not relay.is_energised()
    assert relay._closed


def test_the_service_can_read_the_same_settings_again(
    stand_in: Recorded, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DUMPLOAD_CONTROL__CUT_OUT_PERCENT", "91")
    path = tmp_path / "dumpload.toml"
    path.write_text('[telemetry.state_of_charge]\ntopic = "barge/bank"\n[relay]\npin = 17\n')
    daemon.run_daemon(path, settings(MOCK), ["control.cut_in_percent=98"])
    again = stand_in.given.reload()
    assert (again.control.cut_in_percent, again.control.cut_out_percent) == (98.0, 91.0)


def test_the_feedback_line_reaches_the_service(stand_in: Recorded, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[MockFactory] = []
    make = MockFactory.__init__

    def remember(factory: MockFactory, *arguments: Any, **more: Any) -> None:
        make(factory, *arguments, **more)
        made.append(factory)

    monkeypatch.setattr(MockFactory, "__init__", remember)
    monkeypatch.setattr(daemon, "_take_signals", lambda _service: made[0].pin(27).drive_high())
    stand_in.fault = RuntimeError("enough")
    with pytest.raises(RuntimeError, match="enough"):
        run(settings({**MOCK, "relay.feedback_pin": 27}))
    assert stand_in.trace == ["service", "contact True", "run"]


# ---- in a process of its own ----

ORDER = """
import sys
from pathlib import Path
from dumpload.daemon import bootstrap as daemon
from dumpload.cli.commands import main
from dumpload.config.model import load_settings

class Relay:
    def __init__(self, *_):
        print([name for name in ("paho", "structlog", "dumpload.service") if name in sys.modules])
        raise SystemExit

daemon.Relay = Relay
path = Path(sys.argv[1])
daemon.run_daemon(path, load_settings(path, {}), [])
"""


def test_the_pin_is_claimed_before_what_takes_its_time_is_imported(tmp_path: Path) -> None:
    path = tmp_path / "dumpload.toml"
    path.write_text('[telemetry.state_of_charge]\ntopic = "barge/bank"\n[relay]\npin = 17\npin_factory = "mock"\n')
    done = subprocess.run(
        [sys.executable, "-c", ORDER, str(path)], capture_output=True, text=True, check=True, timeout=30
    )
    assert done.stdout == "[]\n"


# An invented one.
SECRET = "brass-kettle-7"  # noqa: S105


def with_secret(folder: Path) -> Path:
    """Write settings with a password, and return their file."""
    (folder / "password").write_text(SECRET)
    (folder / "password").chmod(0o600)
    path = folder / "dumpload.toml"
    path.write_text(
        f'[mqtt]\nhost = "127.0.0.1"\nusername = "stoker"\npassword_file = "{folder}/password"\n'
        '[telemetry.state_of_charge]\ntopic = "barge/bank"\n[relay]\npin = 17\npin_factory = "mock"\n'
    )
    return path


async def test_a_secret_is_nowhere_to_be_seen(tmp_path: Path) -> None:
    path = with_secret(tmp_path)
    passwords: list[str | None] = []

    async def refuse(peer: Peer) -> None:
        passwords.append((await peer.await_connect()).password)
        await peer.send(peer.connack(BAD_LOGIN_5))
        await peer.serve()

    async with scripted_broker(refuse) as broker:
        words = ("-m", "dumpload", "run", "--config", str(path), "--set", f"mqtt.port={broker.port}")
        process = await asyncio.create_subprocess_exec(sys.executable, *words, stderr=subprocess.PIPE)
        await eventually(lambda: passwords, 20)
        seen = [await asyncio.to_thread(Path(f"/proc/{process.pid}/cmdline").read_text)]
        process.send_signal(signal.SIGHUP)
        await eventually(lambda: len(passwords) > 1, 20)
        process.terminate()
        _out, err = await asyncio.wait_for(process.communicate(), 20)
        seen.append(err.decode())
    assert set(passwords) == {SECRET}
    assert "the broker refused" in seen[1]
    assert "reloaded" in seen[1]
    assert not any(SECRET in text for text in seen)


def test_a_secret_is_not_shown_by_the_check_either(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = with_secret(tmp_path)
    main(["check", "--json", "--config", str(path)])
    main(["check", "--config", str(path)])
    told = capsys.readouterr()
    assert SECRET not in told.out + told.err
