"""Reads the daemon's own history database as a record.

The history is thinned: a sample's row says how long the value went on arriving. Kept with the settings of the day,
that is exact; with others, a threshold may be crossed by the deadband, or up to a minute, apart, which the log notes.
What the recorded relay did is no part of a replay.
"""

import json
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from dumpload.core.contact import Feedback
from dumpload.core.controller import Event, Kind, Lockout
from dumpload.core.freshness import MISSING, NEVER
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.signals import Signal, in_range
from dumpload.history.reader import HistoryError, count_rows, read_clock_steps, read_events
from dumpload.history.schema import HistoryRow, RowKind
from dumpload.records.items import Hold, Instant, Moved, Restart
from dumpload.records.record import MAX_SPAN_S, MAX_YEARS, ReadLog, RecordError, RowError
from dumpload.records.time import EARLIEST, IN_RANGE, LATEST

WATCH_EVERY_ROWS = 1000

# Clock steps above this are corrected back to the start of the boot.
STEPPED_S = 60.0

WHOLE = (-math.inf, math.inf)

# A signal that arrives has a row at least every `sample_every_s`, which is an hour at most.
LEAD_S = 7200.0


THINNED = (
    "the history is thinned: with other thresholds than those it was recorded under, a crossing may be off by the"
    " deadband (0.1 % of charge) or by up to a minute"
)

_PLAIN = {
    RowKind.UNKNOWN: Kind.UNKNOWN,
    RowKind.ABSENT: Kind.ABSENT,
    RowKind.EVIDENCE_RESET: Kind.EVIDENCE_RESET,
    RowKind.RESET: Kind.RESET,
    RowKind.PIN_FAULT: Kind.PIN_FAULT,
    RowKind.CLOCK: Kind.WAKE,
}
_COUNTED = {
    RowKind.GAP: "gaps in the history's rows",
    RowKind.SETTINGS: "changes of the recorded program's settings",
    RowKind.START: "restarts of the recorded program, each beginning with the relay off",
    RowKind.SELECT: "manual switches, replayed as recorded",
    RowKind.FAULT: "recorded faults, not replayed",
    RowKind.ALERT: "recorded alerts, not replayed",
}
_KINDS = frozenset(RowKind)
_LAST_SIGNAL, _LAST_CAUSE = max(Signal), max(Cause)
_NUMBERS = {int, float}
_VALUES = {
    RowKind.CHANGE: frozenset(map(float, Position)),
    RowKind.SELECT: frozenset(map(float, Selector)),
    RowKind.FEEDBACK: frozenset(map(float, Feedback)),
    RowKind.ALERT: frozenset((0.0, 1.0)),
}

# A row, and when it was: s on a clock that never goes back.
Placed = tuple[HistoryRow, float]


class HistoryRecord:
    """One history database."""

    kind = "history"

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self, log: ReadLog) -> Iterator[Instant | Restart]:
        """Yield what the rows say, in the order in which things happened, to be replayed."""
        log.notes.append(THINNED)
        counts: Counter[int] = Counter()
        yield from items_of(self.rows(log, self.timeline()), counts)
        if counts[RowKind.START] == 1:
            del counts[RowKind.START]  # where the record begins
        log.notes += [f"{_COUNTED[RowKind(kind)]}: {counts[kind]}" for kind in sorted(counts.keys() & _COUNTED.keys())]

    def timeline(self) -> "Timeline":
        """Return where the rows are to be placed.

        Raises:
            RecordError: it is no history.
        """
        try:
            steps_s = read_clock_steps(self.path)
        except HistoryError as error:
            raise self._refused(error) from None
        is_stepped = any(abs(step_s) > STEPPED_S for step_s in steps_s.values())
        return Timeline(steps_s if is_stepped else {})

    def rows(self, log: ReadLog, timeline: "Timeline", period: tuple[float, float] = WHOLE) -> Iterator[Placed]:
        """Yield the rows as they are, each with its time; drop those that no daemon can have written.

        Of what is not in the period (Unix s) there is as much before as tells what held when it began, and a row after
        it; more before it where a clock was stepped.

        Raises:
            RecordError: it is no history.
        """
        begin, end = period
        since = -math.inf if timeline.steps_s else begin - LEAD_S
        try:
            # Counting reads all of the file: not for a part of it.
            count = 0 if math.isfinite(end - begin) else max(1, count_rows(self.path))
            for number, row in enumerate(read_events(self.path, since), 1):
                expected = _expected(row) or timeline.expected(row)
                if expected:
                    log.drop(RowError(self.path, number, "", "", expected, "row"))
                    continue
                log.rows += 1
                t = timeline.place(row)
                yield row, t
                if t - timeline.ahead >= end:
                    return
                if not number % WATCH_EVERY_ROWS:
                    part = number / count if count else (t - timeline.ahead - begin) / (end - begin)
                    log.watch(min(1.0, max(0.0, part)))
        except HistoryError as error:
            raise self._refused(error) from None

    def _refused(self, error: HistoryError) -> RecordError:
        return RecordError(self.path, str(error).removeprefix(f"{self.path}: expected "))


