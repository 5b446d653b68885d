"""What a household takes from the bus and from the tap, step by step, by chance.

A fridge that comes and goes, lamps, a pump, whatever is plugged in, and draws of hot water.
"""

from typing import Any, NamedTuple

import numpy as np
from bench.proof.sky import STEP_S, STEPS_PER_DAY, Floats


class Household(NamedTuple):
    """Watts and means. `sociable`: how often something large is plugged in (times a day)."""

    base_w: float = 28.0
    fridge_w: float = 62.0
    fridge_on_s: float = 900.0
    fridge_off_s: float = 1_700.0
    lamps_w: float = 55.0
    sociable: float = 2.0
    large_w: float = 700.0
    litres_a_day: float = 30.0


def demand_w(house: Household, days: int, seed: int) -> Floats:
    """Return what the house takes in each step (W)."""
    draw = np.random.default_rng(seed)
    watts = np.full(days * STEPS_PER_DAY, house.base_w)
    _fridge(draw, house, watts)
    for day in range(days):
        midnight = day * STEPS_PER_DAY
        _use(watts, midnight, draw.normal(18.2, 0.6), draw.normal(4.5, 0.7), house.lamps_w * draw.uniform(0.6, 1.4))
        _use(watts, midnight, draw.normal(6.9, 0.4), draw.uniform(0.4, 1.2), house.lamps_w * 0.6)
        for _ in range(draw.poisson(5)):  # the water pump
            _use(watts, midnight, draw.uniform(7, 22), draw.exponential(0.03), 75.0)
        for _ in range(draw.poisson(2)):  # a computer
            _use(watts, midnight, draw.uniform(8, 20), draw.exponential(1.2), draw.uniform(30, 70))
        for _ in range(draw.poisson(house.sociable)):  # by the inverter
            _use(watts, midnight, draw.uniform(7, 21), draw.exponential(0.08), house.large_w * draw.uniform(0.5, 1.5))
    return watts


def tapped_l(house: Household, days: int, seed: int) -> Floats:
    """Return the litres of mixed water at 40 degC that are drawn in each step, six a minute."""
    draw = np.random.default_rng(seed)
    litres = np.zeros(days * STEPS_PER_DAY)
    for day in range(days):
        for hour, share in ((7.4, 0.25), (12.8, 0.15), (19.2, 0.3), (21.0, 0.3)):
            if draw.random() < 0.12:
                continue  # nobody was at home
            wanted = house.litres_a_day * share * draw.gamma(4.0, 0.25)
            begin = int((day * 24 + draw.normal(hour, 0.6)) * 3_600 / STEP_S)
            per_step = 6.0 * STEP_S / 60.0
            litres[max(begin, 0) : max(begin, 0) + int(np.ceil(wanted / per_step))] += per_step
    return litres


def _fridge(draw: np.random.Generator, house: Household, watts: Floats) -> None:
    at = 0
    while at < len(watts):
        run = max(int(draw.normal(house.fridge_on_s, house.fridge_on_s / 6) / STEP_S), 12)
        watts[at : at + run] += house.fridge_w
        watts[at : at + 1] += house.fridge_w  # it starts hard
        at += run + max(int(draw.normal(house.fridge_off_s, house.fridge_off_s / 5) / STEP_S), 12)


def _use(watts: Floats, midnight: int, hour: Any, hours: Any, power: Any) -> None:
    begin = max(midnight + int(hour * 3_600 / STEP_S), 0)
    watts[begin : begin + max(int(hours * 3_600 / STEP_S), 1)] += power
