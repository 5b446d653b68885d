"""Collects what a report shows beside the relay's changes: the charge, the times without it, the energy at midnights.

Watches a replay (`replayer.Observer`), or is filled from what a history says was done (`recorded.py`).
"""

import math
from collections.abc import Sequence
from datetime import tzinfo
from typing import NamedTuple

from dumpload.core.law import Selector
from dumpload.core.signals import Signal
from dumpload.replay.heat_sources import HeatSources
from dumpload.replay.replay import heat_of
from dumpload.replay.replayer import SHOWN_SIGNALS
from dumpload.replay.totals import Totals
from dumpload.report.local_time import Span, next_midnight
from dumpload.report.trace import MinMaxTrace


class Incident(NamedTuple):
    """Something beside the relay's changes that a person may want to know of: Unix s, and words."""

    wall: float
    text: str


class DayLog:
    """The log of one replay, or of one period of a history. All times in Unix s.

    `charge`: the course of the state of charge. `lost`: when there was none. `energy_at`: the energy so far (Wh), by
    midnight; `heat_at`: the same by its sources. `shown`: the course of what a day's picture has beside the charge.
    `selected`: when a person moved the selector, and where to. `incidents`: what else happened, in order of time; a
    replay has none. `midnight`: the next one.
    """

    def __init__(self, zone: tzinfo) -> None:
        self.charge = MinMaxTrace()
        self.lost: list[Span] = []
        self.energy_at: dict[float, float] = {}
        self.heat_at: dict[float, HeatSources] = {}
        self.shown = {signal: MinMaxTrace() for signal in SHOWN_SIGNALS}
        self.selected: list[tuple[float, Selector]] = []
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
            self.heat_at[self.midnight] = heat_of(self._totals) or HeatSources()
        self.midnight = next_midnight(self.midnight, self._zone)

    def lose(self, begin: float, end: float) -> None:
        """Write down that the state of charge was not known from `begin` to `end`."""
        self.lost.append(Span(begin, end))

    def hold(self, begin: float, end: float, percent: float) -> None:
        """Write down a state of charge that went on arriving from `begin` to `end`."""
        self.charge.hold(begin, end, percent)

    def measure(self, signal: Signal, begin: float, end: float, value: float) -> None:
        """Write down one of `SHOWN_SIGNALS` that went on arriving from `begin` to `end`."""
        self.shown[signal].hold(begin, end, value)

    def select(self, wall: float, selector: Selector) -> None:
        """Write down that the selector was moved."""
        self.selected.append((wall, selector))
