"""The service on a stage: a fake relay, link, log and notifier that write down every call, on a clock that jumps.

The event loop is real, but its time is a number: when nothing is left to do it jumps to the next timer, so that an
hour of the barge's time passes in milliseconds and every deadline is met exactly.
"""

import asyncio
import json
import selectors
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, Self

import pytest
from judged import settings
from recorded import Notebook
from world import NOON, START

from dumpload.config.model import Settings
from dumpload.core.freshness import NEVER
from dumpload.daemon import service
from dumpload.daemon.recorder import Recorder
from dumpload.daemon.service import Service
from dumpload.daemon.state import SavedState
from dumpload.daemon.systemd import Notifier
from dumpload.history.schema import Entry, RowKind
from dumpload.mqtt import Message

BANK = "barge/bank/charge"
BASE = "dumpload/barge"

# Cut-in 97 %, cut-out 93 %, floor 50 %, 30 s to confirm, 300 s on and off at least, data live for 60 s.
USUAL: dict[str, Any] = {
    "name": "barge",
    "telemetry.state_of_charge.topic": BANK,
    "permissive.window": [],
    "request.enabled": True,
}


UNTIL_FIVE = {"permissive.window": ["09:00-17:00"], "telemetry.state_of_charge.max_age_s": 3600.0}


class Call(NamedTuple):
    """One call of the service to the outside, and when (s)."""

    to: str
    what: str
    details: Any
    t: float

    @property
    def step(self) -> str:
        return f"{self.to}.{self.what}"


class Trace:
    """Every call, in order."""

    def __init__(self) -> None:
        self.clock: Callable[[], float] = lambda: START
        self.calls: list[Call] = []

    def note(self, to: str, what: str, details: Any = None) -> None:
        self.calls.append(Call(to, what, details, self.clock()))


class JumpingLoop(asyncio.SelectorEventLoop):
    """An event loop whose clock stands still while there is work, and jumps to the next timer when there is none."""

    def __init__(self) -> None:
        self.now = START
        super().__init__(_JumpingSelector(self))

    def time(self) -> float:
        return self.now


class _JumpingSelector(selectors.SelectSelector):
    def __init__(self, loop: JumpingLoop) -> None:
        super().__init__()
        self._jumping = loop

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(1.0 if timeout is None else 0)
        if timeout and not ready:
            self._jumping.now += timeout
        return ready


class Trouble:
    """What a fake raises at which call: `trouble["on"] = RelayError("...")`. A callable is called instead."""

    def __init__(self) -> None:
        self.at: dict[str, Exception | Callable[[], None]] = {}

    def check(self, what: str) -> None:
        trouble = self.at.get(what)
        if isinstance(trouble, Exception):
            raise trouble
        if trouble is not None:
            trouble()


class FakeDeadMan:
    """The dead-man thread, as far as the supervisor looks at it."""

    alive = True

    def is_alive(self) -> bool:
        return self.alive


class FakeRelay:
    """A relay that does what it is told, unless `trouble` or `stuck` (a level) says otherwise."""

    def __init__(self, trace: Trace) -> None:
        self._trace = trace
        self.trouble = Trouble()
        self.energised = False
        self.stuck: bool | None = None
        self.contact: bool | None = None
        self.permit_until = NEVER
        self.forced_off_at: float | None = None
        self.deadman = FakeDeadMan()
        self.is_shut = False

    def on(self, permit_until: float) -> None:
        self._trace.note("relay", "on", permit_until)
        self.trouble.check("on")
        if not self.is_shut:
            self.forced_off_at = None
            self.energised, self.permit_until = True, permit_until

    def extend(self, permit_until: float) -> None:
        self.permit_until = permit_until

    def off(self) -> None:
        self._trace.note("relay", "off")
        self.trouble.check("off")
        self.energised = False

    def off_for_good(self) -> None:
        self._trace.note("relay", "off_for_good")
        self.is_shut = True
        self.trouble.check("off")
        self.energised = False

    def is_energised(self) -> bool:
        self.trouble.check("is_energised")
        return self.energised if self.stuck is None else self.stuck

    def is_contact_closed(self) -> bool | None:
        self.trouble.check("is_contact_closed")
        return self.contact


class FakeLink:
    """A link to a broker that takes everything, unless `trouble` says otherwise."""

    dropped = 0

    def __init__(self, trace: Trace) -> None:
        self._trace = trace
        self.trouble = Trouble()

    def _call(self, what: str, details: Any = None) -> None:
        self._trace.note("link", what, details)
        self.trouble.check(what)

    def publish(self, topic: str, payload: str, **how: Any) -> None:
        self._call("publish", (topic, payload, how))

    def publish_acked(self, topic: str, payload: str) -> None:
        self._call("publish_acked", (topic, payload))

    def flush(self) -> None:
        self._call("flush")

    def tick(self) -> None:
        self.trouble.check("tick")

    async def run(self) -> None:
        self.trouble.check("run")
        await asyncio.Event().wait()

    async def close(self, within_s: float) -> None:
        self._call("close", within_s)


