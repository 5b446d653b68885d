"""A simulation as text: 80 columns, the verdict first, then the year, the months, and what is not known."""

import calendar
from collections.abc import Iterator
from textwrap import wrap

from dumpload.core.freshness import is_missing
from dumpload.simulate.run import Simulation
from dumpload.simulate.summary import NOT_KNOWN, RESAMPLED, Interval, SimulationSummary, summarize
from dumpload.simulate.years import YEAR_DAYS

WIDTH = 80
_LABEL = 17

LEGIONELLA = (
    "Nothing here shows that the water is safe: legionella grow between 20 and 45 degC. Water heated by surplus "
    "can also scald. See the cautions of `dumpload check`, and your local codes."
)


def simulation_text(simulation: Simulation) -> str:
    """Return a simulation as text, 80 columns wide."""
    summary = summarize(simulation)
    lines = [*wrap(verdict(simulation, summary), WIDTH), ""]
    for label, text in rows(summary):
        lines += wrap(f"{label:{_LABEL}}{text}", WIDTH, subsequent_indent=" " * _LABEL)
    lines += ["", *months(summary), ""]
    for remark in remarks(simulation, summary):
        lines += wrap(f"! {remark}", WIDTH, subsequent_indent="  ")
    lines += ["", "Assumed, because not set (for the keys see config/REFERENCE.md):"]
    for assumption in simulation.assumed:
        lines += wrap(f"  {assumption.key}: {assumption.text}", WIDTH, subsequent_indent="    ")
    lines += ["", "Not included in these figures:"]
    for text in NOT_KNOWN:
        lines += wrap(f"  {text}", WIDTH, subsequent_indent="    ")
    return "\n".join([*lines, "", *wrap(LEGIONELLA, WIDTH)])


def verdict(simulation: Simulation, summary: SimulationSummary) -> str:
    """Return the year's heat and hot water in one sentence."""
    figures = summary.figures
    time = "a year" if summary.is_year else _counted(summary.days, "day")
    days = round(figures["hot_days"].value)
    return (
        f"In {time} of the weather of {simulation.source.name} the heater would put {kwh(figures['energy_wh'])} into "
        f"the water: {whole(figures['litres'])} l of the {whole(figures['wanted_litres'])} l needed at 40 degC, at "
        f"least half of a day's litres on {_counted(days, 'day')}."
    )


def _counted(number: float, noun: str) -> str:
    return f"{number:,.0f} {noun}{'' if number == 1 else 's'}"


def spread(interval: Interval, scale: float, digits: int) -> str:
    """Format a figure and, if known, its range in brackets."""
    value = f"{interval.value / scale:,.{digits}f}"
    if is_missing(interval.low):
        return value
    return f"{value} ({interval.low / scale:,.{digits}f} to {interval.high / scale:,.{digits}f})"


def kwh(interval: Interval) -> str:
    """Format an energy in kWh."""
    return f"{spread(interval, 1000.0, 0 if abs(interval.value) >= 10_000 else 1)} kWh"  # noqa: PLR2004  (10 kWh)


def whole(interval: Interval) -> str:
    """Format a figure, rounded to whole numbers."""
    return spread(interval, 1.0, 0) if interval.low != interval.high else f"{interval.value:,.0f}"


def rows(summary: SimulationSummary) -> Iterator[tuple[str, str]]:
    """Yield label and text of each figure of the year."""
    figures = summary.figures
    yield "Panels offer", kwh(figures["offered_wh"])
    wasted = figures["wasted_without_wh"]
    if not is_missing(figures["caught_percent"].value):
        yield "Sun caught", f"{whole(figures['caught_percent'])} % of the {kwh(wasted)} that would otherwise be wasted"
    else:
        yield "Sun caught", "nothing would be wasted even without the heater"
    yield "From the battery", f"{kwh(figures['from_battery_wh'])} while the heater ran"
    yield "Hot water", f"at least half of the litres needed on {whole(figures['hot_days'])} of {_days(summary)} days"
    longest = whole(figures["longest_without_60_days"])
    yield "60 degC", f"reached on {whole(figures['days_at_60'])} days; longest gap {longest} days"
    yield "20 to 45 degC", f"{spread(figures['growth_s'], 3600.0, 0)} h, where legionella grow"
    yield "Switch-ons", f"{whole(figures['switch_ons'])}; {spread(figures['on_time_s'], 3600.0, 0)} h on"
    yield "Lowest charge", f"{whole(figures['lowest_charge_percent'])} %"
    synchronised = f"synchronised on {whole(figures['synchronised_days'])} of {_days(summary)} days"
    yield "Charge shown", f"off by up to {spread(figures['charge_error_percent'], 1.0, 1)} points; {synchronised}"


def _days(summary: SimulationSummary) -> int:
    return YEAR_DAYS if summary.is_year else summary.days


def months(summary: SimulationSummary) -> Iterator[str]:
    """Yield the table of months."""
    yield "Month         kWh  (low to high)      l at 40 degC   hot days  at 60  caught"
    for month in summary.months:
        figures = month.figures
        energy, caught = figures["energy_wh"], figures["caught_percent"].value
        between = "" if is_missing(energy.low) else f"({energy.low / 1000:.1f} to {energy.high / 1000:.1f})"
        share = "-" if is_missing(caught) else f"{caught:.0f} %"
        yield (
            f"{calendar.month_name[month.month]:9} {energy.value / 1000:7.1f}  {between:17}"
            f" {figures['litres'].value:6,.0f} of {figures['wanted_litres'].value:6,.0f}"
            f"  {figures['hot_days'].value:3.0f} of {month.days:2.0f}  {figures['days_at_60'].value:5.0f}  {share:>6}"
        )


def remarks(simulation: Simulation, summary: SimulationSummary) -> Iterator[str]:
    """Yield the limits of the figures: their range, the weather's origin, days with an empty battery."""
    source, others = simulation.source, len(simulation.others)
    if others:
        yield f"In brackets: range over {_counted(others, 'resampled year')}, {RESAMPLED}."
    else:
        yield "No ranges are given, because --years is 0."
    if source.is_typical:
        place, home_deg = source.place, source.home_longitude_deg
        yield (
            f"The weather is that of {source.name} ({place.latitude_deg:.1f} deg north), not of your place; its "
            f"solar noon is shifted to longitude {abs(home_deg):g} deg {'west' if home_deg < 0 else 'east'}."
        )
    lacking = summary.figures["house_unserved_days"]
    if lacking.value:
        yield (
            f"The battery was empty and could not supply the house on {whole(lacking)} days, "
            f"{kwh(summary.figures['house_unserved_wh'])} short; with a second charging source the heater gets more."
        )
