"""Identification of the solar charger: set points, throttling, and what it does the next day."""

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from dumpload.forecast.absorption import ENDED_S, PAUSE_S, end_of_absorption, holds_of, timed_out
from dumpload.forecast.evidence import Flags, Floats
from dumpload.forecast.runs import closed_up, runs_of, smeared
from dumpload.forecast.seen import (
    HIGH_SUN,
    HIGHEST_REST_CELL_V,
    LOWEST_ABSORPTION_CELL_V,
    OFF_W,
    STEADY_V,
    Seen,
    crossings,
    since,
)
from dumpload.forecast.stops import Stops, find_stops, prolonged, restart_v_of, stays_off_overnight

# A hold of the float voltage lasts at least this (s).
FLOAT_HELD_S = 600.0
# A bus this near the restart voltage on the plate (V) may have been below it.
LOW_V = 0.1
# Current (part of the capacity) that may still flow when float begins at sunrise.
DECAYING = 0.04


class SeenCharger(NamedTuple):
    """The charger as identified. `float_v` NaN: it is off once full, until the bus is below `restart_v`.

    `absorption_s` (s), `tail_a`: after which time at the set point, or below which current, absorption ends; infinite
    and NaN: it never does, or not by that. `counts_pauses`: the time goes on under clouds and loads. `begins_daily`:
    it begins with absorption every morning. `throttled`: in which entries it gave less than it could have.
    `absorbing`, `floating`: at which set point. `full`: the last entry of each absorption that ended in a full bank.
    """

    absorption_v: float
    float_v: float
    restart_v: float
    absorption_s: float
    tail_a: float
    counts_pauses: bool
    begins_daily: bool
    throttled: Flags
    absorbing: Flags
    floating: Flags
    resting: Flags
    full: tuple[int, ...]


def find_charger(seen: Seen) -> SeenCharger:
    """Identify the charger from the record."""
    top_v, float_v, was_full = _set_points(seen)
    stops = find_stops(seen) if math.isnan(float_v) else None
    if stops is not None:
        return _stopping(seen, stops)
    absorbing = (np.abs(seen.volts - top_v) < seen.held_v) & (seen.height > 0.0) & was_full
    floating = _floating(seen, absorbing, top_v, float_v)
    resting = _resting(seen, absorbing, floating, top_v, float_v)
    resting |= _falling(seen, absorbing, floating, top_v, float_v)
    restart_v, restarts = _restarts(seen, floating, resting)
    if not math.isnan(float_v) and floating.sum() < resting.sum() / 20.0 and restarts:
        float_v, floating = math.nan, np.zeros_like(floating)
    begins_daily = _begins_daily(seen, absorbing, floating, resting, restart_v)
    if not begins_daily and math.isnan(float_v):
        ended = smeared(absorbing, round(ENDED_S / seen.step_s))
        resting |= prolonged(seen, resting, ended) & (seen.height > 0.0) & ~absorbing
    holds = holds_of(seen, absorbing, floating | resting)
    absorption_s, tail_a, counts_pauses = end_of_absorption(seen, holds)
    if counts_pauses and math.isnan(float_v):
        resting |= timed_out(seen, holds, absorption_s)
    full = tuple(hold.run.end - 1 for hold in holds if hold.is_full)
    return SeenCharger(
        top_v, float_v, restart_v, absorption_s, tail_a, counts_pauses, begins_daily,
        _throttled(seen, absorbing, floating, resting, (top_v, float_v)), absorbing, floating, resting, full,
    )  # fmt: skip


def _set_points(seen: Seen) -> tuple[float, float, bool]:
    """Return the voltages of absorption and float, and whether the bank was ever full."""
    top_v = absorption_v(seen)
    was_full = top_v > LOWEST_ABSORPTION_CELL_V * seen.cells
    top_v = top_v if was_full else seen.plate_v
    float_v = find_float_v(seen, top_v)
    return top_v, _float_by_plate(seen, top_v) if math.isnan(float_v) else float_v, was_full


def _throttled(seen: Seen, absorbing: Flags, floating: Flags, resting: Flags, set_points: tuple[float, float]) -> Flags:
    """Return where the charger gave less than it could have.

    An entry beside a hold may be half of one; one whose voltage is far below the set point shows all the sun.
    """
    holding = absorbing | floating | resting
    return holding | (smeared(holding, 1) & (seen.volts > _set_v(absorbing, floating, *set_points) - 0.06))


