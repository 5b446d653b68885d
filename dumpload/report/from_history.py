"""Reads from a history what the relay did, as recorded: no law is asked, nothing is replayed."""

import math
from collections import deque
from datetime import tzinfo
from typing import Any, NamedTuple

from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.printable import printable
from dumpload.core.signals import Signal, in_range
from dumpload.history.schema import NO_SIGNAL, HistoryRow, RowKind
from dumpload.records.history import HistoryRecord, Timeline, said_in
from dumpload.records.record import ReadLog, RecordError
from dumpload.replay.heat_sources import SUMMED_SIGNALS, SourcedEnergy
from dumpload.replay.replay import ReplayInterrupted, Result, heat_of
from dumpload.replay.replayer import SHOWN_SIGNALS, Scenario, hold_s
from dumpload.replay.totals import SOC, Change, Totals
from dumpload.report.day_log import DayLog, Incident
from dumpload.report.local_time import Span, local_date

# Keep this many of the last incidents.
KEPT_INCIDENTS = 200

# What is recorded of a heartbeat is how often it has changed: the first one is none yet.
FIRST_BEAT = 1.0

WHOLE = Span(-math.inf, math.inf)

STEPPED = "the clock was stepped during the recording; all times use the corrected clock"


class NothingRecordedError(RecordError):
    """There is no row in a period."""


def read_recorded(
    record: HistoryRecord, scenario: Scenario, log: ReadLog, zone: tzinfo, period: Span = WHOLE
) -> tuple[Result, DayLog]:
    """Return what the relay did in a period (Unix s), and its log in the days of a zone.

    `scenario`: how long a value counts, and the load, under the settings of now.

    Raises:
        RecordError: it is no history.
        NothingRecordedError: it has no row in that period.
        ReplayInterrupted: a person ended it.
    """
    log.notes.append("uses today's settings for heater size, max_age_s and thresholds")
    row: HistoryRow | None = None
    try:
        timeline = record.timeline()
        if timeline.steps_s:
            log.notes.append(STEPPED)
        recorder = _HistoryPlayer(scenario, zone, period, timeline)
        for row, t in record.rows(log, timeline, period):
            recorder.take(row, t)
    except KeyboardInterrupt:
        raise ReplayInterrupted.at(None if row is None else row.wall) from None
    return recorder.finish(record, log)


class Held(NamedTuple):
    """A value that went on arriving until then (s)."""

    value: float
    until: float


class Before:
    """Remembers what is so when a period begins: whether the relay is on, and the last values."""

    def __init__(self) -> None:
        self.is_any = self.has_heartbeat = False
        self.on: Change | None = None
        self.samples: dict[Signal, Held] = {}

    def take(self, row: HistoryRow, t: float) -> None:
        """Take a row from before the period, which was at `t` (s)."""
        self.is_any = True
        if row.kind == RowKind.SAMPLE:
            self.samples[Signal(row.signal)] = Held(row.value, row.until + t - row.t)
            self.has_heartbeat = self.has_heartbeat or row.signal == Signal.HEARTBEAT
        elif row.kind in (RowKind.LOST, RowKind.UNKNOWN) and row.signal >= 0:
            self.samples.pop(Signal(row.signal), None)
        elif row.kind == RowKind.ABSENT:
            self.samples.clear()
        elif row.kind == RowKind.CHANGE:
            self._move(row, Position(int(row.value)))
        elif row.kind == RowKind.GAP:
            self._move(row, recorded_position(row))
        elif row.kind in (RowKind.START, RowKind.STOP):
            self.on, self.has_heartbeat = None, has_heartbeat(row)
            self.samples.clear()
        elif row.kind == RowKind.SETTINGS:
            self.has_heartbeat = has_heartbeat(row)

    def _move(self, row: HistoryRow, position: Position) -> None:
        if position == Position.OFF:
            self.on = None
        elif self.on is None:
            self.on = Change(row.wall, position, Cause(row.cause), recorded_charge(row))


