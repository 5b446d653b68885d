"""Makes a report from a history or from a replay: as text, as a JSON document and as a page. Writes no file."""

from collections.abc import Callable, Iterator, Sequence
from datetime import timedelta, tzinfo
from pathlib import Path
from textwrap import wrap
from typing import Any, NamedTuple

from dumpload.config.model import Settings
from dumpload.config.types import find_zone
from dumpload.core.explain import cause_name
from dumpload.core.text import number_or_null, utc_text
from dumpload.core.window import HOUR_S
from dumpload.records.history import HistoryRecord
from dumpload.records.open import open_record
from dumpload.records.record import ReadLog, RecordError, TableFormat
from dumpload.replay.compare import Trial
from dumpload.replay.document import replay_document
from dumpload.replay.figures import Derived, figures, scenario
from dumpload.replay.replay import Result
from dumpload.replay.text import WIDTH, replay_text
from dumpload.report.comparison import comparison
from dumpload.report.data import Day, ReportData, report_data
from dumpload.report.day_log import DayLog
from dumpload.report.from_history import WHOLE, NothingRecordedError, period_expected, read_recorded
from dumpload.report.headline import Headline, headline, is_hot, missed_full
from dumpload.report.local_time import Span, midnight, shown_day
from dumpload.report.off_time import LABELS, DayOff, days_off, hours_by_cause
from dumpload.report.page import cause_words, report_page

# Maximum number of days whose reasons are printed on a terminal.
TEXT_DAYS = 31


class Report(NamedTuple):
    """What is reported, and what it means for this installation.

    `before`: the figures of the period before; `compared`: HTML on other settings beside these.
    """

    data: ReportData
    figures: Derived
    settings: Settings
    before: Headline | None = None
    compared: Sequence[str] = ()

    @property
    def page(self) -> str:
        """All of it as HTML."""
        return report_page(self.data, self.figures, self.settings, self.before, self.compared)


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
        raise RecordError(path, "a history database of the daemon (for any other record use replay --report)")
    is_whole = period.begin == WHOLE.begin
    try:
        report = report_of_record(record, settings, ReadLog(lambda part: watch(part if is_whole else part / 2)), period)
    except NothingRecordedError:
        raise RecordError(path, period_expected(record, zone_of(settings))) from None
    if is_whole:
        return report
    return report._replace(before=_headline_before(record, report, lambda part: watch(0.5 + part / 2)))


def report_of_record(record: HistoryRecord, settings: Settings, log: ReadLog, period: Span = WHOLE) -> Report:
    """Return what the relay did in a period (Unix s), without the figures of the one before.

    Raises:
        RecordError: it is no history, or has nothing of that period.
        ReplayInterrupted: a person ended it.
    """
    zone = zone_of(settings)
    result, day_log = read_recorded(record, scenario(settings), log, zone, period)
    data = report_data(settings.name, result, day_log, zone, is_replay=False)
    return Report(data, figures(settings, result.summary), settings)


def _headline_before(record: HistoryRecord, report: Report, watch: Watch) -> Headline | None:
    """Return the first figures of as many days before the period; None where not all of them are recorded."""
    days = report.data.days
    first = midnight(days[0].date - timedelta(days=len(days)), report.data.zone)
    try:
        before = report_of_record(record, report.settings, ReadLog(watch), Span(first, days[0].span.begin))
    except RecordError:  # said without reading all of it: that once took as long again as the report
        return None
    earlier = headline(before.data, before.figures)
    return earlier if earlier.days == len(days) else None


def report_of_replay(settings: Settings, result: Result, day_log: DayLog) -> Report:
    """Return what the relay would have done in a replay under these settings, which the log watched."""
    data = report_data(settings.name, result, day_log, zone_of(settings), is_replay=True)
    return Report(data, figures(settings, result.summary), settings)


def report_of_trials(trials: Sequence[Trial], day_logs: Sequence[DayLog]) -> Report:
    """Return the report of the first of some trials, with the others beside it; a log watched each."""
    reports = [report_of_replay(trial.settings, trial.result, log) for trial, log in zip(trials, day_logs, strict=True)]
    return reports[0]._replace(compared=(*comparison(trials, [report.data for report in reports]),))


def zone_of(settings: Settings) -> tzinfo:
    """Return the zone whose days a report counts."""
    return find_zone(settings.permissive.timezone)


def report_text(report: Report, *, all_changes: bool = False) -> str:
    """Return the report as text, 80 columns wide."""
    data = report.data
    text = replay_text(data.result, report.figures, data.zone, all_changes=all_changes, is_replay=data.is_replay)
    return "\n".join([text, "", *_off_text(report)])


def _off_text(report: Report) -> Iterator[str]:
    """Yield why it was off: hours by cause, and a reason for each of the last days."""
    offs = days_off(report.data, report.settings)
    if causes := hours_by_cause(offs):
        yield "Off:"
        yield from (f"  {seconds / HOUR_S:8.1f} h  {LABELS[cause]}" for cause, seconds in causes)
    days = [*zip(report.data.days, offs, strict=True)]
    yield f"Day by day{f' (the last {TEXT_DAYS})' if len(days) > TEXT_DAYS else ''}:"
    for day, off in days[-TEXT_DAYS:]:
        yield from wrap(f"  {shown_day(day.date):11}{off.reason}", WIDTH, subsequent_indent=" " * 13)


def report_document(report: Report) -> dict[str, Any]:
    """Return the report of a history as a JSON document: as of a replay, and by day, cause, gap and event."""
    data = report.data
    document = replay_document(data.result, report.figures)
    del document["open_loop"]
    offs = days_off(data, report.settings)
    return {
        "name": data.name,
        **document,
        "days": [_day(day, off, report.figures.cold_c) for day, off in zip(data.days, offs, strict=True)],
        "hot_water_days": headline(data, report.figures).hot,
        "litres_at_40_c": number_or_null(report.figures.litres),
        "days_battery_missed_full": missed_full(data),
        "off_time_s_by_cause": {cause_name(cause): round(seconds, 3) for cause, seconds in hours_by_cause(offs)},
        "causes_of_off": {cause_words(cause)[0]: count for cause, count in data.offs.items()},
        "without_data": [{"from": utc_text(gap.begin), "to": utc_text(gap.end)} for gap in data.day_log.lost],
        "events": [{"at": utc_text(event.wall), "what": event.text} for event in data.day_log.incidents],
    }


def _day(day: Day, off: DayOff, cold_c: float) -> dict[str, Any]:
    return {
        "date": day.date.isoformat(),
        "on_time_s": round(day.on_time_s, 3),
        "switch_ons": day.switch_ons,
        "energy_wh": number_or_null(day.energy_wh),
        "data_lost_s": round(day.lost_s, 3),
        "lowest_state_of_charge": number_or_null(day.charge.low),
        "highest_state_of_charge": number_or_null(day.charge.high),
        "hot_water": is_hot(day, cold_c),
        "in_short": off.reason,
        "off_time_s_by_cause": {cause_name(cause): round(s, 3) for cause, s in off.whole.items() if s > 0},
    }
