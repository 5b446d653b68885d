"""The course of a quantity over a long time: its least and its largest value in every quarter of an hour.

Whatever is drawn from it shows the extremes as they were: columns of a picture only put quarters together.
"""

import math
from itertools import pairwise, repeat
from typing import NamedTuple

from dumpload.core.freshness import MISSING

# Every time zone is whole quarters of an hour from UTC, so a quarter lies in one local hour.
QUARTER_S = 900.0


class Extremes(NamedTuple):
    """The least and the largest value; NaN if there is none."""

    low: float
    high: float

    @property
    def are_known(self) -> bool:
        """Whether there was a value."""
        return self.low <= self.high  # no comparison with NaN is true

    def merge(self, other: "Extremes") -> "Extremes":
        """Return the extremes of both."""
        if not self.are_known:
            return other
        return Extremes(min(self.low, other.low), max(self.high, other.high)) if other.are_known else self

    def in_percent_of(self, top: float) -> "Extremes":
        """Return them as percentages of an axis from 0 to `top`."""
        if not self.are_known:
            return self
        return Extremes(*(min(100.0, max(0.0, value * 100 / top)) for value in self))

    def from_nothing(self) -> "Extremes":
        """Return them with 0 as the lower one."""
        return Extremes(0.0, self.high) if self.are_known else self


NOTHING = Extremes(MISSING, MISSING)
_EMPTY = Extremes(math.inf, -math.inf)


class MinMaxTrace:
    """Holds a pair of numbers for every quarter of an hour, or what `each_s` says, whatever comes."""

    def __init__(self, each_s: float = QUARTER_S) -> None:
        self._each_s = each_s
        self._quarters: dict[int, Extremes] = {}

    def add(self, wall: float, value: float) -> None:
        """Take a value of the Unix time `wall` (s)."""
        quarter = int(wall // self._each_s)
        before = self._quarters.get(quarter, NOTHING)
        if not before.low <= value <= before.high:
            self._quarters[quarter] = before.merge(Extremes(value, value))

    def hold(self, begin: float, end: float, value: float) -> None:
        """Record a value that held from `begin` to `end` (Unix s)."""
        wall = begin
        while wall <= max(begin, end):
            self.add(wall, value)
            wall = (wall // self._each_s + 1) * self._each_s

    def merge(self, other: "MinMaxTrace") -> None:
        """Take all that another trace with parts of the same length has."""
        for quarter, extremes in other._quarters.items():  # noqa: SLF001  (of our own class)
            self._quarters[quarter] = self._quarters.get(quarter, NOTHING).merge(extremes)

    def columns(self, begin: float, end: float, count: int) -> list[Extremes]:
        """Return the extremes of equal parts of the time from `begin` to `end` (Unix s).

        A quarter belongs to the part in which it begins; the one in which `begin` lies to the first. Where parts are
        shorter than that, each has what the quarter has in which the part begins.
        """
        each_s, first = (end - begin) / count, int(begin // self._each_s)
        if 0 < each_s < self._each_s:
            places = (int((begin + index * each_s) // self._each_s) for index in range(count))
            return [self._quarters.get(place, NOTHING) for place in places]
        edges = [first, *(math.ceil((begin + index * each_s) / self._each_s) for index in range(1, count))]
        edges.append(max(first + 1, math.ceil(end / self._each_s)))
        lows, highs = zip(*map(self._quarters.get, range(first, edges[-1]), repeat(_EMPTY)), strict=True)
        columns = []
        for since, until in pairwise(edge - first for edge in edges):
            low = min(lows[since:until], default=math.inf)
            columns.append(NOTHING if low == math.inf else Extremes(low, max(highs[since:until])))
        return columns

    def extremes(self, begin: float, end: float) -> Extremes:
        """Return the extremes from `begin` to `end` (Unix s), to the quarter of an hour, or what `each_s` says."""
        first = int(begin // self._each_s)
        last = first + 1 if end - begin < self._each_s else math.ceil(end / self._each_s)
        # Not every quarter of decades in which there were few is looked at.
        if last - first > len(self._quarters):
            quarters = [extremes for quarter, extremes in self._quarters.items() if first <= quarter < last]
        else:
            quarters = [self._quarters[quarter] for quarter in range(first, last) if quarter in self._quarters]
        if not quarters:
            return NOTHING
        return Extremes(min(quarter.low for quarter in quarters), max(quarter.high for quarter in quarters))
