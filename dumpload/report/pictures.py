"""The pictures of a report, drawn as SVG: no library, no script, and no colours that some readers cannot tell apart.

A picture is its parts and the words that say what it shows; `svg` gives it for a page or as a file of its own.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, time, timedelta
from functools import reduce
from html import escape
from itertools import groupby
from operator import attrgetter
from typing import NamedTuple

from dumpload.core.freshness import is_missing
from dumpload.core.window import HOUR_S
from dumpload.report.colours import LIGHT, rules
from dumpload.report.data import ReportData
from dumpload.report.local_time import Span, by_clock_hour, shares, shown_day
from dumpload.report.trace import NOTHING, QUARTER_S, Extremes

# Of a picture, in its own units: all of it, and what is left free for the labels.
WIDTH, LEFT, TOP, BOTTOM = 360, 40, 8, 20

SHADES = 5
MOST_COLUMNS = 400
MOST_POINTS = 240
MOST_BARS = 53
# Columns of the heat map, points of the charge, and characters of the heat map's cells; else days are put together.
MOST_CELLS = 8_000

# Most days named one by one below a picture; beyond that the Mondays, the months, every third month, the years.
SHORT_DAYS, WEEKS_DAYS, MONTHS_DAYS, QUARTERS_DAYS = 7, 49, 300, 900

HOURS_DAYS = 1
# Largest number of days with hours named too; the room left for the last label.
LABEL = 40

# Of the lane below the charge that shows the time on: how high it is, and how far from it.
LANE, LANE_GAP = 24, 6


class Picture(NamedTuple):
    """One picture: the name of its file, a title, a text alternative, its height and its parts."""

    name: str
    title: str
    caption: str
    height: int
    parts: Sequence[str]

    def svg(self, attributes: str = "", style: str = "") -> str:
        """Return the element; `attributes` and `style` make it a file of its own."""
        return (
            f'<svg viewBox="0 0 {WIDTH} {self.height}" role="img" aria-labelledby="{self.name}-t {self.name}-d"'
            f'{attributes}><title id="{self.name}-t">{escape(self.title)}</title>'
            f'<desc id="{self.name}-d">{escape(self.caption)}</desc>{style}{"".join(self.parts)}</svg>'
        )

    def file(self) -> str:
        """Return a whole SVG file, on white."""
        size = f' xmlns="http://www.w3.org/2000/svg" width="{4 * WIDTH}" height="{4 * self.height}"'
        paper = f'<rect width="100%" height="100%" fill="{LIGHT["paper"]}"/>'
        return self.svg(size, f"<style>{rules(LIGHT)}</style>{paper}") + "\n"


def pictures(data: ReportData, cut_in_percent: float, cut_out_percent: float) -> list[Picture]:
    """Return all pictures of a report; the thresholds (percent) are drawn as lines."""
    energies = [day.energy_wh for day in data.days]
    charts = [charge_picture(data, cut_in_percent, cut_out_percent), heat_map(data)]
    if not any(map(is_missing, energies)):
        charts.append(bars("energy", "Energy into the heater, kWh", data, [wh / 1000 for wh in energies], " kWh"))
    else:
        hours = [day.on_time_s / HOUR_S for day in data.days]
        charts.append(bars("on-time", "On-time, hours", data, hours, " h"))
    return charts


# ---- the charge ----


def lowest_shown(data: ReportData, cut_out_percent: float) -> int:
    """Return where the axis of charge begins, percent: below all that was measured, and below the cut-out."""
    lows = [day.charge.low for day in data.days if not is_missing(day.charge.low)]
    return max(0, int(min([*lows, cut_out_percent - 10, 90]) // 10 * 10))


def charge_picture(data: ReportData, cut_in_percent: float, cut_out_percent: float) -> Picture:
    """Return the course of the charge over the whole record, with the thresholds, and the time on below it."""
    low, height = lowest_shown(data, cut_out_percent), 230
    plot = _Plot(data.span, height - LANE - LANE_GAP)
    count = max(1, min(MOST_POINTS, int(data.span.seconds / QUARTER_S)))
    columns = data.day_log.charge.columns(*data.span, count)
    units = 10 * (100 - low)
    scale = f'transform="translate({LEFT} {TOP}) scale({plot.width / count:.4f} {plot.height / units:.5f})"'
    bottom = TOP + plot.height + LANE_GAP + LANE
    lane = f'transform="translate({LEFT} {bottom - LANE}) scale({plot.width / count:.4f} 1)"'
    parts = [
        *plot.frame(((value, f"{value} %") for value in range(low, 101, 10 if low >= 50 else 20)), low, 100),  # noqa: PLR2004
        f'<path class="c" {scale} d="{band(columns, 1, low, units)}"/>',
        plot.line("i", cut_in_percent, low),
        plot.line("u", cut_out_percent, low),
        f'<text class="e" x="{LEFT - 5}" y="{bottom}">on</text><path class="x" d="M{LEFT} {bottom}H{WIDTH}"/>',
        f'<path class="o" {lane} d="{area(shares(data.runs, data.span, count), 1, LANE)}"/>',
        *plot.dates(data, bottom, with_hours=True),
    ]
    whole = reduce(Extremes.merge, columns, NOTHING)
    caption = (
        f"From {_percent(whole.low)} to {_percent(whole.high)}. Dashed line: cut-in at {cut_in_percent:g} %; dotted:"
        f" cut-out at {cut_out_percent:g} %. Where nothing is drawn there were no data. Orange: share of time the relay"
        " was on."
    )
    return Picture("charge", "State of charge, and when the relay was on", caption, height, parts)


def band(columns: Sequence[Extremes], width: int, low: float, units: int) -> str:
    """Return the path of an area from the least to the largest value of each column, `units` high from `low` to 100."""
    per_percent = units / (100 - low)
    path, at = [], 0
    for are_known, group in groupby(columns, key=attrgetter("are_known")):
        run = list(group)
        if are_known:
            # Rounded outwards, so that what is drawn never hides an extreme.
            tops = [int((100 - column.high) * per_percent + 1e-6) for column in run]
            bottoms = [units - int((column.low - low) * per_percent + 1e-6) for column in run]
            path.append(f"M{at * width} {tops[0]}{_steps(tops, width)}V{bottoms[-1]}{_steps(bottoms[::-1], -width)}z")
        at += len(run)
    return "".join(path)


def _steps(heights: Sequence[int], width: int) -> str:
    """Return a line of steps from the first height on; steps of one height are drawn at once."""
    parts, before = [], heights[0]
    for height, group in groupby(heights):
        parts.append((f"v{height - before}" if height != before else "") + f"h{width * sum(1 for _ in group)}")
        before = height
    return "".join(parts)


def area(parts: Sequence[float], width: int, units: int) -> str:
    """Return the path of an area as high as each share (0 to 1) of `units`; no share is rounded to nothing."""
    tops = [units - math.ceil(part * units - 1e-6) for part in parts]
    filled = [index for index, top in enumerate(tops) if top < units]
    if not filled:
        return ""
    visible = tops[filled[0] : filled[-1] + 1]
    return f"M{filled[0] * width} {units}V{visible[0]}{_steps(visible, width)}V{units}z"


def _percent(value: float) -> str:
    return "no value" if is_missing(value) else f"{value:.1f} %"


# ---- by day ----


def heat_map(data: ReportData) -> Picture:
    """Return which share of every hour of every day the relay was on; grey where there were hardly any data."""
    group, height = -(-len(data.days) // MOST_COLUMNS), 24 * 8 + TOP + BOTTOM
    paths = heat_paths(data, group)
    while group < len(data.days) and sum(map(len, paths.values())) > MOST_CELLS:
        group += 1
        paths = heat_paths(data, group)
    plot = _Plot(Span(data.days[0].span.begin, data.days[-1].span.end), height)
    each = plot.width / -(-len(data.days) // group)
    scale = f'transform="translate({LEFT + each / 2:.2f} {TOP}) scale({each:.4f} 8)"'
    hours = [(24 - hour, f"{hour:02d}:00") for hour in (0, 6, 12, 18)]
    caption = (
        f"One column for {'every day' if group == 1 else f'{group} days'}, one row for every local hour, midnight on"
        " top. The stronger the colour, the more of the hour the relay was on (steps of 20 %). A narrow grey line: no"
        " data for most of the hour."
    )
    cells = (f'<path class="s{shade}" {scale} d="{path}"/>' for shade, path in paths.items())
    parts = [*plot.frame(hours, 0, 24), *cells, *plot.dates(data, TOP + plot.height)]
    return Picture("hours", "When the relay was on, by day and hour", caption, height, parts)


def heat_paths(data: ReportData, group: int) -> dict[int, str]:
    """Return a path for each shade (0: no data): lines down the columns, each of which is a group of days."""
    first = data.days[0].date
    parts: dict[tuple[int, int], float] = {}
    for (day, hour), seconds in by_clock_hour(data.runs, data.zone).items():
        place = ((day - first).days // group, hour)
        parts[place] = parts.get(place, 0.0) + min(1.0, seconds / HOUR_S) / group
    cells: dict[int, set[tuple[int, int]]] = {}
    for (day, hour), seconds in by_clock_hour(data.day_log.lost, data.zone).items():
        if seconds > HOUR_S / 2:
            cells.setdefault(0, set()).add(((day - first).days // group, hour))
    for place, part in parts.items():
        cells.setdefault(min(SHADES, int(part * SHADES) + 1), set()).add(place)
    return {shade: _cells(sorted(places)) for shade, places in sorted(cells.items())}


def _cells(places: Sequence[tuple[int, int]]) -> str:
    """Return lines down the columns over these places, in order; hours that follow each other at once."""
    path, end = [], (0, 0)
    for _line, group in groupby(enumerate(places), key=lambda pair: (pair[1][0], pair[1][1] - pair[0])):
        line = [place for _index, place in group]
        (column, hour), count = line[0], len(line)
        path.append(f"m{column - end[0]} {hour - end[1]}v{count}")
        end = (column, hour + count)
    return "".join(path)


def bars(name: str, title: str, data: ReportData, values: Sequence[float], unit: str = "") -> Picture:
    """Return one bar a day, or for groups of days, at most `MOST_BARS` in all."""
    group = -(-len(values) // MOST_BARS)
    sums = [sum(values[first : first + group]) for first in range(0, len(values), group)]
    height, most = 130, _round_up(max(sums, default=0.0))
    plot = _Plot(Span(data.days[0].span.begin, data.days[-1].span.end), height)
    units, each = 200, plot.width * group / len(values)
    scale = (
        f'transform="translate({LEFT + each / 2:.2f} {TOP + plot.height}) scale({each:.4f} {plot.height / units:.4f})"'
    )
    paths = "".join(
        f'<path d="M{index} 0v-{max(1, round(value / most * units))}"><title>'
        f"{shown_day(data.days[index * group].date)}: {_rounded(value)}{unit}</title></path>"
        for index, value in enumerate(sums)
        if value > 0
    )
    marks = (0, 0.5, 1) if most > 1 else (0, 1)
    parts = [
        *plot.frame(((share * most, f"{share * most:g}") for share in marks), 0, most),
        f'<g class="b" {scale}>{paths}</g>' if paths else "",
        *plot.dates(data, TOP + plot.height),
    ]
    title = f"{title} {'a day' if group == 1 else f'in {group} days'}"
    caption = _in_all(data, values, unit)
    return Picture(name, title, caption, height, parts)


def _in_all(data: ReportData, values: Sequence[float], unit: str) -> str:
    """Return in words what the days come to in all, and the best of them."""
    best = max(range(len(values)), key=lambda index: values[index])
    whole, most_a_day = _rounded(sum(values)), _rounded(values[best])
    days = f"{len(values)} day{'' if len(values) == 1 else 's'}"
    on = data.days[best].date
    return f"{days}, {whole}{unit} in all; best day: {on.day} {on:%b %Y}, {most_a_day}{unit}."


def _rounded(value: float) -> str:
    return f"{value:.1f}" if 0 < value < 100 and value != int(value) else f"{value:.0f}"  # noqa: PLR2004


def _round_up(value: float) -> float:
    """Return the next of 1, 2, 4, 6, 8, 10, 20... at or above a value: from 2 on, half of it is whole, too."""
    step = 1.0
    while True:
        for factor in (1, 2, 4, 6, 8):
            if factor * step >= value:
                return factor * step
        step *= 10


# ---- axes ----


class _Plot:
    """Where things are: time from left to right over a span, values from the bottom up."""

    def __init__(self, span: Span, height: int) -> None:
        self.span, self.width, self.height = span, WIDTH - LEFT, height - TOP - BOTTOM

    def x(self, wall: float) -> float:
        return LEFT + (wall - self.span.begin) / max(self.span.seconds, 1.0) * self.width

    def y(self, value: float, low: float, high: float) -> float:
        return TOP + (high - value) / (high - low) * self.height

    def frame(self, marks: Iterable[tuple[float, str]], low: float, high: float) -> Iterator[str]:
        """Yield a line and a label for each mark."""
        for value, label in marks:
            y = self.y(value, low, high)
            yield f'<path class="x" d="M{LEFT} {y:.1f}H{WIDTH}"/>'
            yield f'<text class="e" x="{LEFT - 5}" y="{y + 4:.1f}">{label}</text>'

    def line(self, kind: str, percent: float, low: float) -> str:
        """Return a line across at a charge, on an axis from `low` to 100 %."""
        return f'<path class="{kind}" d="M{LEFT} {self.y(percent, low, 100):.1f}H{WIDTH}"/>'

    def dates(self, data: ReportData, y: float, *, with_hours: bool = False) -> Iterator[str]:
        """Yield labels below `y`: under the days, Mondays, months or years, whichever fits; of few days some hours."""
        days = [day.date for day in data.days if day.span.end > self.span.begin]
        for day in days:
            for hour in (0, 6, 12, 18) if with_hours and len(days) <= HOURS_DAYS else (0,):
                label = f"{hour:02d}:00" if hour else _date_label(day, len(days))
                wall = datetime.combine(day, time(hour), data.zone).timestamp()
                if label and self.span.begin <= wall < self.span.end:
                    yield from self._label(self.x(wall), y, label)

    def _label(self, x: float, y: float, text: str) -> Iterator[str]:
        yield f'<path class="x" d="M{x:.1f} {y}v4"/>'
        if x <= WIDTH - LABEL:
            yield f'<text x="{x + 2:.1f}" y="{y + 14}">{text}</text>'


def _date_label(day: date, count: int) -> str:
    if count <= SHORT_DAYS or (count <= WEEKS_DAYS and day.weekday() == 0):
        return f"{day.day} {day:%b}"
    if count <= WEEKS_DAYS or (day - timedelta(days=1)).month == day.month:
        return ""
    if day.month == 1:
        return f"{day.year}"
    every = 1 if count <= MONTHS_DAYS else 3 if count <= QUARTERS_DAYS else 12
    return "" if (day.month - 1) % every else f"{day:%b}"
