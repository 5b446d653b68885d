"""The course of the local day: charge, sun, tank and heater, from the history up to now and then from each status."""

import math
from collections.abc import Iterable
from datetime import date, tzinfo
from typing import Any

from dumpload.core.decode import parse_rfc3339
from dumpload.core.law import Position
from dumpload.core.signals import Signal, signal_name
from dumpload.daemon.payloads import Document
from dumpload.history.schema import RowKind
from dumpload.records.history import HistoryRecord
from dumpload.records.record import ReadLog
from dumpload.report.from_history import recorded_position
from dumpload.report.local_time import Span, local_date, midnight, next_midnight, shares
from dumpload.report.trace import Extremes, MinMaxTrace

# Parts of the picture: five minutes on most days.
PARTS, PART_S = 288, 300.0

SHOWN = (Signal.SOLAR_POWER, Signal.STATE_OF_CHARGE, Signal.TANK_TEMPERATURE)

# Runs this close together are one, seen by the history and by the status.
_SAME_S = 2.0


class Today:
    """One local day as far as it is known. `runs`: when the heater was on, Unix s, in order."""

    def __init__(self, day: date, zone: tzinfo) -> None:
        begin = midnight(day, zone)
        self.date, self.zone = day, zone
        self.span = Span(begin, next_midnight(begin, zone))
        self.runs: list[Span] = []
        self._traces = {signal: MinMaxTrace(PART_S) for signal in SHOWN}

    def take(self, status: Document) -> None:
        """Take a status of this day."""
        at, since = parse_rfc3339(status["at"]), parse_rfc3339(status["since"])
        signals: dict[str, Any] = status.get("signals", {})
        for signal in SHOWN:
            value = signals.get(signal_name(signal), {}).get("value")
            if value is not None:
                self._traces[signal].add(at, value)
        if not math.isfinite(since):
            return
        if status["relay"] == "on":
            self._add_runs([Span(since, at)])
        elif self.runs and self.runs[-1].begin < since < self.runs[-1].end:
            self.runs[-1] = Span(self.runs[-1].begin, since)

    def merge(self, other: "Today") -> None:
        """Take what is known of the same day from elsewhere."""
        for signal, trace in self._traces.items():
            trace.merge(other._traces[signal])  # noqa: SLF001  (of our own class)
        self._add_runs(other.runs)

    def columns(self, signal: Signal) -> list[Extremes]:
        """Return the least and the largest value of every part of the day."""
        return self._traces[signal].columns(*self.span, PARTS)

    def extremes(self, signal: Signal) -> Extremes:
        """Return the least and the largest value of the day."""
        return self._traces[signal].extremes(*self.span)

    def shares_on(self) -> list[float]:
        """Return for which share (0 to 1) of every part of the day the heater was on."""
        return shares(self.runs, self.span, PARTS)

    @property
    def on_time_s(self) -> float:
        """How long the heater was on."""
        return sum(run.seconds for run in self.runs)

    def hold(self, signal: Signal, during: Span, value: float) -> None:
        """Record a value that kept arriving."""
        if signal in self._traces:
            self._traces[signal].hold(*during, value)

    def _add_runs(self, runs: Iterable[Span]) -> None:
        joined: list[Span] = []
        for run in sorted([*self.runs, *runs]):
            begin, end = max(run.begin, self.span.begin), min(run.end, self.span.end)
            if end < begin:
                continue
            if joined and begin <= joined[-1].end + _SAME_S:
                joined[-1] = Span(joined[-1].begin, max(joined[-1].end, end))
            else:
                joined.append(Span(begin, end))
        self.runs = joined


def day_of(status: Document, zone: tzinfo) -> date:
    """Return the local date of a status."""
    return local_date(parse_rfc3339(status["at"]), zone)


def recorded_day(record: HistoryRecord, day: date, zone: tzinfo, log: ReadLog) -> Today:
    """Return what the history has of a day.

    Raises:
        RecordError: it is no history.
    """
    today, timeline = Today(day, zone), record.timeline()
    began, last = math.nan, math.nan
    runs: list[Span] = []
    for row, t in record.rows(log, timeline, today.span):
        wall = t - timeline.ahead
        is_on = None
        if row.kind == RowKind.SAMPLE:
            today.hold(Signal(row.signal), Span(wall, wall + row.until - row.t), row.value)
        elif row.kind in (RowKind.CHANGE, RowKind.GAP):
            is_on = (Position(int(row.value)) if row.kind == RowKind.CHANGE else recorded_position(row)) == Position.ON
        elif row.kind in (RowKind.START, RowKind.STOP):
            is_on, wall = False, wall if row.kind == RowKind.STOP else last
        if is_on and math.isnan(began):
            began = wall
        elif is_on is False and not math.isnan(began):
            runs, began = [*runs, Span(began, wall)], math.nan
        last = wall
    today._add_runs(runs if math.isnan(began) else [*runs, Span(began, last)])  # noqa: SLF001
    return today