class _HistoryPlayer:
    """Takes rows one by one. Times are on the record's own clock (s), `ahead` of Unix time by a constant."""

    def __init__(self, scenario: Scenario, zone: tzinfo, period: Span, timeline: Timeline) -> None:
        self._scenario, self._period, self._timeline = scenario, period, timeline
        self._totals: Totals | None = None
        self._before = Before()
        self._newest = (MISSING, MISSING)
        # Until when the charge counts by its own age, and by the heartbeat's: there is one if it was recorded.
        self._charge_until, self._heart_until = -math.inf, NEVER
        self._is_ended = False
        self._first = self._last = 0.0
        self._zone = zone
        self._log = DayLog(zone)
        self._incidents: deque[Incident] = deque(maxlen=KEPT_INCIDENTS)

    def take(self, row: HistoryRow, t: float) -> None:
        """Take the next row, which was at `t` (s)."""
        wall = self._wall(t)
        if wall >= self._period.end:
            self._end(row)
        elif wall < self._period.begin:
            self._before.take(row, t)
        else:
            totals = self._totals or self._begin(row, t)
            self._settle(row, t)
            self._end_run_before(row)
            self._pass_midnights(t)
            self._take(totals, row, t)
            self._last = max(self._last, t, row.until + t - row.t if row.kind == RowKind.SAMPLE else t)

    def _wall(self, t: float) -> float:
        return t - self._timeline.ahead

    def finish(self, record: HistoryRecord, log: ReadLog) -> tuple[Result, DayLog]:
        """Return what it came to."""
        totals = self._totals
        if totals is None:
            raise NothingRecordedError(record.path, "a period with data")
        self._pass_midnights(self._last)
        self._settle(None, self._last)
        summary = totals.summary(self._last)
        counts = (totals.samples, totals.accepted, totals.rejected)
        ends = (self._wall(self._first), self._wall(self._last))
        result = Result(record.path, record.kind, *ends, *counts, totals.changes, summary, log, heat_of(totals))
        self._log.incidents = tuple(self._incidents)
        return result, self._log

    # ---- the period's ends ----

    def _begin(self, row: HistoryRow, t: float) -> Totals:
        """Begin with what was so when the period began, if anything is recorded from before."""
        before = self._before
        self._first = self._last = begin = self._period.begin + self._timeline.ahead if before.is_any else t
        self._totals = totals = Totals(self._scenario.load, begin, self._scenario.setup.settings.max_age_s[SOC])
        totals.energy = SourcedEnergy(self._scenario.load, begin, self._scenario.throttle_percent)
        self._log.begin(totals, self._wall(begin))
        totals.on_loss = lambda since, until: self._log.lose(self._wall(since), self._wall(until))
        if before.on is not None and row.kind != RowKind.START:
            self._change(begin, Position.ON, before.on.cause, before.on.state_of_charge)
        self._heart_until = -math.inf if before.has_heartbeat else NEVER
        for signal, sample in sorted(before.samples.items()):
            if sample.until + hold_s(self._scenario.setup.settings.max_age_s, signal) > begin:
                self._note(totals, signal, sample.value, Span(begin, sample.until))
            if signal == SOC and sample.until > begin:
                self._log.hold(self._wall(begin), self._wall(sample.until), sample.value)
        return totals

    def _end(self, row: HistoryRow) -> None:
        """There is more of the record: the period ends where it was said to."""
        if self._totals is not None and not self._is_ended:
            self._is_ended = True
            self._settle(None, self._last)
            self._end_run_before(row)
            self._last = self._period.end + self._timeline.ahead

    # ---- row by row ----

    def _end_run_before(self, row: HistoryRow) -> None:
        # A run that is still going on at a start: the program did not live to see the end (it was killed, or the power
        # failed). It ends with the last thing recorded before: the service manager drove the pin off, which nobody
        # records.
        if row.kind == RowKind.START:
            self._change(self._last, Position.OFF, Cause.NONE, MISSING)

    def _pass_midnights(self, t: float) -> None:
        while self._wall(t) >= self._log.midnight:
            self._log.pass_midnight(self._log.midnight + self._timeline.ahead)

    def _settle(self, row: HistoryRow | None, t: float) -> None:
        """Take the newest charge for one while on, unless it is the very one on which the relay went off."""
        value, came_at = self._newest
        self._newest = (MISSING, MISSING)
        has_ended = row is not None and row.kind == RowKind.CHANGE and not row.value and came_at == t
        if self._totals is not None and not has_ended:
            self._totals.lowest(value)

    def _take(self, totals: Totals, row: HistoryRow, t: float) -> None:
        if row.kind == RowKind.SAMPLE:
            until = row.until + t - row.t
            totals.accept()
            self._note(totals, Signal(row.signal), row.value, Span(t, until))
            self._show(Signal(row.signal), row.value, Span(self._wall(t), self._wall(until)))
        elif row.kind in (RowKind.LOST, RowKind.UNKNOWN, RowKind.ABSENT):
            totals.samples += row.kind == RowKind.UNKNOWN
            for signal in [row.signal] if row.signal >= 0 else SUMMED_SIGNALS:
                totals.energy.note(Signal(signal), MISSING, t, t)
            self._lose(totals, row, t)
        elif row.kind == RowKind.CHANGE:
            self._change(t, Position(int(row.value)), Cause(row.cause), recorded_charge(row))
        elif row.kind == RowKind.GAP:
            self._change(t, recorded_position(row), Cause(row.cause), MISSING)
        elif row.kind in (RowKind.START, RowKind.STOP):
            totals.lose(t if row.kind == RowKind.STOP else self._last)
            self._charge_until, self._heart_until = -math.inf, -math.inf if has_heartbeat(row) else NEVER
        elif row.kind == RowKind.SETTINGS:
            self._heart_until = min(self._heart_until, t) if has_heartbeat(row) else NEVER
            totals.know(t, min(self._charge_until, self._heart_until))
        if row.kind != RowKind.SAMPLE:
            self._note_incident(row, self._wall(t))

    def _show(self, signal: Signal, value: float, during: Span) -> None:
        if signal == SOC:
            self._log.hold(*during, value)
        elif signal in SHOWN_SIGNALS:
            self._log.measure(signal, *during, value)

    def _note_incident(self, row: HistoryRow, wall: float) -> None:
        if row.kind == RowKind.SELECT:
            self._log.select(wall, Selector(int(row.value)))
        if text := incident_words(row):
            self._incidents.append(Incident(wall, text))

    def _note(self, totals: Totals, signal: Signal, value: float, during: Span) -> None:
        """Record a value that kept arriving."""
        t, until = during
        totals.energy.note(signal, value, t, until + hold_s(self._scenario.setup.settings.max_age_s, signal))
        ages = self._scenario.setup.settings.max_age_s
        if signal == SOC:
            self._charge_until = until + hold_s(ages, SOC)
            self._newest = (value, t)
        elif signal == Signal.HEARTBEAT:
            self._heart_until = until + hold_s(ages, signal) if value > FIRST_BEAT else -math.inf
        if signal in (SOC, Signal.HEARTBEAT):
            totals.know(t, min(self._charge_until, self._heart_until))

    def _lose(self, totals: Totals, row: HistoryRow, t: float) -> None:
        """Record the loss of the charge, the heartbeat or all signals."""
        if row.signal in (SOC, NO_SIGNAL):
            self._charge_until = min(self._charge_until, t)
        if row.signal in (Signal.HEARTBEAT, NO_SIGNAL) and self._heart_until < NEVER:
            self._heart_until = min(self._heart_until, t)
        totals.know(t, min(self._charge_until, self._heart_until))

    def _change(self, t: float, position: Position, cause: Cause, state_of_charge: float) -> None:
        totals = self._totals
        if totals is not None and totals.is_on != (position == Position.ON):
            totals.energy.switch_recorded(t, on=position == Position.ON)
            totals.change(t, Change(self._wall(t), position, cause, state_of_charge))


