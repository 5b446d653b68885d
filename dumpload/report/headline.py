"""The few figures that a person asks for first: did it work, how much was it, what did it cost. Draws nothing."""

from collections.abc import Iterator
from typing import NamedTuple

from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Position
from dumpload.core.text import duration
from dumpload.replay.figures import Derived, litres_at_40
from dumpload.replay.heat_text import kwh
from dumpload.report.data import Day, ReportData
from dumpload.report.local_time import local_date, shown_day, shown_time
from dumpload.report.off_time import LABELS, within_sentence

# A day with hot water makes at least this many litres at 40 degC, a short shower (common practice, no source).
HOT_WATER_L = 20.0

# From there the battery counts as full: counters seldom show the last percent (common practice, no source).
FULL_PERCENT = 99.0


class Headline(NamedTuple):
    """Days, days with hot water, litres at 40 degC, Wh, Wh from the battery, s of the longest gap; NaN: not known."""

    days: int
    hot: int
    litres: float
    energy_wh: float
    battery_wh: float
    gap_s: float


class LargeFigure(NamedTuple):
    """One large figure: its label, value and unit, and the change against the period before, if that is known."""

    label: str
    value: str
    change: str


def is_hot(day: Day, cold_c: float) -> bool:
    """Return whether the day counts as one with hot water; with an unknown load, whether the relay was on at all."""
    if is_missing(day.energy_wh):
        return day.on_time_s > 0
    return litres_at_40(day.energy_wh, cold_c) >= HOT_WATER_L


def headline(data: ReportData, figures: Derived) -> Headline:
    """Return the first figures of a report."""
    heat = data.result.heat
    return Headline(
        len(data.days),
        sum(is_hot(day, figures.cold_c) for day in data.days),
        figures.litres,
        data.result.summary.energy_wh,
        heat.battery if heat is not None and heat.has_battery else MISSING,
        max((gap.seconds for gap in data.day_log.lost), default=0.0),
    )


def sentence(now: Headline, *, is_replay: bool, load_known: bool) -> str:
    """Return the verdict."""
    what = "Hot water" if load_known else "Heater on"
    days = f"on {now.hot} of {now.days} day{'' if now.days == 1 else 's'}"
    return f"Replay: {what[0].lower()}{what[1:]} {days}" if is_replay else f"{what} {days}"


def state_words(data: ReportData) -> str:
    """Return whether the relay was on at the end, since when and why."""
    end = f"{shown_day(local_date(data.span.end, data.zone))} {shown_time(data.span.end, data.zone)}"
    if not data.result.changes:
        return f"Heater off at the end of the record, {end}; it was never on."
    last = data.result.changes[-1]
    since = f"{shown_day(local_date(last.wall, data.zone))} {shown_time(last.wall, data.zone)}"
    state = "on" if last.position == Position.ON else "off"
    why = f" ({within_sentence(last.cause)})" if last.cause in LABELS else ""
    return f"Heater {state} at the end of the record, {end}; {state} since {since}{why}."


def large_figures(now: Headline, before: Headline | None, *, is_replay: bool) -> Iterator[LargeFigure]:
    """Yield the figures in the order in which they are wanted."""
    yield LargeFigure("Water at 40 °C", _or_unknown(now.litres, _litres), _against(now, before, "litres"))
    yield LargeFigure("Into the heater", _or_unknown(now.energy_wh, kwh), _against(now, before, "energy_wh"))
    battery = "From the battery, as recorded" if is_replay else "From the battery"
    yield LargeFigure(battery, _or_unknown(now.battery_wh, kwh), _against(now, before, "battery_wh"))
    yield LargeFigure("Days with hot water", f"{now.hot} of {now.days}", _against(now, before, "hot"))
    gap = "none" if not now.gap_s else duration(now.gap_s)
    yield LargeFigure("Longest gap in data", gap, _against(now, before, "gap_s"))


def missed_full(data: ReportData) -> int:
    """Return on how many days with data the battery did not get full."""
    return sum(day.charge.high < FULL_PERCENT for day in data.days if not is_missing(day.charge.high))


def _litres(litres: float) -> str:
    return f"{litres:.0f} l"


def _or_unknown(value: float, unit_text: object) -> str:
    return "not known" if is_missing(value) or not callable(unit_text) else unit_text(value)


_WORDS = {"litres": _litres, "energy_wh": kwh, "battery_wh": kwh, "hot": "{:.0f} days".format, "gap_s": duration}


def _against(now: Headline, before: Headline | None, name: str) -> str:
    """Return the change of one figure, such as "up 3.1 kWh"; "" where one of them is not known."""
    if before is None:
        return ""
    change = getattr(now, name) - getattr(before, name)
    if is_missing(change):
        return ""
    amount = _WORDS[name](abs(change))
    if amount == _WORDS[name](0.0):
        return "as before"
    return f"{'up' if change > 0 else 'down'} {amount}"
