"""The days of a report, one row each: a strip of the charge and the time on from midnight to midnight, and figures."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from itertools import groupby
from typing import NamedTuple

from dumpload.core.freshness import is_missing
from dumpload.report.data import Day, ReportData
from dumpload.report.local_time import reaching_into, shares
from dumpload.report.pictures import area, band, lowest_shown

# Units of a strip: all of it, and the lane at its bottom that shows the time on.
WIDTH, HEIGHT, LANE = 96, 99, 22

# Units from the lowest charge to 100 %.
CHARGE = HEIGHT - LANE - 5

# Steps of shade for the share of an hour in which the relay was on.
STEPS = 10

# Puts the time on into its lane. The charge has no class, to keep short what there is much of.
STYLE = (
    """
.days svg { background: repeating-linear-gradient(90deg, var(--ink) 0 6px, transparent 6px 9px) 0 var(--in) / 100% 1px
  no-repeat, repeating-linear-gradient(90deg, var(--ink) 0 1px, transparent 1px 4px) 0 var(--out) / 100% 1px no-repeat }
"""
    f".days .o {{ transform: translateY({HEIGHT - LANE}px) scaleY({LANE / STEPS:g}) }}"
)


class Parts(NamedTuple):
    """Into how many parts a day is divided: for the charge, and for the time on."""

    charge: int
    on: int


# The first with which all rows together should be short enough is taken, else the last.
FINENESS = (
    Parts(96, 96),
    Parts(48, 96),
    Parts(24, 96),
    Parts(16, 96),
    Parts(12, 96),
    Parts(12, 24),
    Parts(8, 12),
    Parts(6, 6),
    Parts(4, 6),
    Parts(4, 4),
)

# Days by which the length of the rows is estimated.
SAMPLE_DAYS = 30

MOST_DAYS = 366


def day_tables(data: ReportData, cut_out_percent: float, room: int, anchors: Mapping[date, str]) -> Iterator[str]:
    """Yield a table for each month, of the last year if there is more, in about `room` characters.

    `anchors`: by which to find some days' rows.
    """
    days = data.days[-MOST_DAYS:]
    low = lowest_shown(data, cut_out_percent)
    rows = _rows(data, days, low, room, anchors)
    yield (
        f"<p>Each strip goes from midnight to midnight, and from {low} % to 100 % of charge; dashed and dotted lines"
        " are cut-in and cut-out. The lane at its bottom is full while the relay was on.</p>"
    )
    if len(days) < len(data.days):
        yield f"<p>Only the last {MOST_DAYS} days are drawn one by one.</p>"
    for month, group in groupby(zip(days, rows, strict=True), key=lambda pair: f"{pair[0].date:%Y-%m}"):
        days_of = [*group]
        yield f'<table><caption id="m{month}">{days_of[0][0].date:%B %Y}</caption>'
        yield "<thead><tr><th>Day<th>Charge, and when the relay was on<th>On, h:min<th>kWh<th>Times on<tbody>"
        yield from (row for _day, row in days_of)
        yield "</table>"


def _rows(data: ReportData, days: Sequence[Day], low: int, room: int, anchors: Mapping[date, str]) -> list[str]:
    some = days[:: max(1, len(days) // SAMPLE_DAYS)]
    for parts in FINENESS:
        if sum(len(_row(data, day, parts, low)) for day in some) * len(days) <= room * len(some):
            break
    return [_row(data, day, parts, low, anchors.get(day.date, "")) for day in days]


def lines(data: ReportData, cut_in_percent: float, cut_out_percent: float) -> str:
    """Return the style that puts the lines of the thresholds behind every strip."""
    low = lowest_shown(data, cut_out_percent)
    cut_in, cut_out = ((100 - cut) / (100 - low) * CHARGE / HEIGHT for cut in (cut_in_percent, cut_out_percent))
    return f"--in:{cut_in:.1%};--out:{cut_out:.1%}"


def _row(data: ReportData, day: Day, parts: Parts, low: int, anchor: str = "") -> str:
    """Return the row of one day. A day of 23 or 25 hours is as wide as the others."""
    energy = "-" if is_missing(day.energy_wh) else f"{day.energy_wh / 1000:.1f}"
    on_min = round(day.on_time_s / 60)
    charge = band(data.day_log.charge.columns(*day.span, parts.charge), WIDTH // parts.charge, low, CHARGE)
    on = area(shares(reaching_into(day.span, data.runs), day.span, parts.on), WIDTH // parts.on, STEPS)
    return (
        f"<tr{f' id={anchor}' if anchor else ''}>"
        f'<th>{day.date:%a} {day.date.day}<td><svg viewBox="0 0 {WIDTH} {HEIGHT}" preserveAspectRatio=none>'
        f"{_path('', charge)}{_path(' class=o', on)}</svg>"
        f"<td>{on_min // 60}:{on_min % 60:02d}<td>{energy}<td>{day.switch_ons}"
    )


def _path(attributes: str, path: str) -> str:
    return f'<path{attributes} d="{path}"/>' if path else ""
