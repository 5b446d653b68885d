"""The energy into the load up to any moment if it ran all the time: what a run takes is then a difference of two.

Takes its power from where `summary.Energy` does: the measured load power while that counts, else the bus voltage, else
the rating.
"""

from typing import NamedTuple

import numpy as np

from dumpload.core.contact import LOAD_PRESENT_W
from dumpload.core.controller import Setup
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.signals import Signal
from dumpload.study.fast.arrays import PLAIN, UNKNOWN, ArrayStretch, Floats, NumberColumn
from dumpload.study.fast.evidence import Places
from dumpload.study.replay.player import hold_s
from dumpload.study.replay.summary import Element, Part


class Taken(NamedTuple):
    """What a load takes: by where its power is known from, and for how long it is seen to draw (s)."""

    measured: Part
    by_voltage: Part
    by_rating: Part
    drawing_s: float


class Energies:
    """The energy of one load in one record."""

    def __init__(self, stretch: ArrayStretch, setup: Setup, element: Element, moments: Floats) -> None:
        """Add it up for the whole record, and at some moments (s) beforehand."""
        self._element, self._moments = element, moments
        load = _steps(stretch, setup, Signal.LOAD_POWER)
        voltage = _steps(stretch, setup, Signal.BATTERY_VOLTAGE)
        self._is_rated_only = not len(load[0]) and (not len(voltage[0]) or is_missing(element.ohm))
        if not self._is_rated_only:
            self._t = np.unique(np.concatenate(([stretch.time(0)], load[0], voltage[0])))
            rates = self._rates_of(_at(load, self._t), _at(voltage, self._t))
            self._kept = np.flatnonzero(rates.any(axis=0))
            self._rates = np.ascontiguousarray(rates[:, self._kept])
            spans = np.diff(self._t)[:, np.newaxis]
            none = np.zeros((1, len(self._kept)))
            self._sums = np.concatenate((none, np.cumsum(self._rates[:-1] * spans, axis=0)))
            self._at_moments = self._up_to(moments)

    def _rates_of(self, watts: Floats, volts: Floats) -> Floats:
        """Return for each step: measured W and s, by voltage W and s, by rating W and s, drawing s; all per s."""
        rated_w, ohm = self._element
        is_measured = ~np.isnan(watts)
        by_voltage = ~np.isnan(volts) & ~is_measured & (not is_missing(ohm))
        by_rating = ~is_measured & ~by_voltage & (not is_missing(rated_w))
        return np.stack(
            (
                np.where(is_measured, watts, 0.0),
                is_measured,
                np.where(by_voltage, volts * volts / (1.0 if is_missing(ohm) else ohm), 0.0),
                by_voltage,
                np.where(by_rating, rated_w, 0.0),
                by_rating,
                is_measured & (watts > LOAD_PRESENT_W),
            ),
            axis=1,
        )

    def taken(self, t: Floats, places: Places, on_time_s: float) -> Taken:
        """Return what the load takes in runs that begin and end in turn at those times (s).

        `places`: the first of the moments that is not before; there is one.
        """
        rated_w = self._element.rated_w
        if self._is_rated_only:
            is_rated = not is_missing(rated_w) and on_time_s > 0.0
            return Taken(Part(), Part(), Part().plus(rated_w, on_time_s) if is_rated else Part(), 0.0)
        up_to = self._at_moments.take(places, axis=0)
        others = np.flatnonzero(self._moments.take(places) != t)
        if len(others):
            up_to[others] = self._up_to(t[others])
        sums = np.zeros(7)
        sums[self._kept] = (up_to[1::2] - up_to[0::2]).sum(axis=0)
        measured, by_voltage, by_rating = (Part(sums[at].item() / 3600.0, sums[at + 1].item()) for at in (0, 2, 4))
        return Taken(measured, by_voltage, by_rating, sums[6].item())

    def _up_to(self, t: Floats) -> Floats:
        place = self._t.searchsorted(t, "right") - 1
        past = (t - self._t[place])[:, np.newaxis]
        return np.asarray(self._sums.take(place, axis=0) + self._rates.take(place, axis=0) * past)


def _steps(stretch: ArrayStretch, setup: Setup, signal: Signal) -> tuple[Floats, Floats]:
    """Return when the value that counts for the energy changes, and to what (NaN: none counts)."""
    column = stretch.columns.get(signal)
    if not isinstance(column, NumberColumn):
        return np.empty(0), np.empty(0)
    t, values = stretch.moments, column.samples
    if column.codes is not None:
        said = (column.codes == PLAIN) | (column.codes == UNKNOWN)
        t, values = t[said], values[said]
    if not len(t):
        return t, values
    ends = np.where(np.isnan(values), np.inf, t + hold_s(setup.max_age_s, signal))
    is_over = ends < np.append(t[1:], np.inf)
    order = np.argsort(np.concatenate((np.arange(len(t)), np.flatnonzero(is_over) + 0.5)), kind="stable")
    times = np.concatenate((t, ends[is_over]))
    steps = np.concatenate((values, np.full(int(is_over.sum()), MISSING)))
    return times[order], steps[order]


def _at(steps: tuple[Floats, Floats], t: Floats) -> Floats:
    """Return the value that counts at each time; NaN where none does."""
    times, values = steps
    if not len(times):
        return np.full(len(t), MISSING)
    place = times.searchsorted(t, "right") - 1
    return np.where(place >= 0, values[place], MISSING)
