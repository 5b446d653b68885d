"""Forecast of a month under some settings, with intervals, and its difference from today's."""

from typing import NamedTuple

import numpy as np

from dumpload.core.window import DAY_S
from dumpload.forecast.evidence import Floats
from dumpload.forecast.interval import Figure, ForecastOutcome, Sums
from dumpload.forecast.model import Recorded
from dumpload.forecast.step import ENERGY, SWITCH_ONS
from dumpload.tune.aims import Halves, caught, hot

MONTH_DAYS = 30.0
DRAWS = 2000
WH_A_KWH = 1000.0
# A drain limit trips on short peaks of the house that the mean of a minute hides: in eleven trials on the tests' boats,
# up to half as many operations again, and up to one and a half times as much more heat lost.
MORE_OPERATIONS, MORE_LOST = 0.6, 1.5


class Month(NamedTuple):
    """Thirty days: kWh of otherwise wasted sun, kWh into the heater, switch-ons, evenings with hot water."""

    caught_kwh: Figure
    heat_kwh: Figure
    operations: Figure
    hot_evenings: Figure


class Player(NamedTuple):
    """Daily sums of one law, and their forecast.

    `unseen_drains`: it has a drain limit that the record was not made with, and the rows are too far apart to show what
    trips it.
    """

    sums: Sums
    outcome: ForecastOutcome
    unseen_drains: bool = False


def month(player: Player, recorded: Recorded, halves: Halves) -> Month:
    """Return a month's figures, from the days reported on."""
    by_a = _correction(player, recorded)
    values = _daily(player, by_a)
    half = _halves_a_month(player)
    figures = Month(*(_figure(value, halves, more, least=0.0) for value, more in zip(values, half, strict=True)))
    return _with_unseen(figures, figures.operations.value) if player.unseen_drains else figures


def difference(player: Player, now: Player, recorded: Recorded, halves: Halves, *, is_as_recorded: bool) -> Month:
    """Return a month's difference from now; common errors cancel.

    `is_as_recorded`: the record was made with the settings of now, which are then measured and not forecast.
    """
    by_a = _correction(player, recorded)
    values = [more - less for more, less in zip(_daily(player, by_a), _daily(now, by_a), strict=True)]
    half = np.array(_halves_of_difference(player))
    if not is_as_recorded:
        half = np.hypot(half, _halves_of_difference(now))
    figures = Month(
        *(_figure(value, halves, float(more), least=-np.inf) for value, more in zip(values, half, strict=True))
    )
    if not player.unseen_drains:
        return figures
    sun, heat = (figure._replace(low=figure.low - MORE_LOST * abs(figure.value)) for figure in figures[:2])
    figures = figures._replace(caught_kwh=sun, heat_kwh=heat)
    return _with_unseen(figures, month(player, recorded, halves).operations.value)


def _with_unseen(figures: Month, operations: float) -> Month:
    """Widen the figures for operations that the record cannot show."""
    switch_ons = figures.operations
    return figures._replace(operations=switch_ons._replace(high=switch_ons.high + MORE_OPERATIONS * operations))


def differs(more: Month) -> bool:
    """Return whether any figure clearly differs from now."""
    return any(figure.low > 0.0 or figure.high < 0.0 for figure in more)


def _correction(player: Player, recorded: Recorded) -> float:
    """Return the correction factor of the forecast heat: measured over forecast, under the recorded settings."""
    measured = float(recorded.energy_wh.sum())
    forecast = float(np.median(player.sums.a[..., ENERGY].sum(axis=-1)))
    return measured / forecast if forecast > 0.1 * measured else 1.0  # as the forecaster has it


def _daily(player: Player, by_a: float) -> list[Floats]:
    """Return each figure as (member, day)."""
    b = player.sums.b
    return [
        caught(b, player.sums.never) / WH_A_KWH,
        b[..., ENERGY] * by_a / WH_A_KWH,
        np.asarray(b[..., SWITCH_ONS], np.float64),
        hot(b),
    ]


def _halves_a_month(player: Player) -> list[float]:
    """Return half the forecaster's interval of each figure; there is none for evenings."""
    figures, scale = player.outcome.figures, MONTH_DAYS / player.outcome.days
    return [
        figures["caught_wh"].half * scale / WH_A_KWH,
        figures["energy_wh"].half * scale / WH_A_KWH,
        figures["switch_ons"].half * scale,
        0.0,
    ]


def _halves_of_difference(player: Player) -> list[float]:
    figures = player.outcome.figures
    heat = figures["difference_wh_per_day"].half * MONTH_DAYS / WH_A_KWH
    return [heat, heat, figures["switch_ons"].half * MONTH_DAYS / player.outcome.days, 0.0]


def _figure(daily: Floats, halves: Halves, half: float, least: float) -> Figure:
    """Return a month's sum, its interval from bootstrapped days and members and from the forecaster's own interval."""
    days, known_s = daily[:, halves.report], halves.known_s[halves.report]
    draw = np.random.default_rng(17)
    place = draw.integers(0, days.shape[1], (DRAWS, days.shape[1]))
    member = draw.integers(0, days.shape[0], DRAWS)
    sums = _a_month(days[member[:, None], place].sum(axis=1), known_s[place].sum(axis=1))
    value = float(np.median(_a_month(days.sum(axis=1), known_s.sum())))
    low, high = (float(percentile) for percentile in np.quantile(sums, (0.05, 0.95)))
    below, above = np.hypot(max(0.0, value - low), half), np.hypot(max(0.0, high - value), half)
    return Figure(value, max(least, value - float(below)), value + float(above))


def _a_month(sums: Floats, known_s: Floats | float) -> Floats:
    month: Floats = sums / np.maximum(np.asarray(known_s) / DAY_S, 1e-9) * MONTH_DAYS
    return month
