"""Identification of the rests of a charger that stops when full: at once at its set point, and overnight."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from dumpload.core.window import HOUR_S
from dumpload.forecast.evidence import Flags, Floats
from dumpload.forecast.runs import Run, runs_of
from dumpload.forecast.seen import HIGH_SUN, LOWEST_ABSORPTION_CELL_V, OFF_W, Seen, crossings

# From so far below the highest voltage (V) the bus may reach the set point and leave it again between two rows.
WITHIN_V = 0.45
# A stop leaves at least so many entries without the charger.
LEAST_ENTRIES = 2
# Fewer stops (in the record) are chance: clouds. And a bus that stays at its highest voltage (within V, for s) is held
# there: so many stops must come to each of those.
LEAST_STOPS, STAYS_V, STAYS_S, STOPS_PER_STAY = 5, 0.05, 240.0, 2.0
# A bus this near the restart voltage (V) may have been below it between two rows.
NEAR_RESTART_V = 0.03
# Within which voltage of each other many rests end (V), how many (part of the most that do), and minutes (s).
ENDS_WITHIN_V, MANY, LASTED_S = 0.04, 0.5, 180.0
# If this part of the rests ends this near the voltage on the plate (V), that is it, more or less; and so it is if fewer
# rests than these end at any other.
NEAR_PLATE_V, BY_PLATE, LEAST_ENDS = 0.12, 0.2, 3
# The power (W, and part of the house's) that a dull morning brings at least.
DULL_W, DULL = 25.0, 0.3


class Stops(NamedTuple):
    """Stops of the charger: the entry of each; where it was off afterwards; below which voltage it came back (V)."""

    at: tuple[int, ...]
    resting: Flags
    restart_v: float


def find_stops(seen: Seen) -> Stops | None:
    """Return the stops, or None if this charger holds its set point.

    A rest goes on until the charger gives power again, overnight, too: those that were looked for from one sunrise to
    the next sunset missed most of the sun that a boat did not use, and its forecast came to two thirds.
    """
    volts, sunny, lowest_v = seen.volts, seen.is_sunny, LOWEST_ABSORPTION_CELL_V * seen.cells
    top_v = float(np.quantile(volts[sunny], 0.9995)) if sunny.any() else math.nan
    if not top_v > lowest_v:
        return None
    near, is_giving = volts > max(top_v - WITHIN_V, lowest_v), seen.is_giving
    rests = [run for run in runs_of(seen.is_off) if _begins_with_stop(run, is_giving, near, sunny)]
    stays = [run for run in runs_of(sunny & (volts > top_v - STAYS_V)) if run.entries * seen.step_s >= STAYS_S]
    if len(rests) < max(LEAST_STOPS, STOPS_PER_STAY * len(stays)):
        return None
    restart_v = _restart_v(rests, seen)
    resting = np.zeros(len(volts), np.bool_)
    for run in rests:
        resting[run.begin : _restarted(run, volts, restart_v)] = True
    return Stops(tuple(run.begin for run in rests), resting, restart_v)


def _begins_with_stop(run: Run, is_giving: Flags, near: Flags, sunlit: Flags) -> bool:
    """Return whether the charger was giving and the bus near its set point just before."""
    before = slice(max(0, run.begin - 2), run.begin)
    reached = near[max(0, run.begin - 2) : run.begin + 1].any()
    return bool(run.entries >= LEAST_ENTRIES and sunlit[run.begin] and reached and is_giving[before].any())


def restart_v_of(seen: Seen, rests: Sequence[Run]) -> float:
    """Return the voltage below which the charger came back after these rests (V).

    Many rests end there, but not all: a kettle takes the bus far down for minutes, and what only looks like a rest may
    end anywhere. No charger rests on below it for minutes, as more than one rest in four shows. The lowest voltage of
    each rest once came to 0.2 V too little, and the forecast was off by 11 %.
    """
    ends = np.sort([seen.volts[max(run.begin, run.end - 2) : run.end].min() for run in rests])
    most_v = np.quantile([_lasted_v(seen, run) for run in rests], 0.3) + NEAR_RESTART_V
    ends = ends[ends <= most_v] if (ends <= most_v).any() else ends
    by_plate = ends[np.abs(ends - seen.plate_restart_v) < NEAR_PLATE_V]
    ends = by_plate if len(by_plate) >= max(2.0, BY_PLATE * len(ends)) else ends
    beside = np.searchsorted(ends, ends + ENDS_WITHIN_V, side="right") - np.arange(len(ends))
    if beside.max() < LEAST_ENDS and len(by_plate) < LEAST_ENDS and not math.isnan(seen.plate_restart_v):
        return seen.plate_restart_v
    highest = int(np.flatnonzero(beside >= MANY * beside.max())[-1])
    return float(np.median(ends[highest : highest + beside[highest]]))


def _lasted_v(seen: Seen, run: Run) -> float:
    """Return the lowest voltage at which a rest went on for minutes (V); infinite: it was too short."""
    length = max(2, round(LASTED_S / seen.step_s))
    inside = seen.volts[run.begin : run.end - length]
    return float(sliding_window_view(inside, length).max(axis=1).min()) if len(inside) >= length else math.inf


def _restart_v(rests: list[Run], seen: Seen) -> float:
    """Return the voltage below which the charger came back; NaN: it was not seen to, by day."""
    is_giving = seen.is_giving
    ended = [run for run in rests if is_giving[run.end : run.end + 2].any()]
    return restart_v_of(seen, ended) if len(ended) >= LEAST_STOPS else math.nan


def _restarted(run: Run, volts: Floats, restart_v: float) -> int:
    """Return the entry at which the bus had been below the restart voltage for minutes, or the rest's end."""
    low = np.flatnonzero(volts[run.begin : run.end] < restart_v - NEAR_RESTART_V)
    return run.begin + int(low[LEAST_ENTRIES]) if len(low) > LEAST_ENTRIES else run.end


