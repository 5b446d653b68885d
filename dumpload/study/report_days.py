"""The days of a report, one row each: a strip of the charge and the time on from midnight to midnight, and figures."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from itertools import groupby
from operator import attrgetter

from dumpload.core.freshness import is_missing
from dumpload.study.chronicle import Chronicle, Day
from dumpload.study.local_time import Span
from dumpload.study.report_pictures import band, lowest_shown

HEIGHT = 99
"""Units of a strip from its lowest charge to 100 %; it is as many units wide as it has columns."""

COLUMNS = (96, 48, 24, 16, 12, 8)
"""Into so many parts a day may be divided: into the most with which all rows together have MOST_CHARACTERS."""

MOST_CHARACTERS = 104_000
MOST_DAYS = 366


def day_tables(one: Chronicle, cut_in_percent: float, cut_out_percent: float) -> Iterator[str]:
    """Yield a table for each month, of the last year if there is more."""
    days = one.days[-MOST_DAYS:]
    low = lowest_shown(one, cut_out_percent)
    rows = _rows(one, days, low)
    yield _lines(cut_in_percent, cut_out_percent, low)
    yield f"<p>Each strip goes from midnight to midnight, and from {low} % to 100 % of charge.</p>"
    if len(days) < len(one.days):
        yield f"<p>Only the last {MOST_DAYS} days are drawn one by one.</p>"
    for month, group in groupby(zip(days, rows, strict=True), key=lambda pair: f"{pair[0].date:%Y-%m}"):
        yield f'<table><caption id="m{month}">{month}</caption>'
        yield "<thead><tr><th>Day<th>Charge, and when the relay was on<th>On, h:min<th>Wh<th>Times on<tbody>"
        yield from (row for _day, row in group)
        yield "</table>"


def _rows(one: Chronicle, days: Sequence[Day], low: int) -> list[str]:
    rows: list[str] = []
    for columns in COLUMNS:
        if columns * len(days) * 10 <= MOST_CHARACTERS or columns == COLUMNS[-1]:
            rows = [_row(one, day, columns, low) for day in days]
            if sum(map(len, rows)) <= MOST_CHARACTERS:
                break
    return rows


def _lines(cut_in_percent: float, cut_out_percent: float, low: int) -> str:
    """Return what every strip has, drawn once and used by all: the lines of the thresholds."""
    cut_in, cut_out = ((100 - value) / (100 - low) * HEIGHT for value in (cut_in_percent, cut_out_percent))
    return (
        f'<svg class="once" aria-hidden="true"><g id="l"><path class="i" d="M0 {cut_in:.1f}h96"/>'
        f'<path class="u" d="M0 {cut_out:.1f}h96"/></g></svg>'
    )


def _row(one: Chronicle, day: Day, columns: int, low: int) -> str:
    """Return the row of one day. A day of 23 or 25 hours is as wide as the others."""
    energy = "-" if is_missing(day.energy_wh) else f"{day.energy_wh:.0f}"
    on_min = round(day.on_time_s / 60)
    charge = band(one.story.charge.columns(*day.span, columns), 1, low, HEIGHT)
    ons = "".join(_on(run, day.span, columns) for run in _on_that_day(one.runs, day.span))
    return (
        f'<tr><th>{day.date:%a} {day.date.day}<td><svg viewBox="0 0 {columns} {HEIGHT}" preserveAspectRatio=none>'
        f"{_path('o', ons)}{_path('c', charge)}<use href=#l /></svg>"
        f"<td>{on_min // 60}:{on_min % 60:02d}<td>{energy}<td>{day.switch_ons}"
    )


def _on_that_day(runs: Sequence[Span], day: Span) -> Iterator[Span]:
    """Yield the runs of that day, those together that could not be told apart."""
    begin = bisect_right(runs, day.begin, key=attrgetter("end"))
    end = bisect_left(runs, day.end, key=attrgetter("begin"))
    current: Span | None = None
    for run in runs[begin:end]:
        if current is not None and run.begin - current.end > day.seconds / 200:
            yield current
            current = None
        current = run if current is None else Span(current.begin, run.end)
    if current is not None:
        yield current


def _on(run: Span, day: Span, columns: int) -> str:
    begin, end = ((min(max(wall, day.begin), day.end) - day.begin) / day.seconds * columns for wall in run)
    return f"M{begin:.2f} 0h{max(0.02, end - begin):.2f}v{HEIGHT}H{begin:.2f}z"


def _path(kind: str, path: str) -> str:
    return f'<path class={kind} d="{path}"/>' if path else ""
