"""Makes the rows of an export from a history: samples as they were kept, changes and days as `report` counts them."""

from collections.abc import Callable, Iterator
from datetime import date, tzinfo
from itertools import groupby
from pathlib import Path

from dumpload.config.model import Settings
from dumpload.core.explain import cause_name
from dumpload.core.freshness import is_missing
from dumpload.core.signals import Signal, signal_name
from dumpload.export.folder import ExportFolder, Row
from dumpload.export.tables import CHANGES, DAYS, SAMPLES, SIGNAL_COLUMNS
from dumpload.history.schema import HistoryRow, RowKind
from dumpload.records.history import WHOLE, HistoryRecord, Placed, Timeline
from dumpload.records.record import ReadLog
from dumpload.replay.figures import figures
from dumpload.report.data import Day
from dumpload.report.headline import is_hot
from dumpload.report.local_time import Span, local_date, midnight, next_midnight
from dumpload.report.report import Report, report_of_record, zone_of

_PLACES = {signal: place for place, signal in enumerate(SIGNAL_COLUMNS)}
_NAMES = {signal: signal_name(signal) for signal in SIGNAL_COLUMNS}


def export_history(path: Path, settings: Settings, period: Span, folder: ExportFolder, log: ReadLog) -> None:
    """Write the days of a history that the period (Unix s) touches.

    Raises:
        RecordError: it is no history, or has no rows.
        WriteError: a part cannot be written.
        ReplayInterrupted: a person ended it; the parts that are there are whole.
    """
    zone = zone_of(settings)
    # A day is exported whole or not at all: a part that held half of it would replace a whole one. So the history is
    # read to its end whatever the period, which says only which days are written.
    samples = _Samples(folder, period, zone)
    report = report_of_record(_TappedHistory(path, samples.take), settings, log)
    samples.flush()
    for day, rows in groupby(_changes(report), key=lambda row: local_date(row[0], zone)):
        if _touches(Span(midnight(day, zone), next_midnight(midnight(day, zone), zone)), period):
            folder.put(CHANGES, day, list(rows))
    cold_c = figures(settings, report.data.result.summary).cold_c
    for day_data in report.data.days:
        if _touches(day_data.span, period):
            folder.put(DAYS, day_data.date, [_day(day_data, cold_c)])


def _touches(day: Span, period: Span) -> bool:
    return day.begin < period.end and period.begin < day.end


class _TappedHistory(HistoryRecord):
    """A history whose rows somebody else sees, too: row, when it was and until when its value arrived (Unix s)."""

    def __init__(self, path: Path, take: Callable[[HistoryRow, float, float], None]) -> None:
        super().__init__(path)
        self._take = take

    def rows(self, log: ReadLog, timeline: Timeline, period: tuple[float, float] = WHOLE) -> Iterator[Placed]:
        """Yield the rows as `HistoryRecord` does."""
        for row, t in super().rows(log, timeline, period):
            wall = t - timeline.ahead
            self._take(row, wall, wall + row.until - row.t)
            yield row, t


class _Samples:
    """Collects the samples of a day, and hands them over at its end: there is never more than a day in memory."""

    def __init__(self, folder: ExportFolder, period: Span, zone: tzinfo) -> None:
        self._folder, self._period, self._zone = folder, period, zone
        self._rows: list[Row] = []
        self._day: date | None = None
        self._span = Span(0.0, 0.0)

    def take(self, row: HistoryRow, wall: float, until: float) -> None:
        """Take the next row of the history."""
        if self._day is None or wall >= self._span.end:
            self._next_day(wall)
        if row.kind == RowKind.SAMPLE and row.signal in _PLACES and _touches(self._span, self._period):
            signal = Signal(row.signal)
            values: list[float | None] = [None] * len(_PLACES)
            values[_PLACES[signal]] = row.value
            self._rows.append((wall, until, _NAMES[signal], *values))

    def _next_day(self, wall: float) -> None:
        self.flush()
        day = local_date(wall, self._zone)
        if self._day is None:
            self._folder.begin(wall, day)
        self._day, self._span = day, Span(midnight(day, self._zone), next_midnight(wall, self._zone))

    def flush(self) -> None:
        """Hand over what there is."""
        if self._day is not None:
            self._folder.put(SAMPLES, self._day, self._rows)
        self._rows = []


def _changes(report: Report) -> Iterator[Row]:
    for change in report.data.result.changes:
        relay, cause = change.position.name.lower(), cause_name(change.cause)
        yield change.wall, relay, cause, _number(change.state_of_charge)


def _day(day: Day, cold_c: float) -> Row:
    return (
        *day.span,
        round(day.on_time_s, 3),
        day.switch_ons,
        _number(day.energy_wh),
        round(day.lost_s, 3),
        *map(_number, day.charge),
        is_hot(day, cold_c),
    )


def _number(value: float) -> float | None:
    return None if is_missing(value) else round(value, 3)
