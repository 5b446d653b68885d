"""Daily sums to figures of a year and its months: heat, hot water, sun caught, switch-ons."""

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from dumpload.cautions import CAUTIONS
from dumpload.core.freshness import MISSING
from dumpload.core.text import number_or_null
from dumpload.physics.scald import STORE_C
from dumpload.simulate import engine as day
from dumpload.simulate.run import Simulation, YearRun
from dumpload.simulate.weather import Floats
from dumpload.simulate.years import SEASON_DAYS, SPELL_DAYS, YEAR_DAYS

# Percentiles of the resampled years: eight in ten lie between.
LOW, HIGH = 10, 90
# Least share of a day's litres that must be warm enough for a day with hot water (our choice).
ENOUGH = 0.5
# If less than this part of the panels' energy is wasted, no share of it is given.
LEAST_WASTED = 0.001

RESAMPLED = (
    f"each built from {SPELL_DAYS}-day spells of the same weather, from at most {SEASON_DAYS} days earlier or later "
    "in the year, with clouds and noise redrawn; low and high are the 10th and 90th percentile"
)
NOT_KNOWN = (
    "Local clouds: within an hour they come from a model, which was compared with seven measured days.",
    "Shade, dirt and snow beyond the usual losses of 14 %, and the actual orientation of the panels.",
    "Years duller or brighter than the weather used; resampling only reorders its days.",
    "Shore power, alternator or generator; if the house runs short, that is only counted.",
    "Battery temperature and ageing, monitor errors beyond those assumed, and lost messages.",
    "Stratification: the tank is assumed fully mixed, so the first litre may be hotter and the last colder.",
)


class Interval(NamedTuple):
    """A figure, and the range of eight in ten resampled years (NaN without any)."""

    value: float
    low: float = MISSING
    high: float = MISSING


class MonthFigures(NamedTuple):
    """Figures of one calendar month, and its number of days."""

    month: int
    days: float
    figures: dict[str, Interval]


class SimulationSummary(NamedTuple):
    """Figures of a year (of all days, if fewer), and of each month."""

    days: int
    is_year: bool
    figures: dict[str, Interval]
    months: list[MonthFigures]


Figure = Callable[[Floats, Floats], float]


def _sum(column: int) -> Figure:
    return lambda load, _without: float(load[:, column].sum())


def _days(holds: Callable[[Floats], Any]) -> Figure:
    return lambda load, _without: float(holds(load).sum())


def is_hot(load: Floats) -> Any:
    """Return which days had at least half of their litres warm enough."""
    return (load[:, day.WANTED_L] > 0) & (load[:, day.WARM_L] >= ENOUGH * load[:, day.WANTED_L])


def _wasted(_load: Floats, without: Floats) -> float:
    return float(without[:, day.CURTAILED].sum())


def _caught(load: Floats, without: Floats) -> float:
    return float(without[:, day.CURTAILED].sum() - load[:, day.CURTAILED].sum())


# Figures that are sums over days.
FIGURES: dict[str, Figure] = {
    "offered_wh": _sum(day.OFFERED),
    "energy_wh": _sum(day.ELEMENT),
    "litres": _sum(day.WARM_L),
    "wanted_litres": _sum(day.WANTED_L),
    "hot_days": _days(is_hot),
    "wasted_without_wh": _wasted,
    "caught_wh": _caught,
    "from_battery_wh": _sum(day.FROM_BANK),
    "switch_ons": _sum(day.SWITCH_ONS),
    "on_time_s": _sum(day.ON_S),
    "days_at_60": _days(lambda load: load[:, day.HOTTEST] >= STORE_C),
    "growth_s": _sum(day.GROWTH_S),
    "house_unserved_wh": _sum(day.UNSERVED),
    "house_unserved_days": _days(lambda load: load[:, day.UNSERVED] > 0),
    "synchronised_days": _days(lambda load: load[:, day.SYNCHRONISED] > 0),
}