class Timeline:
    """Lays the clocks of all starts of the program in a row, as far apart as the wall clock said; times never go back.

    `ahead`: of Unix time (s), by the first start's own clock.
    """

    def __init__(self, steps_s: Mapping[str, float]) -> None:
        """Take by how much (s) the wall clock of each start was stepped in all."""
        self.ahead = 0.0
        self.steps_s = steps_s
        self._start: str | None = None
        self._shift = 0.0
        self._first = self._last = -math.inf

    def expected(self, row: HistoryRow) -> str:
        """Return what is wrong with the time at which a row would be placed; "" if nothing is."""
        ahead, shift = self._clocks(row)
        t = max(self._last, row.t + shift)
        end = row.until + t - row.t if row.kind == RowKind.SAMPLE else t
        if not (t - ahead >= EARLIEST and end - ahead < LATEST):
            return IN_RANGE
        first = t if self._first == -math.inf else self._first
        return f"a time within {MAX_YEARS} years of the first row" if end - first > MAX_SPAN_S else ""

    def place(self, row: HistoryRow) -> float:
        """Return when a row was, s on one clock."""
        self.ahead, self._shift = self._clocks(row)
        self._start = row.boot_id
        self._last = max(self._last, row.t + self._shift)
        self._first = self._last if self._first == -math.inf else self._first
        return self._last

    def _clocks(self, row: HistoryRow) -> tuple[float, float]:
        """Return how far the clock is ahead of Unix time, and what leads to it from that of the row's start."""
        if row.boot_id == self._start:
            return self.ahead, self._shift
        # A board without a clock of its own starts in the past, until the network brings the time and the clock is
        # stepped: a start whose clock was stepped is placed by the clock as it was afterwards. The first start's own
        # clock is kept, and the others are moved by whole seconds, so that nothing is rounded.
        wall = row.wall + self.steps_s.get(row.boot_id, 0.0)
        if self._last == -math.inf:
            return row.t - wall, 0.0
        return self.ahead, math.ceil(max(wall + self.ahead, self._last) - row.t)


# Values of one message are rows of one time.
_MESSAGES = (RowKind.SAMPLE, RowKind.UNKNOWN)


def items_of(placed: Iterable[Placed], counts: Counter[int]) -> Iterator[Instant | Restart]:
    """Yield what rows say, an item each; count them by kind."""
    for _start, group in groupby(placed, key=lambda row: (row[0].boot_id, row[0].t)):
        rows = list(group)
        last = max((at for at, (row, _t) in enumerate(rows) if row.kind in _MESSAGES), default=-1)
        for at, (row, t) in enumerate(rows):
            counts[row.kind] += 1
            yield _item(row, t, more=at < last)


