"""Identification of a charger that stops as soon as the bus reaches its set point: when it stopped, and its rests."""

import math
from typing import NamedTuple

import numpy as np

from dumpload.forecast.evidence import Flags, Floats
from dumpload.forecast.runs import Run, runs_of

# From so far below the highest voltage (V) the bus may reach the set point and leave it again between two rows.
WITHIN_V = 0.45
# Power (W) beyond twice the house that only a charger supplies, and solar power of one that is off.
GIVING_W, OFF_W = 50.0, 8.0
# A stop leaves at least so many entries without the charger.
LEAST_ENTRIES = 2
# Fewer stops (in the record) are chance: clouds. And a bus that stays at its highest voltage (within V, for s) is held
# there: so many stops must come to each of those.
LEAST_STOPS, STAYS_V, STAYS_S, STOPS_PER_STAY = 5, 0.05, 240.0, 2.0


class Stops(NamedTuple):
    """Stops of the charger: the entry of each; where it was off afterwards; below which voltage it came back (V)."""

    at: tuple[int, ...]
    resting: Flags
    restart_v: float


def find_stops(
    volts: Floats, net_w: Floats, solar_w: Floats | None, sunlit: Flags, *, house_w: float, lowest_v: float,
    step_s: float,
) -> Stops | None:  # fmt: skip
    """Return the stops, or None if this charger holds its set point.

    `net_w`: power of bank and load together; `sunlit`: where the sun is high enough to charge; `lowest_v`: no set point
    is below. A rest goes on until the charger gives power again, overnight, too: those that were looked for from
    sunrise to sunset missed most of the sun that one boat did not use, and its forecast came to two thirds.
    """
    top_v = float(np.quantile(volts[sunlit], 0.9995)) if sunlit.any() else math.nan
    if not top_v > lowest_v:
        return None
    is_off = net_w < 0.3 * house_w if solar_w is None else solar_w < OFF_W
    is_giving = net_w > 2.0 * house_w + GIVING_W
    near = volts > max(top_v - WITHIN_V, lowest_v)
    rests = [run for run in runs_of(is_off) if _begins_with_stop(run, is_giving, near, sunlit)]
    stays = [run for run in runs_of(sunlit & (volts > top_v - STAYS_V)) if run.entries * step_s >= STAYS_S]
    if len(rests) < max(LEAST_STOPS, STOPS_PER_STAY * len(stays)):
        return None
    restart_v = _restart_v(rests, volts, is_giving)
    resting = np.zeros(len(volts), np.bool_)
    for run in rests:
        resting[run.begin : _restarted(run, volts, restart_v)] = True
    return Stops(tuple(run.begin for run in rests), resting, restart_v)


def _begins_with_stop(run: Run, is_giving: Flags, near: Flags, sunlit: Flags) -> bool:
    """Return whether the charger was giving and the bus near its set point just before."""
    before = slice(max(0, run.begin - 2), run.begin)
    reached = near[max(0, run.begin - 2) : run.begin + 1].any()
    return bool(run.entries >= LEAST_ENTRIES and sunlit[run.begin] and reached and is_giving[before].any())


def _restart_v(rests: list[Run], volts: Floats, is_giving: Flags) -> float:
    """Return the voltage below which the charger came back; NaN: it was not seen to, by day."""
    lows = [float(volts[run.begin : run.end].min()) for run in rests if is_giving[run.end : run.end + 2].any()]
    return float(np.quantile(lows, 0.5)) if len(lows) >= LEAST_STOPS else math.nan


def _restarted(run: Run, volts: Floats, restart_v: float) -> int:
    """Return the entry at which the bus had been below the restart voltage for minutes, or the rest's end."""
    low = np.flatnonzero(volts[run.begin : run.end] < restart_v - 0.03)
    return run.begin + int(low[LEAST_ENTRIES]) if len(low) > LEAST_ENTRIES else run.end
