"""Reads from a history what the relay did, as recorded: no law is asked, nothing is replayed.

A run that the program did not live to end (it was killed, or the power failed) ends with the last thing recorded of
that start: the service manager drives the pin off then, which nobody records.
"""

import json
import math
from collections import deque
from datetime import tzinfo

from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.signals import Signal
from dumpload.io.history_schema import HistoryRow, RowKind
from dumpload.study.chronicle import Event, Story
from dumpload.study.local_time import Span, next_midnight
from dumpload.study.player import ENERGY_SIGNALS, SOC, Plan
from dumpload.study.records import Account, RecordError
from dumpload.study.records_history import HistoryRecord
from dumpload.study.replay import Result
from dumpload.study.summary import Change, Tally
from dumpload.study.trace import QUARTER_S, Extremes, Trace

KEPT_EVENTS = 200
"""So many of the last events are kept."""

WHOLE = Span(-math.inf, math.inf)


def read_recorded(
    record: HistoryRecord, plan: Plan, account: Account, zone: tzinfo, period: Span = WHOLE
) -> tuple[Result, Story]:
    """Return what the relay did in a period (Unix s), and the story of it in the days of a zone.

    `plan`: how long a value counts, and the load, under the settings of now.

    Raises:
        RecordError: it is no history, or has no row in that period.
    """
    chronicler = _Chronicler(plan, zone, period)
    account.notes.append("load, max_age_s and the thresholds shown are those of the settings as they are now")
    for page in record.read_recorded(account):
        for row in page.rows:
            chronicler.take(row, row.t + page.shift)
    return chronicler.finish(record, account)


