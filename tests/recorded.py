"""A controller that lives through a script and is recorded; and the plain replay of such a record."""

import json
from collections import deque
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

from histories import open_file
from world import Shell, World

from dumpload.core.contact import Feedback
from dumpload.core.controller import Decision, Event, Kind, Lockout, Setup, is_overdue, start
from dumpload.core.freshness import is_missing
from dumpload.core.law import Selector
from dumpload.core.signals import Signal
from dumpload.daemon.recorder import Recorder
from dumpload.history.backlog import Batch
from dumpload.history.file import Start
from dumpload.history.schema import Boot, Entry, RowKind
from dumpload.history.writer import Gap

EVERY_S = 60.0


class Notebook:
    """In place of the database: the rows as it would have them, by sequence."""

    def __init__(self) -> None:
        self.entries: dict[int, Entry] = {}
        self.boot: Boot | None = None
        self.gap: Gap | None = None
        self.fails = False
        self._next = 0

    def reserve(self) -> int:
        self._next += 16
        return self._next

    def begin(self, boot: Boot, first: Entry) -> None:
        self.boot = boot
        self.put(first)

    def put(self, entry: Entry) -> None:
        if self.fails:
            raise ValueError
        assert entry.sequence not in self.entries
        assert not any(is_missing(float(value)) for value in entry[:-1]), "a database has no NaN"
        self.entries[entry.sequence] = entry

    def extend(self, sequence: int, until: float) -> None:
        self.entries[sequence] = self.entries[sequence]._replace(until=until)

    def take_gap(self) -> Gap | None:
        gap, self.gap = self.gap, None
        return gap

    def close(self, within_s: float) -> bool:
        return within_s > 0

    @property
    def rows(self) -> list[Entry]:
        return [entry for _sequence, entry in sorted(self.entries.items())]

    def of(self, *kinds: RowKind) -> list[Entry]:
        return [row for row in self.rows if row.kind in kinds]


class Recorded(World):
    """A world in which everything is recorded, as the service does it."""

    def __init__(self, configured: Setup | None = None, every_s: float = EVERY_S, **start: float) -> None:
        super().__init__(configured, **start)
        self.notebook = Notebook()
        self.notes: list[str] = []
        self.accepted: list[Event] = []
        self.said: list[Event] = []
        self.recorder = Recorder(self.notebook, every_s, self.notes.append)  # type: ignore[arg-type]
        has_heartbeat = not is_missing(self.settings.max_age_s[Signal.HEARTBEAT])
        changes = {"name": "barge"} | ({"telemetry.heartbeat.topic": "barge/uptime"} if has_heartbeat else {})
        self.recorder.begin("b1", self.settings, self.state, self.ahead, changes)

    def send(self, kind: Kind, **fields: Any) -> "Recorded":
        event = Event(self.t, self.t + self.ahead, kind, **fields)
        if is_overdue(self.state, event):
            self._record(event._replace(kind=Kind.OVERDUE))
        if self._record(event).accepted:
            self.accepted.append(event)
        if kind in (Kind.UNKNOWN, Kind.ABSENT):
            self.said.append(event)
        return self

    def _record(self, event: Event) -> Decision:
        place = self.recorder.reserve()
        decision = self.decide(event)
        self.recorder.after(place, event, decision, self.settings, self.state)
        self.rows.append(decision)
        return decision


def write(path: Path, world: Recorded, boot_id: str = "b1") -> Path:
    """Write what was recorded of it, as the daemon's file has it."""
    boot = world.notebook.boot
    assert boot is not None
    first, *rest = world.notebook.rows
    file = open_file(path, Start(boot._replace(boot_id=boot_id), first))
    file.write(Batch(deque(rest), deque(), {}), durable=True)
    file.close()
    return path


class Moved(NamedTuple):
    """One change of the relay: when (monotonic s), where to (0 off, 1 on), and why."""

    t: float
    position: int
    cause: int


def moves(decisions: Iterable[Decision]) -> list[Moved]:
    return [Moved(row.t, row.position, row.cause) for row in decisions if row.changed]


def replay(rows: list[Entry], configured: Setup) -> list[Moved]:
    """Drive a new controller with the rows of one start, waking it at its deadlines; ignore what the rows decided."""
    first = rows[0]
    assert first.kind == RowKind.START
    controller = Shell(configured, first.t)
    fields = json.loads(first.text)
    selector, lockout = Selector[fields["selector"].upper()], Lockout[fields["lockout"].upper()]
    controller.state = start(first.t, selector=selector, lockout=lockout)
    ahead = first.wall - first.t
    decisions: list[Decision] = []
    for row in rows[1:]:
        event = as_event(row)
        while controller.state.deadline < row.t or (controller.state.deadline == row.t and event is None):
            t = controller.state.deadline
            decisions += controller.handle(Event(t, t + ahead, Kind.WAKE))
        ahead = row.wall - row.t
        if event is not None:
            decisions += controller.handle(event)
        if row.kind == RowKind.SAMPLE:  # the same value went on arriving: it stays live
            controller.remember(Event(row.t, row.wall, Kind.HELD, Signal(row.signal), stamp=row.until))
    return moves(decisions)


def as_event(row: Entry) -> Event | None:
    """Return the event that a row records; none for what the controller found out by itself."""
    plain = {
        RowKind.UNKNOWN: Kind.UNKNOWN,
        RowKind.ABSENT: Kind.ABSENT,
        RowKind.EVIDENCE_RESET: Kind.EVIDENCE_RESET,
        RowKind.RESET: Kind.RESET,
        RowKind.PIN_FAULT: Kind.PIN_FAULT,
        RowKind.CLOCK: Kind.WAKE,
    }
    if row.kind == RowKind.SAMPLE:
        return Event(row.t, row.wall, Kind.SAMPLE, Signal(row.signal), row.value, row.stamp)
    if row.kind == RowKind.SELECT:
        return Event(row.t, row.wall, Kind.SELECT, selector=Selector(int(row.value)), until=row.until)
    if row.kind == RowKind.FEEDBACK:
        return Event(row.t, row.wall, Kind.FEEDBACK, feedback=Feedback(int(row.value)))
    if row.kind in plain:
        return Event(row.t, row.wall, plain[row.kind], Signal(max(row.signal, 0)))
    return None
