"""Figures with their intervals: what other settings would have come to, by what was measured and what differs.

The forecast of A under its own settings is known to be wrong by what the record shows; B is corrected by the same part,
so that what both have in common cancels: B = measured A x (forecast B / forecast A).
"""

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from dumpload.core.controller import Setup
from dumpload.core.freshness import is_missing
from dumpload.forecast.evidence import Floats
from dumpload.forecast.model import Model
from dumpload.forecast.play import play, total
from dumpload.forecast.step import CURTAILED, ENERGY, FROM_BANK, ON_S, SWITCH_ONS, UNSEEN_WH

# Standard deviations to 90 % of a normal distribution, and what an ensemble does not show: part of the figure, part of
# all daily differences between A and B, and part of what rests on sun that was not seen (tuned on the tests' boats).
NINETY = 1.645
OF_FIGURE, OF_DIFFERENCE, OF_UNSEEN, OF_COUNT, OF_DRAIN = 0.010, 0.03, 0.10, 0.04, 0.06
OF_UNMEASURED = 0.3
# Without a direct measure of the load, and with fewer signals still, no energy is surer than this (part).
WITHOUT_LOAD, WITHOUT_POWER = 0.15, 0.25


class Figure(NamedTuple):
    """A figure, with the interval in which it lies nine times in ten."""

    value: float
    low: float
    high: float

    @property
    def half(self) -> float:
        """Half the width of its interval."""
        return (self.high - self.low) / 2.0


class ForecastOutcome(NamedTuple):
    """What came of a forecast. `hindcast`: forecast of A over what was measured, by the model alone.

    `from_bank`: Wh a day that the bank gave. `unseen`: part of B's heat that rests on sun nobody saw.
    """

    figures: dict[str, Figure]
    recorded_wh: float
    recorded_ons: float
    hindcast: float
    hindcast_ons: float
    from_bank_wh: float
    unseen: float
    days: float


class Sums(NamedTuple):
    """Daily sums (member, day, column): A by the model alone, A and B anchored to the record, no load, and B."""

    free: Floats
    a: Floats
    b: Floats
    never: Floats


def sums_of(model: Model, law: Setup, run: Callable[..., Any], watch: Callable[[float], None]) -> Sums:
    """Return the daily sums of everything that a forecast of one law needs."""
    free = play(model, [model.setup], run=run, anchored=False, watch=lambda part: watch(0.25 * part))[0]
    a, b = play(model, [model.setup, law], run=run, watch=lambda part: watch(0.25 + 0.5 * part))
    never = play(model, [law], run=run, heated=False, watch=lambda part: watch(0.75 + 0.25 * part))[0]
    return Sums(free, a, b, never)


def outcome_of(model: Model, law: Setup, sums: Sums, *, least_part: float) -> ForecastOutcome:
    """Return the figures; `least_part`: half an interval of energy is no less than this part of it."""
    days = model.evidence.known.sum() * model.evidence.step_s / 86_400.0
    measured, recorded_ons = float(model.recorded.energy_wh.sum()), float(model.recorded.switch_ons.sum())
    energy = _corrected(measured, total(sums.a), total(sums.b))
    free, unseen_wh = float(np.median(total(sums.free))), float(np.median(total(sums.b, UNSEEN_WH)))
    apart = float(np.abs(np.median(sums.b[..., ENERGY] - sums.a[..., ENERGY], axis=0)).sum())
    # What the model alone gets wrong of A, as far as B is not the record.
    wrong = abs(free - measured) * min(1.0, apart / max(measured, 1.0))
    drain = OF_DRAIN * float(np.median(energy)) if trips_anew(model, law) else 0.0
    extra = np.array([OF_FIGURE * np.median(energy), OF_DIFFERENCE * apart, OF_UNSEEN * unseen_wh, wrong, drain])
    figure = _figure(energy, float(np.sqrt((extra**2).sum())), least_part)
    on_s = _corrected(float(model.recorded.on_s.sum()), total(sums.a, ON_S), total(sums.b, ON_S))
    figures = {
        "difference_wh_per_day": _difference(figure, measured, energy, days, extra, least_part),
        "caught_wh": _caught(figure, total(sums.never, CURTAILED) - total(sums.b, CURTAILED), least_part),
        "switch_ons": _switch_ons(recorded_ons, sums),
        "energy_wh": figure,
        "on_time_s": _figure(on_s, figure.half / max(figure.value, 1.0) * float(np.median(on_s)), 0.0),
    }
    return ForecastOutcome(
        figures, measured, recorded_ons, free / measured if measured > 0.0 else np.nan,
        float(np.median(total(sums.free, SWITCH_ONS))), float(np.median(total(sums.b, FROM_BANK))) / days,
        unseen_wh / max(figure.value, 1.0), days,
    )  # fmt: skip


def _caught(energy: Figure, caught: Floats, least_part: float) -> Figure:
    return _figure(caught, float(np.hypot(energy.half / NINETY, 0.5 * OF_UNSEEN * np.median(caught))), least_part)


def _switch_ons(recorded: float, sums: Sums) -> Figure:
    ons = _corrected(recorded, total(sums.a, SWITCH_ONS), total(sums.b, SWITCH_ONS))
    wrong = min(abs(float(np.median(total(sums.free, SWITCH_ONS))) - recorded), float(np.median(ons)))
    return _figure(ons, float(np.hypot(OF_COUNT * np.median(ons) + 1.0, wrong)), 0.0)


def trips_anew(model: Model, law: Setup) -> bool:
    """Return whether a law has a drain limit that is not the one of the record."""
    before, now = model.setup.settings.permissives, law.settings.permissives
    return not is_missing(now.drain_limit_w) and before[4:7] != now[4:7]


def _corrected(measured: float, a: Floats, b: Floats) -> Floats:
    """Return B by what was measured of A; where A is next to nothing there is no part to correct by."""
    if measured <= 0.0 or np.median(a) <= 0.1 * measured:
        return np.asarray(b - a + measured if measured > 0.0 else b, np.float64).clip(0.0)
    return b * measured / np.maximum(a, 1e-9)


def _figure(values: Floats, extra: float, least_part: float) -> Figure:
    """Return the median, with an interval: the ensemble's, and what it does not show."""
    value = float(np.median(values))
    low, high = (float(one) for one in np.quantile(values, (0.05, 0.95)))
    least = least_part * value
    below = max(float(np.hypot(value - low, NINETY * extra)), least)
    above = max(float(np.hypot(high - value, NINETY * extra)), least)
    return Figure(value, max(0.0, value - below), value + above)


def _difference(
    energy: Figure, measured: float, energies: Floats, days: float, extra: Floats, least_part: float
) -> Figure:
    """Return B - A in Wh a day: what both have in common has no part in its interval."""
    own = _figure(energies, float(np.sqrt((extra[1:] ** 2).sum() + (0.8 * extra[0]) ** 2)), 0.0)
    value = (energy.value - measured) / days
    # Where the load was not measured, A itself is not known to the watt-hour.
    widen = least_part * (abs(energy.value - measured) + OF_UNMEASURED * max(energy.value, measured)) / days
    below = max((own.value - own.low) / days, widen)
    above = max((own.high - own.value) / days, widen)
    return Figure(value, value - below, value + above)