def _stopping(seen: Seen, stops: Stops) -> SeenCharger:
    """Return a charger that stops at its set point, which it leaves too soon to be seen there."""
    stopped = np.zeros(len(seen.volts), np.bool_)
    stopped[[max(0, entry - 1) for entry in stops.at]] = True
    floating = np.zeros(len(seen.volts), np.bool_)
    resting = stops.resting & (seen.height > 0.0) & ~stopped
    begins_daily = _begins_daily(seen, stopped, floating, resting, stops.restart_v)
    if begins_daily:
        resting &= since(stopped, seen.height)
    top_v = float(np.quantile(seen.volts[stopped], 0.9))
    full = tuple(entry - 1 for entry in stops.at if entry)
    return SeenCharger(
        top_v, math.nan, stops.restart_v, 0.0, math.nan, False, begins_daily, stopped | resting, stopped,
        floating, resting, full,
    )  # fmt: skip


def _begins_daily(seen: Seen, absorbing: Flags, floating: Flags, resting: Flags, restart_v: float) -> bool:
    """Return whether the charger begins with absorption every morning, by its mornings or else by its plate."""
    if floating.any():
        return _absorbs_daily(seen, absorbing, floating)
    stays_off = stays_off_overnight(seen, resting, restart_v)
    return seen.plate_daily if stays_off is None else not stays_off


def _absorbs_daily(seen: Seen, absorbing: Flags, floating: Flags) -> bool:
    """Return whether the day after a float begins with absorption, or goes on with the float.

    One that went on was given its full voltage every day, and with it a permissive that its bus hardly reached again:
    a forecast was half too high, and called "good". A bus that fell below the restart voltage says nothing.
    """
    bounds = [0, *crossings(seen.height, 0.0), len(seen.height)]
    last, daily, on = -1, 0, 0
    for begin, end in pairwise(bounds):
        held, floats = absorbing[begin:end], floating[begin:end]
        floated = bool(floats.sum() * seen.step_s > FLOAT_HELD_S)
        first = begin + int((held | floats).argmax())
        if last >= 0 and floated and not seen.volts[last:first].min() < seen.plate_restart_v + LOW_V:
            daily, on = daily + bool(absorbing[first]), on + bool(floating[first])
        last = begin + int(np.flatnonzero(floats)[-1]) if floated else -1
    return seen.plate_daily if daily == on else daily > on


def _set_v(absorbing: Flags, floating: Flags, top_v: float, float_v: float) -> Floats:
    """Return the set point held last, or held next."""
    set_v = np.where(smeared(floating, 1) & ~absorbing, float_v, top_v)
    return np.asarray(set_v, np.float64)


def absorption_v(seen: Seen) -> float:
    """Return the voltage that limits the bus by day: the most common of the highest values."""
    volts = seen.volts[(seen.height > 0.0) & np.isfinite(seen.volts)]
    top = np.quantile(volts, 0.9995)
    near = volts[volts > top - 0.12]
    values, counts = np.unique(np.round(near, 2), return_counts=True)
    smooth = np.array([counts[np.abs(values - value) < 0.025].sum() for value in values])
    return float(np.median(near[np.abs(near - values[int(smooth.argmax())]) < 0.025]))


def find_float_v(seen: Seen, top_v: float) -> float:
    """Return the float voltage, at which the bus stays by day once the bank is full; NaN: none."""
    low, high = HIGHEST_REST_CELL_V * seen.cells, top_v - 0.15
    moved = np.abs(np.diff(seen.volts, prepend=seen.volts[0]))
    steady = (moved < seen.steady_v) & (np.roll(moved, -1) < seen.steady_v) & seen.is_sunny
    steady &= seen.amps * seen.volts > -0.4 * seen.house_w  # else the charger gives nothing, and the bus just rests
    volts = seen.volts[steady & (seen.volts > low - 0.1) & (seen.volts < high)]
    least = max(30, round(0.003 * seen.is_sunny.sum()))
    if len(volts) < least:
        return math.nan
    at = np.arange(low - 0.2, high + 0.2, 0.01)
    counts = np.histogram(volts, np.append(at, at[-1] + 0.01) - 0.005)[0]
    wide = 1 + round(seen.noise_v / 0.01)
    heap = np.convolve(counts, np.ones(2 * wide + 1), mode="same")
    best = int(np.where(at >= low, heap, 0).argmax())
    beside = max(
        heap[max(0, best - 5 * wide)], heap[max(0, best - 4 * wide)], heap[min(len(heap) - 1, best + 5 * wide)]
    )
    if heap[best] < max(least, 0.2 * (volts > low).sum()) or beside > 0.5 * heap[best]:
        return math.nan  # no set point: the bank just passes there
    return float(np.median(volts[np.abs(volts - at[best]) < 0.015 * wide]))


