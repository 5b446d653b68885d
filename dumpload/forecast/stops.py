"""Identification of the rests of a charger that stops when full: at once at its set point, and overnight."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dumpload.forecast.evidence import Flags, Floats
from dumpload.forecast.runs import Run, runs_of
from dumpload.forecast.seen import HIGH_SUN, LOWEST_ABSORPTION_CELL_V, Seen

# From so far below the highest voltage (V) the bus may reach the set point and leave it again between two rows.
WITHIN_V = 0.45
# A stop leaves at least so many entries without the charger.
LEAST_ENTRIES = 2
# Fewer stops (in the record) are chance: clouds. And a bus that stays at its highest voltage (within V, for s) is held
# there: so many stops must come to each of those.
LEAST_STOPS, STAYS_V, STAYS_S, STOPS_PER_STAY = 5, 0.05, 240.0, 2.0
# A bus this near the restart voltage (V) may have been below it between two rows.
NEAR_RESTART_V = 0.03


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
    low = np.flatnonzero(volts[run.begin : run.end] < restart_v - NEAR_RESTART_V)
    return run.begin + int(low[LEAST_ENTRIES]) if len(low) > LEAST_ENTRIES else run.end


def stays_off_overnight(seen: Seen, resting: Flags, restart_v: float) -> bool | None:
    """Return whether a charger that rested in the evening still did in the morning; None: the record does not show it.

    A bus that fell below the restart voltage says nothing.
    """
    sunsets, mornings = _crossings(-seen.height, 0.0), _crossings(seen.height, HIGH_SUN)
    stayed = anew = 0
    for run in runs_of(seen.is_off):
        rest = np.flatnonzero(resting[run.begin : run.end])
        sunset = sunsets[sunsets > run.begin + rest[0]][:1] if len(rest) else rest
        morning = mornings[mornings > sunset[0]][:1] if len(sunset) else sunset
        if not len(morning) or run.end <= sunset[0]:
            continue
        stayed += bool(run.end > morning[0])
        anew += bool(run.end <= morning[0] and not seen.volts[run.end - 1] < restart_v + NEAR_RESTART_V)
    return None if stayed == anew else stayed > anew


def prolonged(seen: Seen, resting: Flags, ended: Flags) -> Flags:
    """Return the rests until the charger gives power again, be it days later.

    `ended`: where absorption may have ended. An end at dusk looks like dusk, until the next morning brings no power.
    """
    longer, mornings = resting.copy(), _crossings(seen.height, HIGH_SUN)
    for run in runs_of(seen.is_off):
        rest = np.flatnonzero(resting[run.begin : run.end])
        if len(rest):
            longer[run.begin + rest[0] : run.end] = True
        elif ended[run.begin] and ((mornings > run.begin) & (mornings < run.end)).any():
            longer[run.begin : run.end] = True
    return longer


def _crossings(height: Floats, level: float) -> NDArray[np.intp]:
    return np.flatnonzero((height[1:] > level) & (height[:-1] <= level)) + 1
