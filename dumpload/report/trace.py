"""The course of a quantity over a long time: its least and its largest value in every quarter of an hour.

Whatever is drawn from it shows the extremes as they were: columns of a picture only put quarters together.
"""

import math
from itertools import pairwise, repeat
from typing import NamedTuple

from dumpload.core.freshness import MISSING, is_missing

# Every time zone is whole quarters of an hour from UTC, so a quarter lies in one local hour.
QUARTER_S = 900.0


class Extremes(NamedTuple):
    """The least and the largest value; NaN if there is none."""

    low: float
    high: float

    def merge(self, other: "Extremes") -> "Extremes":
        """Return the extremes of both."""
        if is_missing(self.low):
            return other
        return self if is_missing(other.low) else Extremes(min(self.low, other.low), max(self.high, other.high))


NOTHING = Extremes(MISSING, MISSING)
_EMPTY = Extremes(math.inf, -math.inf)


class MinMaxTrace:
    """Holds at most four pairs of numbers an hour, whatever comes."""

    def __init__(self) -> None:
        self._quarters: dict[int, Extremes] = {}

    def add(self, wall: float, value: float) -> None:
        """Take a value of the Unix time `wall` (s)."""
        quarter = int(wall // QUARTER_S)
        before = self._quarters.get(quarter, NOTHING)
        if not before.low <= value <= before.high:
            self._quarters[quarter] = before.merge(Extremes(value, value))

    def hold(self, begin: float, end: float, value: float) -> None:
        """Take a value that went on from `begin` to `end` (Unix s)."""
        wall = begin
        while wall <= max(begin, end):
            self.add(wall, value)
            wall = (wall // QUARTER_S + 1) * QUARTER_S

    def columns(self, begin: float, end: float, count: int) -> list[Extremes]:
        """Return the extremes of equal parts of the time from `begin` to `end` (Unix s).

        A quarter belongs to the part in which it begins; the one in which `begin` lies to the first. Where parts are
        shorter than that, each has what the quarter has in which the part begins.
        """
        each_s, first = (end - begin) / count, int(begin // QUARTER_S)
        if 0 < each_s < QUARTER_S:
            return [self._quarters.get(int((begin + index * each_s) // QUARTER_S), NOTHING) for index in range(count)]
        edges = [first, *(math.ceil((begin + index * each_s) / QUARTER_S) for index in range(1, count))]
        edges.append(max(first + 1, math.ceil(end / QUARTER_S)))
        lows, highs = zip(*map(self._quarters.get, range(first, edges[-1]), repeat(_EMPTY)), strict=True)
        columns = []
        for since, until in pairwise(edge - first for edge in edges):
            low = min(lows[since:until], default=math.inf)
            columns.append(NOTHING if low == math.inf else Extremes(low, max(highs[since:until])))
        return columns

    def extremes(self, begin: float, end: float) -> Extremes:
        """Return the extremes from `begin` to `end` (Unix s), to the quarter of an hour."""
        return self.columns(begin, end, 1)[0]
