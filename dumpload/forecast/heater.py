"""Identification of element and tank: resistance, openings of the thermostat, heat demand."""

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from dumpload.core.window import HOUR_S
from dumpload.forecast.evidence import Flags, Floats
from dumpload.forecast.runs import Run, runs_of

# Below this part of its rated draw an element's thermostat is open.
OPEN_BELOW = 0.3
# Steps that differ less from the plate confirm it (part): they are no more exact. Those of all powers but the load's
# are, since no cloud is in them: an element of 3 % more than its plate once cost 3 % of the energy.
PLATE_HOLDS, PLATE_HOLDS_EXACT = 0.04, 0.01
# Usual hysteresis of the thermostat, and usual rise from cold to hot water (K).
BAND_K = 8.0
# Least openings of the thermostat from which the draws are known.
LEAST_OPENINGS = 4
# Water at the taps (degC), and length of the tank's blocks (s).
WANTED_C, BLOCK_S = 40.0, 600.0


class Element(NamedTuple):
    """The element: its resistance with its cable (ohm), and by its plate. `measured`: the record has shown it."""

    ohm: float
    plate_ohm: float
    measured: bool


class TankPlates(NamedTuple):
    """The tank by its plates: Wh a kelvin, W a kelvin, temperatures of opening, room and cold water (degC).

    `usual_w`: mean heat drawn, where the record does not tell (30 litres a day: common practice, no source), and
    whether the settings say so.
    """

    wh_per_k: float
    loss_w_k: float
    opens_c: float
    around_c: float
    cold_c: float
    usual_w: float = 45.0
    is_set: bool = False

    @property
    def most_wh(self) -> float:
        """Heat missing when all the water is cold (Wh)."""
        return self.wh_per_k * (self.opens_c - self.cold_c)


class SeenTank(NamedTuple):
    """The tank as heat missing until the thermostat opens (Wh), at every entry, in the recorded boat.

    `draw_w`: heat that the taps would take from water that is hot enough; `least_w`: the least that it can be.
    `band_wh`: what is missing when the thermostat closes again. `openings`: how often it was seen to open. `is_known`:
    that, or its temperature, says enough; else the draws are a guess.
    """

    missing_wh: Floats
    draw_w: Floats
    band_wh: float
    openings: int
    is_known: bool
    least_w: float


def element_of(
    relay: Floats, volts: Floats, load_w: Floats | None, plate_ohm: float, other_w: Floats, *, exact: bool
) -> Element:
    """Identify the element by its power with the relay on, by the steps of other powers, else by its rating.

    `other_w`: a power that falls by what the load takes; `exact`: by nothing else but the house.
    """
    if load_w is not None:
        on = (relay > 0.99) & (load_w > 0.5 * volts * volts / plate_ohm / 2.0) & np.isfinite(volts)
        if on.sum() >= 10:
            return Element(float(np.median(volts[on] ** 2 / load_w[on])), plate_ohm, True)
    return _by_steps(relay, volts, plate_ohm, other_w, PLATE_HOLDS_EXACT if exact else PLATE_HOLDS)


def _by_steps(relay: Floats, volts: Floats, plate_ohm: float, other_w: Floats, holds: float) -> Element:
    """Identify the element by the median step of another power at switching; clouds move single steps either way."""
    on = relay > 0.5
    ratios = []
    for edge in np.flatnonzero(on[1:] != on[:-1]) + 1:
        around = slice(max(0, edge - 3), edge + 4)
        if edge < 3 or edge + 4 > len(on):
            continue
        step_w = abs(float(np.mean(other_w[edge + 1 : edge + 3]) - np.mean(other_w[edge - 3 : edge - 1])))
        drawn_w = float(np.mean(volts[around])) ** 2 / plate_ohm
        if 0.6 < step_w / drawn_w < 1.5:  # else the thermostat was open, or a cloud came
            ratios.append(step_w / drawn_w)
    if len(ratios) < 20 or abs(float(np.median(ratios)) - 1.0) < holds:
        return Element(plate_ohm, plate_ohm, len(ratios) >= 20)
    return Element(plate_ohm / float(np.median(ratios)), plate_ohm, True)


def guess_load(
    relay: Floats, volts: Floats, power_w: Floats, solar_w: Floats | None, ohm: float, house_w: float, throttled: Flags,
    *, comes_back: bool,
) -> Floats:  # fmt: skip
    """Estimate the load's power (W) from the relay and the steps that an open thermostat leaves in other powers.

    `comes_back`: the charger stops when the bank is full, and comes back when it is low.
    """
    drawn = volts * volts / ohm
    if solar_w is not None:
        closed = (solar_w - power_w) >= 0.85 * drawn + 0.5 * house_w
        return np.where(closed, relay * drawn, 0.0)
    load_w = relay * drawn
    for run in runs_of(relay > 0.0):
        # A charger that stops and comes back makes the same steps: heat of one boat was taken to be a third less.
        if comes_back and throttled[run.begin : run.end].any():
            continue
        load_w[_opened_at(run.begin, run.end, power_w, drawn, throttled) : run.end] = 0.0
    return np.asarray(load_w, np.float64)


