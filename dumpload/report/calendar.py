"""The calendar of a report: every day a link to its picture, and how much heat it had, in one scale of five steps."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from itertools import groupby

from dumpload.core.freshness import is_missing
from dumpload.core.text import duration
from dumpload.core.window import HOUR_S
from dumpload.replay.heat_text import kwh
from dumpload.report.data import Day

SHADES = 5

# Up to this many months are drawn day by day.
MOST_MONTHS = 3

# Of a month in a row of bars: the width of a day, and the height.
DAY, HEIGHT, DAYS = 10, 40, 31

# Minimum reach of the scale, so that its steps can be distinguished.
LEAST_WH, LEAST_H = 1000.0, 1.0

# The fuller and the darker (by night the brighter) the mark below a day, the more heat: colour is not the only sign.
MARKS = "".join(f".cal .k{step}::after {{ width: {20 * step}% }}" for step in range(1, SHADES + 1))
STYLE = f"""
.months {{ display: grid; grid-template-columns: repeat(auto-fill, minmax(min(15rem, 100%), 1fr)); gap: .6rem 1.2rem }}
.months p {{ margin: 0 }} .months.one {{ max-width: 26rem; grid-template-columns: 1fr }}
.cal {{ display: grid; grid-template-columns: repeat(7, 1fr); gap: 2px; font-variant-numeric: tabular-nums }}
.cal a, .cal b {{ display: block; text-align: center; font-weight: 400; line-height: 1.4rem }}
.cal b {{ color: var(--quiet); font-size: .8rem }}
.cal a {{ color: inherit; border: 1px solid var(--line); border-radius: .2rem; text-decoration: none }}
.cal a::after {{ content: ""; display: block; height: .5rem; width: 0; background: currentcolor }}
.cal .kx {{ border-style: dashed }} .cal a:hover, .cal a:focus {{ outline: 2px solid currentcolor }}
{MARKS}
.year {{ display: grid; grid-template-columns: auto 1fr auto; gap: .15rem .6rem; align-items: end; max-width: 34rem;
  font-variant-numeric: tabular-nums }} .year a {{ color: inherit; line-height: 1.5rem }}
.year span {{ text-align: right }} .year svg {{ width: 100%; height: 1.5rem; border-bottom: 1px solid var(--line) }}
.year path {{ stroke-width: 8; fill: none }} .year .x {{ stroke-width: 2; stroke-dasharray: 2 2 }}
.scale {{ display: flex; flex-wrap: wrap; gap: .1rem .8rem; list-style: none; padding: 0; margin: .4rem 0;
  font-size: .85rem; color: var(--quiet) }}
.scale i {{ display: inline-block; width: 1rem; height: .6rem; margin-right: .3rem }}
"""


def shades_rules(shades: Sequence[str]) -> str:
    """Return the style of the marks in these shades, from little to much."""
    rules = (f".cal .k{step}::after,.k{step} i{{background-color:{shade}}}" for step, shade in enumerate(shades, 1))
    return f"{''.join(rules)}.year .h{{stroke:{shades[2]}}}"


def day_id(day: date) -> str:
    """Return the anchor of a day."""
    return f"d{day:%y%m%d}"


def calendar(days: Sequence[Day], linked: Mapping[date, str]) -> Iterator[str]:
    """Yield the months; `linked`: what to say of each day that has an anchor, beside its heat."""
    sizes = [_size(day) for day in days]
    in_kwh = not any(is_missing(day.energy_wh) for day in days)
    most = max([*sizes, LEAST_WH if in_kwh else LEAST_H])
    months = [(name, list(group)) for name, group in groupby(days, key=lambda day: f"{day.date:%B %Y}")]
    if len(months) > MOST_MONTHS:
        yield from _year([group for _name, group in months], most, in_kwh=in_kwh)
        return
    yield f'<div class="months{" one" if len(months) == 1 else ""}">'
    for name, group in months:
        yield f'<div><p><b>{name}</b></p><div class="cal">'
        yield "".join(f"<b>{word}</b>" for word in ("Mo", "Tu", "We", "Th", "Fr", "Sa", "Su"))
        yield "".join(_cell(day, most, linked, index == 0) for index, day in enumerate(group))
        yield "</div></div>"
    yield "</div>"
    yield from _legend(most, in_kwh=in_kwh)


# Of many months each is a row of bars, a link to its table: a year fits a phone, and is not 365 steps of the Tab key.
def _year(months: Sequence[Sequence[Day]], most: float, *, in_kwh: bool) -> Iterator[str]:
    """Yield a row for every month: its name, a bar for every day, and its sum."""
    yield '<div class="year">'
    for days in months:
        first, total = days[0].date, sum(_size(day) for day in days if not is_missing(_size(day)))
        amount = kwh(total) if in_kwh else f"{total:.0f} h"
        best = max(days, key=_size)
        label = f"{first:%B %Y}: {amount}; most on {best.date.day} {best.date:%b}"
        yield (
            f'<a href="#m{first:%Y-%m}">{first:%b %Y}</a><svg viewBox="0 0 {DAY * DAYS} {HEIGHT}" role="img"'
            f' preserveAspectRatio="none" aria-label="{label}">{_bars(days, most)}</svg><span>{amount}</span>'
        )
    yield "</div>"
    top = kwh(most) if in_kwh else f"{most:.1f} h"
    yield f'<p class="scale">A bar for every day, the highest {top}. A low dashed line: no data.</p>'


def _bars(days: Sequence[Day], most: float) -> str:
    """Return the bars of a month, and a dashed line where there were no data."""
    heights = [(day, _size(day) / most * HEIGHT) for day in days]
    middle = {day.date: DAY * (day.date.day - 0.5) for day in days}
    bars = "".join(f"M{middle[day.date]:g} {HEIGHT}v-{max(1, round(high))}" for day, high in heights if high > 0)
    gaps = "".join(
        f"M{middle[day.date] - DAY / 2:g} {HEIGHT - 3}h{DAY}" for day, _ in heights if is_missing(day.charge.high)
    )
    return "".join(f'<path class="{kind}" d="{path}"/>' for kind, path in (("h", bars), ("x", gaps)) if path)


def step(size: float, most: float) -> int:
    """Return the step of the scale, 0 (nothing) to 5 (more than four fifths of the most)."""
    return min(SHADES, int(size / most * SHADES - 1e-9) + 1) if size > 0 else 0


def _size(day: Day) -> float:
    return day.on_time_s / HOUR_S if is_missing(day.energy_wh) else day.energy_wh


def _cell(day: Day, most: float, linked: Mapping[date, str], is_first: bool) -> str:  # noqa: FBT001
    column = f' style="grid-column:{day.date.isoweekday()}"' if is_first else ""
    if day.date not in linked:
        return f"<b{column}>{day.date.day}</b>"
    kind = "x" if is_missing(day.charge.high) else step(_size(day), most)
    amount = duration(day.on_time_s) if is_missing(day.energy_wh) else kwh(day.energy_wh)
    return f'<a class=k{kind} href=#{day_id(day.date)} title="{amount}"{column}>{day.date.day}</a>'


def _legend(most: float, *, in_kwh: bool) -> Iterator[str]:
    yield '<ul class="scale" aria-label="Scale of the calendar">'
    yield "<li>no mark: not on</li>"
    for number in range(1, SHADES + 1):
        top = most * number / SHADES
        amount = kwh(top) if in_kwh else f"{top:.1f} h"
        yield f"<li class=k{number}><i></i>to {amount}</li>"
    yield "<li>dashed: no data</li></ul>"