def _item(row: HistoryRow, t: float, *, more: bool) -> Instant | Restart:
    """Return what a row says; `more`: another one of the same message follows."""
    shift, ahead = t - row.t, t - row.wall
    if row.kind == RowKind.SAMPLE:
        signal = Signal(row.signal)
        event = Event(t, row.wall, Kind.SAMPLE, signal, row.value, row.stamp + shift, more=more)
        return Instant(t, (event, Hold(signal, row.until + shift)), ahead)
    if row.kind in (RowKind.START, RowKind.STOP):
        return Restart(t, ahead, *_started_from(row))
    if row.kind == RowKind.SELECT:
        until = MISSING if row.until == NEVER else row.until + shift
        return Instant(t, (Event(t, row.wall, Kind.SELECT, selector=Selector(int(row.value)), until=until),), ahead)
    if row.kind == RowKind.FEEDBACK:
        return Instant(t, (Event(t, row.wall, Kind.FEEDBACK, feedback=Feedback(int(row.value))),), ahead)
    if row.kind in _PLAIN:
        signal = Signal(row.signal) if row.signal >= 0 else Signal.STATE_OF_CHARGE
        return Instant(t, (Event(t, row.wall, _PLAIN[RowKind(row.kind)], signal, more=more),), ahead)
    moved = _moved(row)
    return Instant(t, () if moved is None else (moved,), ahead)


def _moved(row: HistoryRow) -> Moved | None:
    """Return where the recorded relay went, if the row says so."""
    if row.kind == RowKind.CHANGE:
        return Moved(bool(row.value))
    return Moved(said_in(row).get("relay") == "on") if row.kind == RowKind.GAP else None


def _started_from(row: HistoryRow) -> tuple[Selector, Lockout]:
    """Return what the program started from."""
    fields = said_in(row)
    try:
        return Selector[str(fields["selector"]).upper()], Lockout[str(fields["lockout"]).upper()]
    except LookupError:
        return Selector.AUTO, Lockout.NONE


def said_in(row: HistoryRow) -> dict[str, Any]:
    """Return the JSON object in the text of a row; an empty one if there is none."""
    try:
        fields = json.loads(row.text)
    except (ValueError, RecursionError):
        return {}
    return fields if isinstance(fields, dict) else {}


# ---- rows that no daemon can have written ----


def _expected(row: HistoryRow) -> str:
    """Return what was expected where a row is none that a daemon of this version writes; "" if it is one."""
    return _expected_types(row) or _expected_times(row) or _expected_of_kind(row)


def _expected_types(row: Sequence[Any]) -> str:
    wall, _boot, sequence, kind, signal, value, cause, text, t, stamp, until = row
    # Types as a database has them, each looked up once: these looks took a third of a year's report.
    if not {type(wall), type(t), type(stamp), type(until), type(value)} <= _NUMBERS:
        return "numbers as wall, t, stamp, until and value"
    if not type(sequence) is type(kind) is type(signal) is type(cause) is int:
        return "whole numbers as sequence, kind, signal and cause"
    return "" if isinstance(text, str) else "words as text"


def _expected_times(row: HistoryRow) -> str:
    if not EARLIEST <= row.wall < LATEST:
        return IN_RANGE
    end = row.t if row.until == NEVER else row.until
    if not (abs(row.t) <= MAX_SPAN_S and abs(row.stamp) <= MAX_SPAN_S and abs(end) <= MAX_SPAN_S):
        return f"t, stamp and until within {MAX_YEARS} years of the computer's start"
    return ""


def _expected_of_kind(row: HistoryRow) -> str:
    if row.kind not in _KINDS:
        return f"a kind from 0 to {max(RowKind):d}"
    if row.kind == RowKind.SAMPLE:
        return _expected_of_sample(row)
    if not -1 <= row.signal <= _LAST_SIGNAL:
        return f"a signal from -1 to {_LAST_SIGNAL:d}"
    if not 0 <= row.cause <= _LAST_CAUSE:
        return f"a cause from 0 to {_LAST_CAUSE:d}"
    if row.value not in _VALUES.get(RowKind(row.kind), (row.value,)):
        return f"a value of {RowKind(row.kind).name.lower()}, not {row.value:g}"
    return "" if abs(row.value) <= LATEST else "a value that is finite"


def _expected_of_sample(row: HistoryRow) -> str:
    if not 0 <= row.signal <= _LAST_SIGNAL:
        return f"a signal from 0 to {_LAST_SIGNAL:d}"
    if not in_range(Signal(row.signal), row.value):
        return "a value within its signal's range"
    return "" if row.stamp <= row.until < NEVER else "an end (until) that is not before the begin (stamp)"