def summarize(simulation: Simulation) -> SimulationSummary:
    """Return the figures; of several years, those of the mean year."""
    numbers = np.array([date.month for date in simulation.span.days])
    days = len(numbers)
    scale = YEAR_DAYS / days if days > YEAR_DAYS + 1 else 1.0
    figures = _all(simulation, np.ones(days, bool), scale)
    figures["longest_without_60_days"] = _interval(simulation, lambda run: longest_gap(run.with_load))
    figures["lowest_charge_percent"] = _interval(
        simulation, lambda run: max(0.0, float(run.with_load[:, day.LOWEST].min()))
    )
    figures["charge_error_percent"] = _interval(simulation, lambda run: float(run.with_load[:, day.SHOWN_WRONG].max()))
    months = []
    for month in dict.fromkeys(numbers.tolist()):
        chosen = numbers == month
        years = len({date.year for date in simulation.span.days if date.month == month})
        months.append(MonthFigures(month, chosen.sum() / years, _all(simulation, chosen, 1.0 / years)))
    return SimulationSummary(days, days >= YEAR_DAYS, figures, months)


def _all(simulation: Simulation, chosen: Any, scale: float) -> dict[str, Interval]:
    def scaled(figure: Figure) -> Callable[[YearRun], float]:
        return lambda run: scale * figure(run.with_load[chosen], run.without[chosen])

    figures = {name: _interval(simulation, scaled(figure)) for name, figure in FIGURES.items()}
    figures["caught_percent"] = _interval(
        simulation, lambda run: caught_percent(run.with_load[chosen], run.without[chosen])
    )
    return figures


def caught_percent(load: Floats, without: Floats) -> float:
    """Return the share of otherwise wasted sun that was caught; NaN where next to nothing would be wasted."""
    wasted_wh = _wasted(load, without)
    if wasted_wh < LEAST_WASTED * load[:, day.OFFERED].sum() or wasted_wh <= 0.0:
        return MISSING
    return 100.0 * _caught(load, without) / wasted_wh


def _interval(simulation: Simulation, of_run: Callable[[YearRun], float]) -> Interval:
    others = np.array([of_run(run) for run in simulation.others])
    others = others[np.isfinite(others)]
    if not len(others):
        return Interval(of_run(simulation.run))
    low, high = np.percentile(others, (LOW, HIGH))
    return Interval(of_run(simulation.run), float(low), float(high))


def longest_gap(load: Floats) -> float:
    """Return the most days in a row on which the tank did not reach 60 degC."""
    longest = current = 0
    for hottest in load[:, day.HOTTEST]:
        current = 0 if hottest >= STORE_C else current + 1
        longest = max(longest, current)
    return float(longest)


def simulation_document(simulation: Simulation) -> dict[str, Any]:
    """Return everything as JSON."""
    summary, source = summarize(simulation), simulation.source
    return {
        "weather": {
            "name": source.name,
            "latitude": source.place.latitude_deg,
            "longitude": source.place.longitude_deg,
            "typical_year": source.is_typical,
            "noon_of_longitude": source.home_longitude_deg,
        },
        "days": summary.days,
        "figures_of": "a year" if summary.is_year else "all days",
        "figures": _document(summary.figures),
        "months": [
            {"month": month.month, "days": number_or_null(month.days), "figures": _document(month.figures)}
            for month in summary.months
        ],
        "seed": simulation.seed,
        "resampled_years": len(simulation.others),
        "resampled": RESAMPLED,
        "assumed": {assumption.key: assumption.text for assumption in simulation.assumed},
        "not_known": list(NOT_KNOWN),
        "cautions": list(CAUTIONS),
    }


def _document(figures: dict[str, Interval]) -> dict[str, Any]:
    return {
        name: {part: number_or_null(value) for part, value in interval._asdict().items()}
        for name, interval in figures.items()
    }
