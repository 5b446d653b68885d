"""Reads from a history what the relay did, as recorded: no law is asked, nothing is replayed.

A run that the program did not live to end (it was killed, or the power failed) ends with the last thing recorded of
that start: the service manager drives the pin off then, which nobody records.
"""

import math
from collections import deque
from datetime import tzinfo

from dumpload.core.freshness import MISSING
from dumpload.core.law import Cause, Position
from dumpload.core.signals import Signal
from dumpload.core.window import utc_text
from dumpload.io.history_schema import HistoryRow, RowKind
from dumpload.study.records.history import HistoryRecord
from dumpload.study.records.record import Account, RecordError
from dumpload.study.replay.player import ENERGY_SIGNALS, SOC, Plan, hold_s
from dumpload.study.replay.replay import ReplayInterrupted, Result
from dumpload.study.replay.summary import Change, Tally
from dumpload.study.report.chronicle import Event, Story
from dumpload.study.report.local_time import Span, next_midnight
from dumpload.study.report.recorded_rows import Before, Timeline, event_words, told_charge, told_position
from dumpload.study.report.trace import Trace

KEPT_EVENTS = 200
"""So many of the last events are kept."""

WHOLE = Span(-math.inf, math.inf)

STEPPED_S = 60.0
"""If the clock was stepped by more than this, times are taken from the clock as it was after that."""

STEPPED = "the clock was stepped while this was recorded; all times are by the clock as it was set afterwards"


def read_recorded(
    record: HistoryRecord, plan: Plan, account: Account, zone: tzinfo, period: Span = WHOLE
) -> tuple[Result, Story]:
    """Return what the relay did in a period (Unix s), and the story of it in the days of a zone.

    `plan`: how long a value counts, and the load, under the settings of now.

    Raises:
        RecordError: it is no history, or has no row in that period.
        ReplayInterrupted: a person ended it.
    """
    account.notes.append("load, max_age_s and the thresholds shown are those of the settings as they are now")
    timeline = Timeline({})
    chronicler = _read(record, _Chronicler(plan, zone, period, timeline), account)
    if any(abs(step_s) > STEPPED_S for step_s in timeline.steps_s.values()):
        account.notes.append(STEPPED)
        chronicler = _read(record, _Chronicler(plan, zone, period, Timeline(timeline.steps_s)), account)
    return chronicler.finish(record, account)


def _read(record: HistoryRecord, chronicler: "_Chronicler", account: Account) -> "_Chronicler":
    account.rows = 0
    row: HistoryRow | None = None
    try:
        for page in record.read_recorded(account):
            for row in page.rows:
                chronicler.take(row)
    except KeyboardInterrupt:
        far = "" if row is None else f" at {utc_text(row.wall)} of the record"
        msg = f"interrupted{far}; nothing is shown for a part of it"
        raise ReplayInterrupted(msg) from None
    except (ValueError, TypeError, OverflowError) as error:  # what a damaged file may hold
        raise RecordError(record.path, f"rows that a daemon of this version writes: {error}") from None
    return chronicler