class _Chronicler:
    """Takes rows one by one. Times are on the record's own clock (s), `ahead` of Unix time by a constant."""

    def __init__(self, plan: Plan, zone: tzinfo, period: Span) -> None:
        self._plan, self._zone, self._period = plan, zone, period
        self._tally: Tally | None = None
        self._on_before: Change | None = None
        self._ahead = MISSING
        self._is_ended = False
        self._first = self._last = self._midnight = 0.0
        self._charge = Trace()
        self._lost: list[Span] = []
        self._energy_at: dict[float, float] = {}
        self._events: deque[Event] = deque(maxlen=KEPT_EVENTS)

    def take(self, row: HistoryRow, t: float) -> None:
        """Take the next row."""
        if is_missing(self._ahead):
            self._ahead = t - row.wall
        wall = t - self._ahead
        if wall >= self._period.end:
            self._end(row)
            return
        if wall < self._period.begin:
            self._take_before(row, wall)
            return
        tally = self._tally or self._begin(t)
        self._end_run_before(row)
        self._pass_midnights(t)
        self._take(tally, row, t)
        self._last = max(self._last, t, row.until + t - row.t if row.kind == RowKind.SAMPLE else t)

    def finish(self, record: HistoryRecord, account: Account) -> tuple[Result, Story]:
        """Return what it came to."""
        tally = self._tally
        if tally is None:
            raise RecordError(record.path, "at least one row in that period")
        self._pass_midnights(self._last)
        summary = tally.summary(self._last)
        counts = (tally.samples, tally.accepted, tally.rejected)
        ends = (self._first - self._ahead, self._last - self._ahead)
        result = Result(record.path, record.kind, *ends, *counts, tally.changes, summary, account)
        return result, Story(self._charge, self._lost, self._energy_at, tuple(self._events))

    # ---- the period's begin ----

    def _take_before(self, row: HistoryRow, wall: float) -> None:
        """Remember whether the relay is on when the period begins."""
        if row.kind == RowKind.CHANGE and row.value:
            self._on_before = Change(wall, Position.ON, Cause(row.cause), _told_charge(row))
        elif row.kind in (RowKind.CHANGE, RowKind.START, RowKind.STOP):
            self._on_before = None

    def _begin(self, t: float) -> Tally:
        self._first = self._last = t
        self._midnight = next_midnight(t - self._ahead, self._zone)
        self._tally = tally = Tally(self._plan.element, t, self._plan.setup.max_age_s[SOC])
        tally.on_loss = lambda begin, end: self._lost.append(Span(begin - self._ahead, end - self._ahead))
        if self._on_before is not None:
            self._change(t, Position.ON, self._on_before.cause, self._on_before.state_of_charge)
        return tally

    def _end(self, row: HistoryRow) -> None:
        """There is more of the record: the period ends where it was said to."""
        if self._tally is not None and not self._is_ended:
            self._is_ended = True
            self._end_run_before(row)
            self._last = self._period.end + self._ahead

    # ---- row by row ----

    def _end_run_before(self, row: HistoryRow) -> None:
        if row.kind == RowKind.START:  # of a run that is still going on, the program did not live to see the end
            self._change(self._last, Position.OFF, Cause.NONE, MISSING)

    def _pass_midnights(self, t: float) -> None:
        while self._tally is not None and t - self._ahead >= self._midnight:
            self._tally.energy.advance(self._midnight + self._ahead)
            self._energy_at[self._midnight] = self._tally.energy.wh
            self._midnight = next_midnight(self._midnight, self._zone)

    def _take(self, tally: Tally, row: HistoryRow, t: float) -> None:
        if row.kind == RowKind.SAMPLE:
            self._take_sample(tally, row, t)
        elif row.kind in (RowKind.LOST, RowKind.UNKNOWN, RowKind.ABSENT):
            tally.samples += row.kind == RowKind.UNKNOWN
            for signal in [row.signal] if row.signal >= 0 else [SOC, *ENERGY_SIGNALS]:
                if signal == SOC:
                    tally.lose(t)
                tally.energy.note(Signal(signal), MISSING, t, t)
        elif row.kind == RowKind.CHANGE:
            self._change(t, Position(int(row.value)), Cause(row.cause), _told_charge(row))
        elif row.kind == RowKind.GAP:
            self._change(t, _told_position(row), Cause(row.cause), MISSING)
        elif row.kind in (RowKind.START, RowKind.STOP):
            tally.lose(t)
        if words := event_words(row):
            self._events.append(Event(t - self._ahead, words))

    def _take_sample(self, tally: Tally, row: HistoryRow, t: float) -> None:
        signal, until = Signal(row.signal), row.until + t - row.t
        age_s = self._plan.setup.max_age_s[signal]
        tally.accept()
        tally.energy.note(
            signal, row.value, t, until + (self._plan.setup.max_age_s[SOC] if is_missing(age_s) else age_s)
        )
        if signal == SOC:
            tally.regain(t)
            tally.charge(until)
            tally.lowest(row.value)
            wall = t - self._ahead
            while wall <= max(until, t) - self._ahead:
                self._charge.add(wall, Extremes(row.value, row.value))
                wall = (wall // QUARTER_S + 1) * QUARTER_S

    def _change(self, t: float, position: Position, cause: Cause, state_of_charge: float) -> None:
        tally = self._tally
        if tally is not None and tally.is_on != (position == Position.ON):
            tally.change(t, Change(t - self._ahead, position, cause, state_of_charge))


def event_words(row: HistoryRow) -> str:
    """Return what a row says that is neither a sample nor a change, in words; nothing for what is no news."""
    if row.kind == RowKind.SELECT:
        held = "" if row.until == NEVER or row.until <= row.t else f" for {(row.until - row.t) / 60:.0f} min"
        return f"selector moved to {Selector(int(row.value)).name.lower()}{held}"
    if row.kind == RowKind.CLOCK:
        return f"the clock was stepped by {row.value:+.1f} s"
    if row.kind == RowKind.GAP:
        return f"{row.value:.0f} rows are missing: {_told(row).get('why', 'not told')}"
    if row.kind == RowKind.FAULT:
        return f"fault: {row.text}"
    return {
        RowKind.START: "the program started",
        RowKind.STOP: "the program ended in good order",
        RowKind.RESET: "the lockout was reset",
        RowKind.PIN_FAULT: "the pin could not be driven or read back",
        RowKind.SETTINGS: "new settings were taken",
    }.get(RowKind(row.kind), "")


def _told(row: HistoryRow) -> dict[str, object]:
    try:
        told = json.loads(row.text)
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}


def _told_charge(row: HistoryRow) -> float:
    charge = _told(row).get("state_of_charge")
    return float(charge) if isinstance(charge, int | float) else MISSING


def _told_position(row: HistoryRow) -> Position:
    return Position.ON if _told(row).get("relay") == "on" else Position.OFF