def _opened_at(begin: int, end: int, power_w: Floats, drawn: Floats, throttled: Flags) -> int:
    """Return the entry at which the thermostat opened during a run of the relay, or the run's end if it did not."""
    after = slice(end, min(end + 3, len(power_w)))
    if throttled[max(0, end - 3) : end + 3].any() or end - begin < 4 or not len(power_w[after]):
        return end
    step = float(np.median(power_w[after]) - np.median(power_w[end - 3 : end - 1]))
    if step > 0.5 * float(drawn[end - 1]):
        return end
    rises = power_w[begin + 2 : end] - power_w[begin : end - 2]
    return begin + 1 + int(np.argmax(rises)) if len(rises) and rises.max() > 0.6 * drawn[end - 1] else end


def heat_demand_w(plates: TankPlates, missing_wh: Floats, draw_w: Floats) -> Floats:
    """Return the heat (W) that losses and taps take from a tank short of `missing_wh`."""
    celsius = plates.opens_c - missing_wh / plates.wh_per_k
    warm = np.clip((celsius - plates.cold_c) / (WANTED_C - plates.cold_c), 0.0, 1.0)
    return np.asarray(plates.loss_w_k * (celsius - plates.around_c) + draw_w * warm, np.float64)


def openings_of(step_s: float, relay: Floats, load_w: Floats, drawn_w: Floats) -> list[Run]:
    """Return when the thermostat opened while the relay was on: the load had been on, and was off for minutes."""
    is_open = (relay > 0.9) & (load_w < OPEN_BELOW * drawn_w)
    is_closed = (relay > 0.9) & (load_w > 0.7 * drawn_w)
    least = max(2, round(120.0 / step_s))
    return [
        run
        for run in runs_of(is_open)
        if run.entries >= least and is_closed[max(0, run.begin - least - 1) : run.begin].any()
    ]