def period_expected(record: HistoryRecord, zone: tzinfo) -> str:
    """Return which period was expected, where there is no row in the one asked for; reads all of the history."""
    timeline = record.timeline()
    first_t = t = MISSING
    for _row, t in record.rows(ReadLog(), timeline):
        first_t = t if is_missing(first_t) else first_t
    if is_missing(t):
        return "at least one row"
    first, last = (local_date(wall - timeline.ahead, zone) for wall in (first_t, t))
    return f"a period with data; there are data from {first} to {last}"


# ---- what a row says ----


def incident_words(row: HistoryRow) -> str:
    """Return what a row says that is neither a sample nor a change, in words; nothing for what is no news."""
    if row.kind == RowKind.SELECT:
        time_limit = "" if row.until == NEVER or row.until <= row.t else f" for {(row.until - row.t) / 60:.0f} min"
        return f"selector moved to {Selector(int(row.value)).name.lower()}{time_limit}"
    if row.kind == RowKind.CLOCK:
        return f"the clock was stepped by {row.value:+.1f} s"
    if row.kind == RowKind.GAP:
        return printable(f"{row.value:.0f} rows are missing: {said_in(row).get('why', 'for a reason not recorded')}")
    if row.kind == RowKind.FAULT:
        return printable(f"fault: {row.text}")
    if row.kind == RowKind.ALERT:
        message = said_in(row)
        return printable(f"alert {message.get('alert', '?')} {message.get('state', '?')}: {message.get('text', '')}")
    return {
        RowKind.START: "the program started",
        RowKind.STOP: "the program shut down normally",
        RowKind.RESET: "the lockout was reset",
        RowKind.PIN_FAULT: "the pin could not be driven or read back",
        RowKind.SETTINGS: "new settings were taken",
    }.get(RowKind(row.kind), "")


def has_heartbeat(row: HistoryRow) -> bool:
    """Return whether the settings recorded at a start or a reload have a heartbeat."""
    keys: Any = said_in(row).get("settings")
    return isinstance(keys, dict) and bool(keys.get("telemetry.heartbeat.topic"))


def recorded_charge(row: HistoryRow) -> float:
    """Return the state of charge (percent) in a recorded change; NaN: none."""
    charge: Any = said_in(row).get("state_of_charge")
    is_number = isinstance(charge, int | float) and not isinstance(charge, bool)
    return float(charge) if is_number and in_range(SOC, charge) else MISSING


def recorded_position(row: HistoryRow) -> Position:
    """Return the position of the relay as recorded in a gap."""
    return Position.ON if said_in(row).get("relay") == "on" else Position.OFF