class _Chronicler:
    """Takes rows one by one. Times are on the record's own clock (s), `ahead` of Unix time by a constant."""

    def __init__(self, plan: Plan, zone: tzinfo, period: Span, timeline: Timeline) -> None:
        self._plan, self._zone, self._period, self._timeline = plan, zone, period, timeline
        self._tally: Tally | None = None
        self._before = Before()
        self._newest = (MISSING, MISSING)
        self._is_ended = False
        self._first = self._last = self._midnight = 0.0
        self._charge = Trace()
        self._lost: list[Span] = []
        self._energy_at: dict[float, float] = {}
        self._events: deque[Event] = deque(maxlen=KEPT_EVENTS)

    def take(self, row: HistoryRow) -> None:
        """Take the next row."""
        t = self._timeline.place(row)
        wall = self._wall(t)
        if wall >= self._period.end:
            self._end(row)
        elif wall < self._period.begin:
            self._before.take(row, t)
        else:
            tally = self._tally or self._begin(row, t)
            self._settle(row, t)
            self._end_run_before(row)
            self._pass_midnights(t)
            self._take(tally, row, t)
            self._last = max(self._last, t, row.until + t - row.t if row.kind == RowKind.SAMPLE else t)

    def _wall(self, t: float) -> float:
        return t - self._timeline.ahead

    def finish(self, record: HistoryRecord, account: Account) -> tuple[Result, Story]:
        """Return what it came to."""
        tally = self._tally
        if tally is None:
            raise RecordError(record.path, "at least one row in that period")
        self._pass_midnights(self._last)
        self._settle(None, self._last)
        summary = tally.summary(self._last)
        counts = (tally.samples, tally.accepted, tally.rejected)
        ends = (self._wall(self._first), self._wall(self._last))
        result = Result(record.path, record.kind, *ends, *counts, tally.changes, summary, account)
        return result, Story(self._charge, self._lost, self._energy_at, tuple(self._events))

    # ---- the period's ends ----

    def _begin(self, row: HistoryRow, t: float) -> Tally:
        """Begin with what was so when the period began, if anything is recorded from before."""
        before = self._before
        self._first = self._last = begin = self._period.begin + self._timeline.ahead if before.is_any else t
        self._midnight = next_midnight(self._wall(begin), self._zone)
        self._tally = tally = Tally(self._plan.element, begin, self._plan.setup.settings.max_age_s[SOC])
        tally.on_loss = lambda since, until: self._lost.append(Span(self._wall(since), self._wall(until)))
        if before.on is not None and row.kind != RowKind.START:
            self._change(begin, Position.ON, before.on.cause, before.on.state_of_charge)
        for signal, sample in before.samples.items():
            if sample.until + hold_s(self._plan.setup.settings.max_age_s, signal) > begin:
                self._note(tally, signal, sample.value, Span(begin, sample.until))
            if signal == SOC and sample.until > begin:
                self._charge.hold(self._wall(begin), self._wall(sample.until), sample.value)
        return tally

    def _end(self, row: HistoryRow) -> None:
        """There is more of the record: the period ends where it was said to."""
        if self._tally is not None and not self._is_ended:
            self._is_ended = True
            self._settle(None, self._last)
            self._end_run_before(row)
            self._last = self._period.end + self._timeline.ahead

    # ---- row by row ----

    def _end_run_before(self, row: HistoryRow) -> None:
        if row.kind == RowKind.START:  # of a run that is still going on, the program did not live to see the end
            self._change(self._last, Position.OFF, Cause.NONE, MISSING)

    def _pass_midnights(self, t: float) -> None:
        while self._tally is not None and self._wall(t) >= self._midnight:
            self._tally.energy.advance(self._midnight + self._timeline.ahead)
            self._energy_at[self._midnight] = self._tally.energy.wh
            self._midnight = next_midnight(self._midnight, self._zone)

    def _settle(self, row: HistoryRow | None, t: float) -> None:
        """Take the newest charge for one while on, unless it is the very one on which the relay went off."""
        value, came_at = self._newest
        self._newest = (MISSING, MISSING)
        has_ended = row is not None and row.kind == RowKind.CHANGE and not row.value and came_at == t
        if self._tally is not None and not has_ended:
            self._tally.lowest(value)

    def _take(self, tally: Tally, row: HistoryRow, t: float) -> None:
        if row.kind == RowKind.SAMPLE:
            until = row.until + t - row.t
            tally.accept()
            self._note(tally, Signal(row.signal), row.value, Span(t, until))
            if row.signal == SOC:
                self._charge.hold(self._wall(t), self._wall(until), row.value)
        elif row.kind in (RowKind.LOST, RowKind.UNKNOWN, RowKind.ABSENT):
            tally.samples += row.kind == RowKind.UNKNOWN
            for signal in [row.signal] if row.signal >= 0 else [SOC, *ENERGY_SIGNALS]:
                if signal == SOC:
                    tally.lose(t)
                tally.energy.note(Signal(signal), MISSING, t, t)
        elif row.kind == RowKind.CHANGE:
            self._change(t, Position(int(row.value)), Cause(row.cause), told_charge(row))
        elif row.kind == RowKind.GAP:
            self._change(t, told_position(row), Cause(row.cause), MISSING)
        elif row.kind in (RowKind.START, RowKind.STOP):
            tally.lose(t if row.kind == RowKind.STOP else self._last)
        if row.kind != RowKind.SAMPLE and (words := event_words(row)):
            self._events.append(Event(self._wall(t), words))

    def _note(self, tally: Tally, signal: Signal, value: float, during: Span) -> None:
        """Take a value that went on arriving."""
        t, until = during
        tally.energy.note(signal, value, t, until + hold_s(self._plan.setup.settings.max_age_s, signal))
        if signal == SOC:
            tally.regain(t)
            tally.charge(until)
            self._newest = (value, t)

    def _change(self, t: float, position: Position, cause: Cause, state_of_charge: float) -> None:
        tally = self._tally
        if tally is not None and tally.is_on != (position == Position.ON):
            tally.change(t, Change(self._wall(t), position, cause, state_of_charge))