class FakeLog:
    """The log: writes down the event and its fields."""

    def __init__(self, trace: Trace) -> None:
        self._trace = trace
        self.trouble = Trouble()

    def _call(self, level: str, event: str, fields: dict[str, Any]) -> None:
        self._trace.note("log", level, (event, fields))
        self.trouble.check(level)

    def info(self, event: str, **fields: Any) -> None:
        self._call("info", event, fields)

    def warning(self, event: str, **fields: Any) -> None:
        self._call("warning", event, fields)

    def error(self, event: str, **fields: Any) -> None:
        self._call("error", event, fields)


class FakeNotifier(Notifier):
    """The real notifier of a service manager, but for its socket."""

    def __init__(self, trace: Trace, watchdog_s: float | None = None) -> None:
        super().__init__({})
        self._trace = trace
        self.trouble = Trouble()
        self.watchdog_s = watchdog_s
        self.answers: list[str] = []

    def reloaded(self, problem: str) -> None:
        self.answers.append(problem)

    def _send(self, *lines: str) -> None:
        first, *_ = lines
        what = {"READY=1": "ready", "WATCHDOG=1": "watchdog", "RELOADING=1": "reloading", "STOPPING=1": "stopping"}
        name = what.get(first, "status")
        statuses = tuple(line.removeprefix("STATUS=") for line in lines if line.startswith("STATUS="))
        self._trace.note("notifier", name, statuses)
        self.trouble.check(name)


class FakeStateFile:
    """What outlives a restart."""

    def __init__(self, trace: Trace, saved: SavedState) -> None:
        self._trace, self._kept = trace, saved
        self.is_slow = False
        self.on_trouble: Callable[[str], None] = lambda _text: None
        self._waiting: list[Callable[[str], None]] = []

    def read(self) -> SavedState:
        return self._kept

    def keep(self, saved: SavedState) -> None:
        self._trace.note("state_file", "keep", saved)

    def when_durable(self, confirm: Callable[[str], None]) -> None:
        self._waiting.append(confirm)
        if not self.is_slow:
            self.sync()

    def sync(self, trouble: str = "") -> None:
        """The disk has everything now, or says what it cannot do."""
        waiting, self._waiting = self._waiting, []
        for confirm in waiting:
            confirm(trouble)


class TracedNotebook(Notebook):
    """A history in a list, that notes when each row came."""

    def __init__(self, trace: Trace) -> None:
        super().__init__()
        self._trace = trace

    def put(self, entry: Entry) -> None:
        super().put(entry)
        self._trace.note("history", "put", entry)


