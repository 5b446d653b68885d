"""Collects what a report shows beside the relay's changes: the charge, the times without it, the energy at midnights.

Watches a replay (`replayer.Observer`), or is filled from what a history says was done (`recorded.py`).
"""

import math
from collections.abc import Sequence
from datetime import tzinfo
from typing import NamedTuple

from dumpload.replay.totals import Totals
from dumpload.report.local_time import Span, next_midnight
from dumpload.report.trace import MinMaxTrace


class Incident(NamedTuple):
    """Something beside the relay's changes that a person may want to know of: Unix s, and words."""

    wall: float
    words: str


class DayLog:
    """The log of one replay, or of one period of a history. All times in Unix s.

    `charge`: the course of the state of charge. `lost`: when there was none. `energy_at`: the energy so far (Wh), by
    midnight. `incidents`: what else happened, in order of time; a replay has none. `midnight`: the next one.
    """

    def __init__(self, zone: tzinfo) -> None:
        self.charge = MinMaxTrace()
        self.lost: list[Span] = []
        self.energy_at: dict[float, float] = {}
        self.incidents: Sequence[Incident] = ()
        self.midnight = math.inf
        self._zone = zone
        self._totals: Totals | None = None

    def begin(self, totals: Totals, wall: float) -> None:
        """Take note of what these totals count, from then on."""
        self._totals = totals
        self.midnight = next_midnight(wall, self._zone)

    def pass_midnight(self, t: float) -> None:
        """Write down the energy at `midnight`, which is `t` (s) on the record's own clock."""
        if self._totals is not None:
            self._totals.energy.advance(t)
            self.energy_at[self.midnight] = self._totals.energy.wh
        self.midnight = next_midnight(self.midnight, self._zone)

    def lose(self, begin: float, end: float) -> None:
        """Write down that the state of charge was not known from `begin` to `end`."""
        self.lost.append(Span(begin, end))

    def hold(self, begin: float, end: float, percent: float) -> None:
        """Write down a state of charge that went on arriving from `begin` to `end`."""
        self.charge.hold(begin, end, percent)
