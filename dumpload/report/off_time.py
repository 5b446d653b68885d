"""Why the relay was off: hours by cause, and one plain reason for every day. To the quarter of an hour.

The same for a replay and for a history, in which the cause is recorded only where the relay moved.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from operator import attrgetter
from typing import NamedTuple

from dumpload.config.model import Settings
from dumpload.config.to_core import controller_setup
from dumpload.core.freshness import is_missing
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.text import duration
from dumpload.core.window import Schedule
from dumpload.report.data import Day, ReportData
from dumpload.report.local_time import Span, reaching_into, shown_time
from dumpload.report.trace import QUARTER_S

# With which the relay goes off, and which keep it off.
_VETOES = (Cause.VOLTAGE_LOW, Cause.TANK_HOT, Cause.DRAIN_LIMIT, Cause.DUTY_LIMIT, Cause.BELOW_FLOOR, Cause.LOCKOUT)

# In place of the published name, where a person reads it.
LABELS: Mapping[Cause, str] = {
    Cause.DATA_LOST: "No data",
    Cause.SELECTOR_OFF: "Switched off by hand",
    Cause.OUTSIDE_WINDOW: "Outside the daily window",
    Cause.BELOW_CUT_IN: "Charge below the cut-in",
    Cause.BELOW_CUT_OUT: "Charge fell below the cut-out",
    Cause.CONFIRMING: "Waiting (confirming, or minimum off time)",
    Cause.VOLTAGE_LOW: "Bus voltage too low",
    Cause.TANK_HOT: "Tank hot enough",
    Cause.DRAIN_LIMIT: "Battery was supplying too much",
    Cause.DUTY_LIMIT: "Run-time limit reached",
    Cause.BELOW_FLOOR: "Charge below the floor",
    Cause.LOCKOUT: "Locked out after a fault",
}


class DayOff(NamedTuple):
    """One day: seconds off by cause, over all of it and within the window; `reason`: why, in one clause."""

    whole: Mapping[Cause, float]
    in_window: Mapping[Cause, float]
    reason: str


def days_off(data: ReportData, settings: Settings) -> list[DayOff]:
    """Return why the relay was off on each day of a report."""
    schedule = controller_setup(settings).schedule()
    days = []
    for day in data.days:
        whole: defaultdict[Cause, float] = defaultdict(float)
        inside: defaultdict[Cause, float] = defaultdict(float)
        for span in _off(data, day.span):
            for cause, seconds, is_inside in _parts(data, span, schedule, settings.control.cut_in_percent):
                whole[cause] += seconds
                inside[cause] += seconds if is_inside else 0.0
        days.append(DayOff(whole, inside, _reason(data, day, inside, settings)))
    return days


def hours_by_cause(days: Sequence[DayOff]) -> list[tuple[Cause, float]]:
    """Return for how many seconds it was off for each cause, the longest first."""
    sums: defaultdict[Cause, float] = defaultdict(float)
    for day in days:
        for cause, seconds in day.whole.items():
            sums[cause] += seconds
    return sorted(((cause, s) for cause, s in sums.items() if s > 0), key=lambda pair: -pair[1])


def _off(data: ReportData, whole: Span) -> Iterator[Span]:
    """Yield the parts of a day, as far as it is recorded, with the relay off."""
    begin, end = max(whole.begin, data.span.begin), min(whole.end, data.span.end)
    for run in data.runs[bisect_right(data.runs, begin, key=attrgetter("end")) :]:
        if run.begin >= end:
            break
        if run.begin > begin:
            yield Span(begin, run.begin)
        begin = max(begin, run.end)
    if begin < end:
        yield Span(begin, end)


def _parts(
    data: ReportData, span: Span, schedule: Schedule, cut_in_percent: float
) -> Iterator[tuple[Cause, float, bool]]:
    """Yield cause, seconds, and whether within the window, of every quarter of a time off within one day."""
    gaps = _gaps(data, span)
    veto = _veto(data, span.begin)
    begin = span.begin
    # Of every quarter with the relay off, in this order: no live charge is data_lost; the selector in off is
    # selector_off; a veto with which the relay went off holds to the end of that day (a lockout until the relay moves
    # again); outside the window is outside_window; a charge that stayed below the cut-in is below_cut_in; else it
    # waited (confirming, minimum off time).
    while begin < span.end:
        local = schedule.at(begin)
        is_inside = local.inside
        quarter = Span(begin, min(span.end, _quarter_end(begin, local.valid_until, gaps)))
        lost_s = min(quarter.seconds, sum(gap.within(quarter) for gap in gaps))
        yield Cause.DATA_LOST, lost_s, is_inside
        if lost_s < quarter.seconds:
            is_low = not data.day_log.charge.extremes(*quarter).high >= cut_in_percent
            cause = _selected(data, begin) or veto
            if cause is None:
                cause = (Cause.BELOW_CUT_IN if is_low else Cause.CONFIRMING) if is_inside else Cause.OUTSIDE_WINDOW
            yield cause, quarter.seconds - lost_s, is_inside
        begin = quarter.end


def _quarter_end(begin: float, window_until: float, gaps: Sequence[Span]) -> float:
    """Return when the quarter that begins there ends; within one gap, the last one before the window may change."""
    end = (begin // QUARTER_S + 1) * QUARTER_S
    until = next((gap.end for gap in gaps if gap.begin <= begin and gap.end > end), end)
    return max(end, min(until, window_until) // QUARTER_S * QUARTER_S)


def _gaps(data: ReportData, span: Span) -> Sequence[Span]:
    """Return the gaps that reach into a time."""
    return reaching_into(span, data.day_log.lost)


def _selected(data: ReportData, wall: float) -> Cause | None:
    moved = bisect_right(data.day_log.selected, wall, key=lambda pair: pair[0])
    is_off = moved and data.day_log.selected[moved - 1][1] == Selector.OFF
    return Cause.SELECTOR_OFF if is_off else None


def _veto(data: ReportData, wall: float) -> Cause | None:
    """Return with which veto the relay went off, if it did so on the day of this time (a lockout: ever)."""
    changes = data.result.changes
    moved = bisect_right(changes, wall, key=attrgetter("wall"))
    if not moved or changes[moved - 1].position == Position.ON or changes[moved - 1].cause not in _VETOES:
        return None
    last = changes[moved - 1]
    today = data.days[max(0, bisect_right(data.days, wall, key=lambda day: day.span.begin) - 1)]
    return last.cause if last.cause == Cause.LOCKOUT or last.wall >= today.span.begin else None


def _reason(data: ReportData, day: Day, inside: Mapping[Cause, float], settings: Settings) -> str:
    """Return what kept it off within the window for longer than it was on, else for how long it was on."""
    ran = f"on for {duration(day.on_time_s)}" if day.on_time_s else ""
    cause = max((cause for cause in inside if inside[cause] > 0), key=lambda veto: inside[veto], default=None)
    if cause is None:
        return ran or "only recorded outside the daily window"
    if ran and day.on_time_s >= inside[cause]:
        return ran
    return f"{_why(data, day, cause, settings.control.cut_in_percent)}{'; ' if ran else ''}{ran}"


def _why(data: ReportData, day: Day, cause: Cause, cut_in_percent: float) -> str:
    if cause == Cause.DATA_LOST:
        gap = max(_gaps(data, day.span), key=lambda gap: gap.within(day.span))
        return f"no data {_from_to(gap, day, data)}"
    if cause == Cause.BELOW_CUT_IN and not day.on_time_s:
        return _low(day, cut_in_percent)
    return within_sentence(cause)


def within_sentence(cause: Cause) -> str:
    """Return a cause's label for use inside a sentence."""
    label = LABELS[cause]
    return f"{label[0].lower()}{label[1:]}"


def _low(day: Day, cut_in_percent: float) -> str:
    high = day.charge.high
    if is_missing(high):
        return "charge not known"
    if high < cut_in_percent:
        return f"never reached {cut_in_percent:g} %, highest {high:.1f} %"
    return f"did not stay at {cut_in_percent:g} % within the daily window, highest {high:.1f} %"


def _from_to(gap: Span, day: Day, data: ReportData) -> str:
    if gap.begin <= day.span.begin and gap.end >= day.span.end:
        return "all day"
    begin = "from midnight" if gap.begin <= day.span.begin else f"from {shown_time(gap.begin, data.zone)}"
    return f"{begin} to {'midnight' if gap.end >= day.span.end else shown_time(gap.end, data.zone)}"