def stays_off_overnight(seen: Seen, resting: Flags, restart_v: float) -> bool | None:
    """Return whether a charger that rested in the evening still did in the morning; None: the record does not show it.

    A bus that fell below the restart voltage says nothing.
    """
    sunsets, mornings = crossings(-seen.height, 0.0), crossings(seen.height, HIGH_SUN)
    stayed = anew = 0
    for run in runs_of(seen.is_off):
        rest = np.flatnonzero(resting[run.begin : run.end])
        sunset = sunsets[(sunsets > run.begin + rest[0]) & (sunsets < run.end)][:1] if len(rest) else rest
        morning = mornings[mornings > sunset[0]][:1] if len(sunset) else sunset
        if len(morning) and not seen.volts[sunset[0] : min(morning[0], run.end)].min() < restart_v + NEAR_RESTART_V:
            still_off = _is_dark(seen, int(sunset[0]), int(morning[0]))
            stayed, anew = stayed + still_off, anew + (not still_off)
    return None if stayed == anew else stayed > anew


def _is_dark(seen: Seen, sunset: int, morning: int) -> bool:
    """Return whether the hour after `morning` brings no more power than the night; a dull one still brings some."""
    hour = round(HOUR_S / seen.step_s)
    if seen.solar_w is not None:
        return bool(np.median(np.nan_to_num(seen.solar_w[morning : morning + hour], nan=OFF_W)) < OFF_W)
    rises = np.flatnonzero(seen.height[sunset:morning] > 0.0)
    sunrise = sunset + int(rises[rises > hour][:1].sum()) if (rises > hour).any() else morning
    night_w = seen.net_w[max(sunset, sunrise - 2 * hour) : sunrise].mean()
    return bool(seen.net_w[morning : morning + hour].mean() < night_w + max(DULL_W, DULL * seen.house_w))


def prolonged(seen: Seen, resting: Flags, ended: Flags) -> Flags:
    """Return the rests until the charger gives power again, be it days later.

    `ended`: where absorption may have ended. An end at dusk looks like dusk, until the next morning brings no power.
    """
    longer, mornings = resting.copy(), crossings(seen.height, HIGH_SUN)
    for run in runs_of(seen.is_off):
        rest = np.flatnonzero(resting[run.begin : run.end])
        if len(rest):
            longer[run.begin + rest[0] : run.end] = True
        elif ended[run.begin] and ((mornings > run.begin) & (mornings < run.end)).any():
            longer[run.begin : run.end] = True
    return longer