class Stage:
    """A service, running. Time passes only in `wait`; everything else happens at one moment."""

    def __init__(
        self,
        monkeypatch: pytest.MonkeyPatch,
        keys: Mapping[str, Any],
        *,
        watchdog_s: float | None = None,
        at: float = 0.0,
        kept: SavedState | None = None,
    ) -> None:
        """`at`: seconds after noon. `kept`: what an earlier run left behind."""
        self.trace = Trace()
        self.relay = FakeRelay(self.trace)
        self.link = FakeLink(self.trace)
        self.log = FakeLog(self.trace)
        self.notifier = FakeNotifier(self.trace, watchdog_s)
        self.state_file = FakeStateFile(self.trace, kept or SavedState())
        self.ahead = NOON - START + at
        self.sample = "{percent}"
        self.loop = JumpingLoop()
        self.runner = asyncio.Runner(loop_factory=lambda: self.loop)
        self.keys = dict(keys)
        self.reloads: Callable[[], Settings] = lambda: settings(self.keys)
        self._ended: asyncio.Task[int] | None = None
        monkeypatch.setattr(service, "Link", lambda *_arguments: self.link)
        self.service = self.runner.run(self._make())
        self.trace.clock = self.clock

    async def _make(self) -> Service:
        return Service(
            settings(self.keys),
            self.relay,
            log=self.log,
            notifier=self.notifier,
            reload=self._reload,
            clock=self.clock,
            state_file=self.state_file,
            wall=self.wall,
        )

    def _reload(self) -> Settings:
        return self.reloads()

    def clock(self) -> float:
        return self.loop.time()

    def wall(self) -> float:
        return self.clock() + self.ahead

    def record(self, sample_every_s: float = 60.0) -> Self:
        """Have everything recorded from now on, by the real recorder, into a list."""
        self.notebook = TracedNotebook(self.trace)
        recorder = Recorder(self.notebook, sample_every_s, self.service.note_history)  # type: ignore[arg-type]
        self.service.control.recorder = recorder
        return self

    # ---- time ----

    def begin(self) -> Self:
        """Start the service, and let it come to rest."""

        async def start() -> None:
            self._ended = asyncio.ensure_future(self.service.run())
            await asyncio.sleep(0)

        self.loop.run_until_complete(start())
        return self.settle()

    def settle(self) -> Self:
        """Let everything run that is due now."""
        return self.wait(0)

    def wait(self, seconds: float) -> Self:
        async def pass_time() -> None:
            await asyncio.sleep(seconds)
            for _ in range(5):
                await asyncio.sleep(0)

        self.loop.run_until_complete(pass_time())
        return self

    def end(self, exit_code: int = 0) -> int:
        """Stop the service as a signal would, and return the exit code of the process."""
        self.service.stop(exit_code)
        return self.exit_code

    @property
    def exit_code(self) -> int:
        """What `run` returned; raises what it raised."""

        async def code() -> int:
            assert self._ended is not None
            async with asyncio.timeout(60):
                return await asyncio.shield(self._ended)

        return self.loop.run_until_complete(code())

    @property
    def has_ended(self) -> bool:
        self.settle()
        return self._ended is not None and self._ended.done()

    def close(self) -> None:
        """Whatever the test left behind ends here."""
        if self._ended is not None and not self._ended.done():
            for fake in (self.relay, self.link, self.log, self.notifier):
                fake.trouble.at.clear()
            self.end()
        self.runner.close()

    # ---- what happens ----

    def inside(self, call: Callable[..., Any], *arguments: Any) -> Self:
        """Call from inside the event loop, as the link and the timers do."""

        async def do() -> None:
            call(*arguments)

        self.loop.run_until_complete(do())
        return self

    def hear(self, topic: str, payload: bytes | str, *, retained: bool = False, age_s: float = 0.0) -> Self:
        data = payload if isinstance(payload, bytes) else payload.encode()
        return self.inside(self.service.on_message, Message(topic, data, retained, self.clock() - age_s))

    def soc(self, percent: float) -> Self:
        return self.hear(BANK, self.sample.format(percent=percent))

    def soc_for(self, percent: float, seconds: float) -> Self:
        """Hear the same state of charge every ten seconds, the last time at the end."""
        end = self.clock() + seconds
        while self.clock() < end:
            self.wait(min(10.0, end - self.clock())).soc(percent)
        return self

    def ask(self, payload: bytes | str, *, retained: bool = False) -> Self:
        return self.hear(f"{BASE}/request", payload, retained=retained)

    def surplus(self) -> Self:
        """Let the load come on from surplus, and forget how it came to that."""
        self.soc(98.0).soc_for(98.0, 300.0)
        assert self.seen_as == ("on", "surplus")
        assert self.relay.energised
        return self.forget()

    def forget(self) -> Self:
        self.trace.calls.clear()
        return self

    # ---- what was seen ----

    @property
    def seen_as(self) -> tuple[str, str]:
        state = self.service.control.state
        return state.position.name.lower(), state.cause.name.lower()

    @property
    def steps(self) -> list[str]:
        """The calls, in order, without their details."""
        return [call.step for call in self.trace.calls]

    def calls(self, to: str, what: str) -> list[Any]:
        return [call.details for call in self.trace.calls if (call.to, call.what) == (to, what)]

    @property
    def logged(self) -> list[str]:
        """The events that were logged."""
        return [call.details[0] for call in self.trace.calls if call.to == "log"]

    def recorded(self, *kinds: RowKind) -> list[Entry]:
        """The rows of these kinds that were recorded."""
        return self.notebook.of(*kinds)

    def check_changes(self) -> None:
        """Every change is one: published, recorded and logged alike, to the last digit."""
        published = [json.loads(text) for text in self.published("change") if "relay" in text]
        logged = [details[1] for details in self.calls("log", "info") if details[0] == "relay_changed"]
        assert [json.loads(row.text) for row in self.recorded(RowKind.CHANGE)] == published
        assert [
            {key: fields[key] for key in change} for fields, change in zip(logged, published, strict=True)
        ] == published

    def published(self, leaf: str) -> list[str]:
        """The payloads that went out on one of our topics."""
        messages = self.calls("link", "publish") + self.calls("link", "publish_acked")
        return [payload for topic, payload, *_ in messages if topic == f"{BASE}/{leaf}"]


def reload_with(stage: Stage, keys: Mapping[str, Any]) -> None:
    """Change these settings and have them read again."""
    stage.keys.update(keys)
    stage.inside(stage.service.reload)


Staging = Callable[..., Stage]