def tank_of(
    step_s: float, relay: Floats, load_w: Floats, drawn_w: Floats, celsius: Floats | None, taps: Floats,
    plates: TankPlates,
) -> SeenTank:  # fmt: skip
    """Return the tank; `taps`: when water is drawn (mean 1), `celsius`: its measured temperature.

    The heat drawn between two openings of the thermostat is what makes the heat that went in fit.
    """
    opened = [run.begin for run in openings_of(step_s, relay, load_w, drawn_w)]
    heat = np.concatenate([[0.0], np.cumsum(np.nan_to_num(load_w))]) * step_s / HOUR_S
    band_wh = _band(opened, relay, heat, plates.wh_per_k * BAND_K)
    size = max(1, round(BLOCK_S / step_s))
    count = len(load_w) // size
    load = np.nan_to_num(load_w[: count * size]).reshape(count, size).mean(axis=1)
    weight = taps[: count * size].reshape(count, size).mean(axis=1)
    blocks = _TankBlocks(plates, size * step_s / HOUR_S, load, weight)
    level: dict[int, float] = {}
    nodes = sorted({entry // size for entry in opened if entry // size < count})
    # Openings say to the watt-hour what a sensor in half degrees says to 25: that is for tanks that were seldom hot.
    if not _is_telling(nodes, count) and celsius is not None and np.isfinite(celsius).mean() > 0.9:
        nodes, level = _measured(celsius[: count * size], size, opened, plates)
    missing, draw = blocks.between(nodes, level)
    rest = len(load_w) - count * size
    spread = [np.pad(np.repeat(series, size), (0, rest), mode="edge") for series in (missing, draw)]
    is_known = _is_telling(nodes, count)
    least_w = 0.0 if is_known else blocks.least(0, count, 0.5 * plates.most_wh)
    return SeenTank(spread[0], spread[1] * taps, band_wh, len(opened), is_known, least_w)


def _measured(celsius: Floats, size: int, opened: list[int], plates: TankPlates) -> tuple[list[int], dict[int, float]]:
    """Return the blocks, six hours apart, at which the measured temperature gives the missing heat."""
    hot = np.nanquantile(celsius, 0.999)
    opens_c = float(np.nanmedian(celsius[opened])) if opened else max(plates.opens_c, float(hot))
    every = max(1, round(6 * HOUR_S / BLOCK_S))
    level = {}
    for block in range(0, len(celsius) // size, every):
        here = celsius[max(0, block * size - 2) : block * size + 3]
        if np.isfinite(here).any():
            level[block] = float(np.nanmean(opens_c - here)) * plates.wh_per_k
    return sorted(level), level


class _TankBlocks(NamedTuple):
    """The tank by blocks of ten minutes."""

    plates: TankPlates
    hours: float
    load_w: Floats
    taps: Floats

    def run(self, begin: int, end: int, missing: Floats, draw_w: Floats) -> Floats:
        """Return the missing heat before each block and after the last, for many draws at once."""
        missing_after = np.empty((end - begin + 1, len(draw_w)))
        missing_after[0] = missing
        for at in range(begin, end):
            now = missing_after[at - begin]
            more = heat_demand_w(self.plates, now, draw_w * self.taps[at]) - self.load_w[at]
            missing_after[at - begin + 1] = np.minimum(now + more * self.hours, self.plates.most_wh)
        return missing_after

    def between(self, nodes: list[int], level: dict[int, float]) -> tuple[Floats, Floats]:
        """Return missing heat and draw in every block; at the nodes so much is missing (else nothing)."""
        count = len(self.load_w)
        if not _is_telling(nodes, count):
            return self._unseen()
        missing, draw = np.zeros(count), np.zeros(count)
        for begin, end in pairwise(nodes):
            first, last = level.get(begin, 0.0), level.get(end, 0.0)
            draw_w = self._drawn(begin, end, first, last)
            self._lay(missing, draw, begin, end, first, draw_w)
            wrong = last - self.run(begin, end, np.array([first]), np.array([draw_w]))[-1, 0]
            missing[begin:end] += wrong * np.arange(end - begin) / (end - begin)
        begin, end = nodes[0], nodes[-1]
        usual, last = float(np.mean(draw[begin:end])), level.get(end, 0.0)
        self._lay(missing, draw, end, count, last, max(usual, self.least(end, count, last)))
        if begin > 0:
            starts = np.linspace(0.0, self.plates.most_wh, 41)
            ends = self.run(0, begin, starts, np.full(41, usual))[-1]
            self._lay(missing, draw, 0, begin, float(np.interp(level.get(begin, 0.0), ends, starts)), usual)
        return missing, draw

    def least(self, begin: int, end: int, first: float) -> float:
        """Return the least draw with which the thermostat would not have opened in those blocks."""
        draws = np.linspace(0.0, 4.0 * float(self.load_w[begin:end].mean()) + 400.0, 61) if end > begin else np.zeros(1)
        lowest = self.run(begin, end, np.full(len(draws), first), draws).min(axis=0)
        enough = draws[lowest >= min(0.0, first) - 0.05 * self.plates.most_wh]
        return float(enough[0]) if len(enough) else float(draws[-1])

    def _lay(self, missing: Floats, draw: Floats, begin: int, end: int, first: float, draw_w: float) -> None:
        missing[begin:end] = self.run(begin, end, np.array([first]), np.array([draw_w]))[:-1, 0]
        draw[begin:end] = draw_w

    def _drawn(self, begin: int, end: int, first: float, last: float) -> float:
        """Return the draw that leaves this much missing at the end."""
        went_in = float(self.load_w[begin:end].mean())
        least = -2.0 * went_in if end - begin <= 6 * HOUR_S / BLOCK_S else 0.0
        draws = np.linspace(least, 4.0 * went_in + 400.0, 61)
        ends = self.run(begin, end, np.full(61, first), draws)[-1]
        return float(np.interp(last, ends, draws))

    def _unseen(self) -> tuple[Floats, Floats]:
        """Return a guess: the usual draw, or the least one with which the thermostat would not have opened."""
        count, half_wh = len(self.load_w), 0.5 * self.plates.most_wh
        missing, draw = np.zeros(count), np.zeros(count)
        self._lay(missing, draw, 0, count, half_wh, max(self.plates.usual_w, self.least(0, count, half_wh)))
        return np.maximum(missing, 1.0), draw


def _is_telling(nodes: list[int], count: int) -> bool:
    """Return whether the tank was hot often enough, over enough of the record, to know the draws."""
    return len(nodes) >= LEAST_OPENINGS and nodes[-1] - nodes[0] > 0.4 * count


def _band(opened: list[int], relay: Floats, heat: Floats, usual_wh: float) -> float:
    """Return the heat (Wh) between closing and opening of the thermostat, from openings within one run of the relay."""
    bands = [heat[end] - heat[begin] for begin, end in pairwise(opened) if (relay[begin:end] > 0.9).all()]
    good = [band for band in bands if math.isfinite(band) and band > 0.1 * usual_wh]
    return float(np.median(good)) if good else usual_wh
