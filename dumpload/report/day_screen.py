"""One day on one screen: sun, charge, heater and tank over one time axis, from midnight to midnight."""

from collections.abc import Iterator, Sequence
from html import escape
from typing import NamedTuple

from dumpload.core.freshness import is_missing
from dumpload.core.signals import Signal
from dumpload.core.text import duration
from dumpload.replay.heat_text import kwh
from dumpload.report.calendar import day_id
from dumpload.report.data import Day, ReportData
from dumpload.report.local_time import reaching_into, shares, shown_day
from dumpload.report.pictures import area, band
from dumpload.report.trace import Extremes

WIDTH, LEFT, PARTS = 360, 40, 96

# Where the lanes begin, and how high they are.
SUN, CHARGE, HEATER, TANK = (6, 44), (60, 60), (130, 18), (158, 44)
HEIGHT = 222

# Units of a lane whose values are drawn as a band.
UNITS = 100

TOPS_W = (200, 500, 1000, 2000, 5000, 10_000, 30_000)
TOPS_C = (60, 80, 100, 130)

STYLE = """
.screens { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(20rem, 100%), 1fr)); gap: 1rem 1.5rem }
.screens figure { margin: 0; scroll-margin-top: .5rem } .screens svg { width: 100%; height: auto }
.screens figure:target { outline: 2px solid var(--quiet); outline-offset: .3rem }
.once { width: 0; height: 0; position: absolute }
"""


class DayCurves(NamedTuple):
    """What a day's picture shows, in parts of equal length: W, percent, degC, and the share of the time on (0 to 1)."""

    sun: Sequence[Extremes]
    charge: Sequence[Extremes]
    tank: Sequence[Extremes]
    on: Sequence[float]


class AxisEnds(NamedTuple):
    """Where the axes end: W and degC at the top, percent at the bottom; and the thresholds, percent."""

    top_w: float
    top_c: float
    low: int
    cut_in_percent: float
    cut_out_percent: float


def scales(data: ReportData, low: int, cut_in_percent: float, cut_out_percent: float) -> str:
    """Return what all days have, drawn once: the lanes with their names and scales, the hours, the thresholds."""
    scale = AxisEnds(top_w(data), top_c(data), low, cut_in_percent, cut_out_percent)
    return f'<svg class="once" aria-hidden="true"><g id="lanes">{axes(scale)}</g></svg>'


def axes(scale: AxisEnds) -> str:
    """Return the lanes with their names and scales, the hours, the thresholds."""
    low = scale.low
    lanes = (
        (SUN, f"{scale.top_w / 1000:g} kW"),
        (CHARGE, "100 %"),
        (TANK, f"{scale.top_c:g} °C"),
    )
    bottoms = ((SUN, "sun 0"), (CHARGE, f"{low} %"), (TANK, "tank 0"))
    text = [_label(lane[0] + 8, label) for lane, label in lanes]
    text += [_label(sum(lane), label) for lane, label in bottoms]
    text.append(_label(sum(HEATER) - 4, "heater"))
    lines = "".join(f"M{LEFT} {y}H{WIDTH}" for lane in (SUN, CHARGE, HEATER, TANK) for y in (sum(lane),))
    hours = [(hour, LEFT + hour * (WIDTH - LEFT) / 24) for hour in (0, 6, 12, 18)]
    lines += "".join(f"M{x:g} {SUN[0]}V{sum(TANK) + 4}" for _hour, x in hours)
    text += [f'<text x="{x + 2:g}" y="{HEIGHT - 4}">{hour:02d}:00</text>' for hour, x in hours]
    cuts = [CHARGE[0] + (100 - cut) / (100 - low) * CHARGE[1] for cut in (scale.cut_in_percent, scale.cut_out_percent)]
    return (
        f'<path class="x" d="{lines}"/>'
        f'<path class="i" d="M{LEFT} {cuts[0]:.1f}H{WIDTH}"/><path class="u" d="M{LEFT} {cuts[1]:.1f}H{WIDTH}"/>'
        f"{''.join(text)}"
    )


