"""The data of a report over days: built from changes, a trace of the charge, and the energy at midnights.

The same for what a replay would have done and for what a history says was done (`recorded.py`).
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date, tzinfo
from typing import NamedTuple

from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.window import DAY_S
from dumpload.replay.replay import Result
from dumpload.replay.totals import Change
from dumpload.report.day_log import DayLog
from dumpload.report.local_time import Span, local_days
from dumpload.report.trace import Extremes


class Day(NamedTuple):
    """One local day: `span` is all of it, s; the energy in Wh is NaN where nothing is known of the load."""

    date: date
    span: Span
    on_time_s: float
    switch_ons: int
    energy_wh: float
    lost_s: float
    charge: Extremes


class ReportData(NamedTuple):
    """All that a report shows. `is_replay`: it is a replay. `runs`: when the relay was on; `offs`: why it went off."""

    name: str
    result: Result
    zone: tzinfo
    is_replay: bool
    day_log: DayLog
    days: Sequence[Day]
    runs: Sequence[Span]
    offs: Mapping[Cause, int]

    @property
    def span(self) -> Span:
        """From the first to the last row, Unix s."""
        return Span(self.result.first, self.result.last)


def report_data(name: str, result: Result, day_log: DayLog, zone: tzinfo, *, is_replay: bool) -> ReportData:
    """Return the data of a report on an instance of that name."""
    runs = runs_of(result.changes, result.last)
    offs = Counter(change.cause for change in result.changes if change.position == Position.OFF)
    days = _days(result, runs, day_log, zone)
    ordered = dict(sorted(offs.items(), key=lambda pair: (-pair[1], pair[0])))
    return ReportData(name, result, zone, is_replay, day_log, days, runs, ordered)


def runs_of(changes: Sequence[Change], last: float) -> list[Span]:
    """Return when the relay was on; a run that has not ended is as long as it is at `last` (Unix s)."""
    runs: list[Span] = []
    began = MISSING
    for change in changes:
        if change.position == Position.ON:
            began = change.wall
        elif not is_missing(began):
            runs.append(Span(began, max(began, change.wall)))
            began = MISSING
    return runs if is_missing(began) else [*runs, Span(began, max(began, last))]


def _days(result: Result, runs: Sequence[Span], day_log: DayLog, zone: tzinfo) -> list[Day]:
    days = local_days(result.first, result.last, zone)
    on_s, lost_s = _spread(runs, days), _spread(day_log.lost, days)
    ons = Counter(_index(run.begin, days) for run in runs)
    energies = _energies(days, day_log, result.summary.energy_wh)
    return [
        Day(day, span, on_s[index], ons[index], energies[index], lost_s[index], day_log.charge.extremes(*span))
        for index, (day, span) in enumerate(days)
    ]


def _index(wall: float, days: Sequence[tuple[date, Span]]) -> int:
    """Return which day a Unix time lies in."""
    guess = min(len(days) - 1, max(0, int((wall - days[0][1].begin) // DAY_S)))
    while guess and wall < days[guess][1].begin:
        guess -= 1
    while guess < len(days) - 1 and wall >= days[guess][1].end:
        guess += 1
    return guess


def _spread(spans: Sequence[Span], days: Sequence[tuple[date, Span]]) -> list[float]:
    """Return how many seconds of the spans fall into each day."""
    seconds = [0.0] * len(days)
    for span in spans:
        for index in range(_index(span.begin, days), _index(span.end, days) + 1):
            seconds[index] += span.within(days[index][1])
    return seconds


def _energies(days: Sequence[tuple[date, Span]], day_log: DayLog, whole_wh: float) -> list[float]:
    """Return each day's energy: what had been added up by its end, less what had been by its begin."""
    if is_missing(whole_wh):
        return [MISSING] * len(days)
    energies, before = [], 0.0
    for index, (_day, span) in enumerate(days):
        after = whole_wh if index == len(days) - 1 else day_log.energy_at.get(span.end, before)
        energies.append(after - before)
        before = after
    return energies