def _float_by_plate(seen: Seen, top_v: float) -> float:
    """Return the configured float voltage if ever held; a shaded boat floats too seldom to find it."""
    plate_v = seen.plate_float_v
    if math.isnan(plate_v) or plate_v > top_v - 0.15:
        return math.nan
    there = _held_at(seen, plate_v) & (seen.amps * seen.volts > -0.4 * seen.house_w)
    return float(np.median(seen.volts[there])) if there.sum() * seen.step_s >= 2 * FLOAT_HELD_S else math.nan


def _held_at(seen: Seen, set_v: float) -> Flags:
    """Return where the bus stays at a voltage for minutes in sunshine while its current changes."""
    moved = np.abs(np.diff(seen.volts, prepend=seen.volts[0]))
    holding = (np.abs(seen.volts - set_v) < 1.5 * seen.steady_v) & (moved < seen.steady_v) & seen.is_sunny
    for run in runs_of(holding):
        if run.entries * seen.step_s < FLOAT_HELD_S:
            holding[run.begin : run.end] = False
    return holding


def _floating(seen: Seen, absorbing: Flags, top_v: float, float_v: float) -> Flags:
    if math.isnan(float_v):
        return np.zeros(len(seen.volts), np.bool_)
    near = (np.abs(seen.volts - float_v) < seen.held_v) & (seen.height > 0.0)
    after = near & since(absorbing, seen.height)
    small = near & (np.abs(seen.amps) < 0.01 * seen.capacity_ah)
    for run in runs_of(closed_up(small, 2)):  # a float that goes on from the day before
        if run.entries * seen.step_s < FLOAT_HELD_S:
            small[run.begin : run.end] = False
    # The current of one that begins with the sun decays for half an hour, at a voltage that does not move at all.
    steady = _held_at(seen, float_v) & (seen.amps < DECAYING * seen.capacity_ah) if seen.noise_v < STEADY_V else False
    return np.asarray((after | small | steady) & (seen.volts < top_v - seen.held_v), np.bool_)


def _falling(seen: Seen, absorbing: Flags, floating: Flags, top_v: float, float_v: float) -> Flags:
    """Return where the bus falls from absorption to float, with the charger off and the bank carrying all loads."""
    falling = np.zeros(len(seen.volts), np.bool_)
    if math.isnan(float_v):
        return falling
    between = (seen.volts < top_v) & (seen.volts > float_v) & seen.is_unfed & ~absorbing & ~floating
    between &= seen.is_sunny
    for run in runs_of(closed_up(between, 1)):
        came = absorbing[max(0, run.begin - 3) : run.begin].any()
        went = floating[run.end : run.end + 3].any()
        if came and went and run.entries * seen.step_s <= PAUSE_S:
            falling[run.begin : run.end] = True
    return falling


def _resting(seen: Seen, absorbing: Flags, floating: Flags, top_v: float, float_v: float) -> Flags:
    """Return where the charger is off although the sun shines."""
    idle = seen.is_unfed & (seen.net_w > -8.0 * max(seen.house_w, 20.0))
    if seen.solar_w is not None:
        idle = seen.solar_w < OFF_W
    idle &= seen.is_sunny & (seen.volts < top_v - seen.held_v) & since(absorbing | floating, seen.height)
    if not math.isnan(float_v):
        idle &= seen.volts > float_v
    if seen.solar_w is None:  # a dark cloud looks the same, but does not begin as absorption ends
        before = smeared(absorbing | floating, round(300.0 / seen.step_s))
        for run in runs_of(closed_up(idle, 2)):
            is_rest = before[run.begin] and seen.height[run.begin] > HIGH_SUN
            idle[run.begin : run.end] &= bool(is_rest and run.entries * seen.step_s >= FLOAT_HELD_S)
    return np.asarray(idle, np.bool_)


def _restarts(seen: Seen, floating: Flags, resting: Flags) -> tuple[float, int]:
    """Return the voltage below which the charger restarted after a rest on the same day, and how often it did."""
    ended, is_giving = [], seen.is_giving
    for run in runs_of(closed_up(resting, 3)):
        later = slice(run.end, min(run.end + round(900.0 / seen.step_s), len(resting)))
        if run.entries * seen.step_s >= FLOAT_HELD_S and is_giving[later].any() and not floating[later].any():
            ended.append(run)
    return (restart_v_of(seen, ended) if ended else math.nan), len(ended)
