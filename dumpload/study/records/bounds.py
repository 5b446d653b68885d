"""Bounds of values: a band within which they may lie, and the extremes that they had. Knows no signal and no time."""

import math
from typing import NamedTuple

from dumpload.core.freshness import MISSING, is_missing


class Band(NamedTuple):
    """Values from `low` (inclusive) to `high` (exclusive), in the signal's base unit."""

    low: float
    high: float


ALL = Band(-math.inf, math.inf)
"""No value of this signal decides anything, nor does its absence."""

NONE = Band(math.inf, -math.inf)
"""Every sample of this signal must be evaluated."""


class Extremes(NamedTuple):
    """The least and the largest value; NaN if there is none."""

    low: float
    high: float

    def with_(self, other: "Extremes") -> "Extremes":
        """Return the extremes of both."""
        if is_missing(self.low):
            return other
        return self if is_missing(other.low) else Extremes(min(self.low, other.low), max(self.high, other.high))


NOTHING = Extremes(MISSING, MISSING)
