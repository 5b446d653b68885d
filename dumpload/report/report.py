"""Makes a report from a history or from a replay: as text, as a JSON document and as a page. Writes no file."""

from collections.abc import Callable
from datetime import tzinfo
from pathlib import Path
from typing import Any, NamedTuple

from dumpload.config.model import Settings
from dumpload.config.types import find_zone
from dumpload.core.text import number_or_null
from dumpload.core.window import utc_text
from dumpload.records.history import HistoryRecord
from dumpload.records.open import open_record
from dumpload.records.record import ReadLog, RecordError, TableFormat
from dumpload.replay.document import replay_document
from dumpload.replay.figures import Derived, figures, scenario
from dumpload.replay.replay import Result
from dumpload.replay.text import replay_text
from dumpload.report.data import Day, ReportData, report_data
from dumpload.report.day_log import DayLog
from dumpload.report.from_history import WHOLE, read_recorded
from dumpload.report.local_time import Span
from dumpload.report.page import cause_words, report_page


class Report(NamedTuple):
    """What is reported, and what it means for this installation."""

    data: ReportData
    figures: Derived
    settings: Settings

    @property
    def page(self) -> str:
        """All of it as HTML."""
        return report_page(self.data, self.figures, self.settings)


Watch = Callable[[float], None]


def report_of_history(
    path: Path, settings: Settings, period: Span = WHOLE, watch: Watch = lambda _part: None
) -> Report:
    """Return what the relay did, as the daemon recorded it, in a period (Unix s).

    Raises:
        RecordError: it is no history, or has nothing of that period.
    """
    record = open_record(path, TableFormat(), settings)
    if not isinstance(record, HistoryRecord):
        raise RecordError(path, "a history database of the daemon (of another record, replay --report tells)")
    zone = zone_of(settings)
    result, day_log = read_recorded(record, scenario(settings), ReadLog(watch), zone, period)
    one = report_data(settings.name, result, day_log, zone, is_replay=False)
    return Report(one, figures(settings, result.summary), settings)


def report_of_replay(settings: Settings, result: Result, day_log: DayLog) -> Report:
    """Return what the relay would have done in a replay under these settings, which the log watched."""
    one = report_data(settings.name, result, day_log, zone_of(settings), is_replay=True)
    return Report(one, figures(settings, result.summary), settings)


def zone_of(settings: Settings) -> tzinfo:
    """Return the zone whose days a report counts."""
    return find_zone(settings.permissive.timezone)


def report_text(report: Report, *, all_changes: bool = False) -> str:
    """Return the report as text, 80 columns wide."""
    one = report.data
    return replay_text(one.result, report.figures, one.zone, all_changes=all_changes, is_replay=one.is_replay)


def report_document(report: Report) -> dict[str, Any]:
    """Return the report of a history as a JSON document: as of a replay, and by day, cause, gap and event."""
    one = report.data
    document = replay_document(one.result, report.figures)
    del document["open_loop"]
    return {
        "name": one.name,
        **document,
        "days": [_day(day) for day in one.days],
        "causes_of_off": {cause_words(cause)[0]: count for cause, count in one.offs.items()},
        "without_data": [{"from": utc_text(gap.begin), "to": utc_text(gap.end)} for gap in one.day_log.lost],
        "events": [{"at": utc_text(event.wall), "what": event.words} for event in one.day_log.incidents],
    }


def _day(day: Day) -> dict[str, Any]:
    return {
        "date": day.date.isoformat(),
        "on_time_s": round(day.on_time_s, 3),
        "switch_ons": day.switch_ons,
        "energy_wh": number_or_null(day.energy_wh),
        "data_lost_s": round(day.lost_s, 3),
        "lowest_state_of_charge": number_or_null(day.charge.low),
        "highest_state_of_charge": number_or_null(day.charge.high),
    }