def lanes(course: DayCurves, scale: AxisEnds) -> str:
    """Return what is drawn in the lanes."""
    curves = (
        ("a", SUN, band([column.from_nothing() for column in _scaled(course.sun, scale.top_w)], 1, 0, UNITS), UNITS),
        ("c", CHARGE, band(course.charge, 1, scale.low, UNITS), UNITS),
        ("o", HEATER, area(course.on, 1, 10), 10),
        ("t", TANK, band(_scaled(course.tank, scale.top_c), 1, 0, UNITS), UNITS),
    )
    each = (WIDTH - LEFT) / len(course.on)
    return "".join(_lane(kind, lane, path, f"{each:.3f} {lane[1] / units:g}") for kind, lane, path, units in curves)


def screens(data: ReportData, days: Sequence[Day], reasons: Sequence[str], low: int) -> Iterator[str]:
    """Yield the picture of each of these days, with what is to be said of it."""
    yield '<div class="screens">'
    for day, reason in zip(days, reasons, strict=True):
        yield screen(data, day, reason, low)
    yield "</div>"


def screen(data: ReportData, day: Day, reason: str, low: int) -> str:
    """Return one day."""
    sun, tank = (data.day_log.shown[signal] for signal in (Signal.SOLAR_POWER, Signal.TANK_TEMPERATURE))
    runs = reaching_into(day.span, data.runs)
    sun_w, charge_percent, tank_c = (trace.columns(*day.span, PARTS) for trace in (sun, data.day_log.charge, tank))
    course = DayCurves(sun_w, charge_percent, tank_c, shares(runs, day.span, PARTS))
    name, high = shown_day(day.date), day.charge.high
    energy = "" if is_missing(day.energy_wh) else f", {kwh(day.energy_wh)}"
    charge = "charge not known" if is_missing(high) else f"charge {day.charge.low:.0f} to {high:.0f} %"
    summary = f"heater on {duration(day.on_time_s)}{energy}; {charge}" if day.on_time_s else f"not on; {charge}"
    more = "" if reason.startswith("on for") else f"<br>{escape(_sentence(reason))}"
    return (
        f'<figure id="{day_id(day.date)}"><h3>{name}</h3>'
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{name}: {escape(summary)}">'
        f"{lanes(course, AxisEnds(top_w(data), top_c(data), low, 0, 0))}<use href=#lanes /></svg>"
        f"<figcaption>{escape(_sentence(summary))}{more}{_unmeasured(data)}</figcaption></figure>"
    )


def top_w(data: ReportData) -> float:
    """Return the top of the axis of the sun, W."""
    return _top(data, Signal.SOLAR_POWER, TOPS_W)


def top_c(data: ReportData) -> float:
    """Return the top of the axis of the tank, degC."""
    return _top(data, Signal.TANK_TEMPERATURE, TOPS_C)


def _top(data: ReportData, signal: Signal, tops: Sequence[float]) -> float:
    return round_top(data.day_log.shown[signal].extremes(*data.span).high, tops)


def round_top(high: float, tops: Sequence[float]) -> float:
    """Return the first of these tops of an axis that is not below the highest value."""
    return tops[0] if is_missing(high) else next((top for top in tops if top >= high), tops[-1])


def _scaled(columns: Sequence[Extremes], top: float) -> list[Extremes]:
    return [column.in_percent_of(top) for column in columns]


def _lane(kind: str, lane: tuple[int, int], path: str, scale: str) -> str:
    if not path:
        return ""
    place = f"translate({LEFT} {lane[0]})scale({scale})"
    return f'<path class={kind} transform="{place}" d="{path}"/>'


def _label(y: float, text: str) -> str:
    return f'<text class="e" x="{LEFT - 3}" y="{y:g}">{text}</text>'


def _sentence(reason: str) -> str:
    return f"{reason[:1].upper()}{reason[1:]}."


def _unmeasured(data: ReportData) -> str:
    names = {Signal.SOLAR_POWER: "sun", Signal.TANK_TEMPERATURE: "tank"}
    left = [
        names[signal] for signal, trace in data.day_log.shown.items() if is_missing(trace.extremes(*data.span).high)
    ]
    return f" Not measured: {', '.join(left)}." if left else ""
