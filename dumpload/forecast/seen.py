"""What a record shows of the solar charger, and the limits by which its voltages and powers are read."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dumpload.forecast.evidence import Flags, Floats

# Common practice, no source: per cell (V). A bank of LiFePO4 rests below the first; set points are above it.
HIGHEST_REST_CELL_V, LOWEST_ABSORPTION_CELL_V = 3.356, 3.40
# Tolerance of a held set point, and largest change per entry of a steady voltage (V).
HELD_V, STEADY_V = 0.03, 0.011
# Sun high enough that missing power is noticed (sine of 8 degrees).
SUN_HEIGHT = 0.139
# Sun so high (15 degrees) that even a dark cloud passes more power than the house takes.
HIGH_SUN = 0.26
# Power (W) beyond twice the house that only a charger supplies, and solar power of one that is off.
GIVING_W, OFF_W = 50.0, 8.0


class Seen(NamedTuple):
    """Evidence about the charger, on the grid of the record; `net_w`: power into bank and load together.

    `solar_w`: None where it is not measured. `house_w`: what the house takes by night. `capacity_ah`, `plate_v`,
    `plate_float_v`, `plate_restart_v` (NaN: not known), `plate_daily` (begins anew every morning): by their plates.
    """

    step_s: float
    volts: Floats
    amps: Floats
    net_w: Floats
    solar_w: Floats | None
    height: Floats
    house_w: float
    cells: int
    capacity_ah: float
    plate_v: float
    plate_float_v: float = math.nan
    plate_restart_v: float = math.nan
    plate_daily: bool = True

    @property
    def noise_v(self) -> float:
        """Jitter of the measured voltage: its usual change from entry to entry by night."""
        moved = np.abs(np.diff(self.volts))[self.height[1:] < -0.1]
        moved = moved[np.isfinite(moved)]
        return float(np.median(moved)) if len(moved) else 0.0

    @property
    def held_v(self) -> float:
        """Tolerance within which a voltage counts as held at a set point."""
        return max(HELD_V, 3.5 * self.noise_v)

    @property
    def steady_v(self) -> float:
        """Largest change of a steady voltage from entry to entry."""
        return max(STEADY_V, 2.5 * self.noise_v)

    @property
    def is_sunny(self) -> Flags:
        """Where the sun is high enough to charge."""
        return np.asarray(self.height > SUN_HEIGHT, np.bool_)

    @property
    def is_unfed(self) -> Flags:
        """Where bank and load get less than the house takes, as by night."""
        return np.asarray(self.net_w < 0.3 * self.house_w, np.bool_)

    @property
    def is_off(self) -> Flags:
        """Where the charger gives nothing, by its own power or else by that of bank and load."""
        return self.is_unfed if self.solar_w is None else self.solar_w < OFF_W

    @property
    def is_giving(self) -> Flags:
        """Where the charger gives power beyond doubt."""
        return np.asarray(self.net_w > 2.0 * self.house_w + GIVING_W, np.bool_)


def crossings(height: Floats, level: float) -> NDArray[np.intp]:
    """Return the entries in which the sun rises above a level; the negative height sets."""
    return np.flatnonzero((height[1:] > level) & (height[:-1] <= level)) + 1


def since(mark: Flags, height: Floats) -> Flags:
    """Return where a mark has been set since sunrise."""
    number = np.arange(len(mark))
    last_mark = np.maximum.accumulate(np.where(mark, number, -1))
    risen = crossings(height, 0.0)
    last_rise = np.zeros(len(mark), np.int64)
    last_rise[risen] = risen
    return last_mark >= np.maximum.accumulate(last_rise)
