"""What the law would be shown in the course of a record, whatever its thresholds: one row per moment that matters.

A moment is a state of charge that arrives, one that is lost, or a permissive that begins or ceases to hold. Found once
per record, ages and permissives; when a permissive holds, the daemon's own controller says (`trace`).
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dumpload.core.controller import Event, Kind, Setup
from dumpload.core.freshness import MISSING
from dumpload.core.law import Cause, Inputs, Limits, Selector
from dumpload.core.permissive import NO_LIMITS
from dumpload.core.signals import QUANTITIES, Signal
from dumpload.study.fast.arrays import PLAIN, UNKNOWN, ArrayStretch, Floats, Mask, NumberColumn
from dumpload.study.records.items import Moment
from dumpload.study.replay.passing import Passing
from dumpload.study.replay.player import Plan, Player
from dumpload.study.replay.summary import Element

SOC = Signal.STATE_OF_CHARGE
Places = NDArray[np.intp]
Ranks = NDArray[np.uint16] | NDArray[np.uint32]

_LOOKED_AT = (Signal.BATTERY_VOLTAGE, Signal.TANK_TEMPERATURE, Signal.BATTERY_POWER)
_TOP = QUANTITIES[SOC].high
_NEVER_ON = Limits(_TOP + 2.0, _TOP + 1.0, QUANTITIES[SOC].low - 1.0, 0.0, 0.0, 0.0)
"""No charge reaches the cut-in; all are above the floor."""


class Traced(NamedTuple):
    """From when on (s) which permissive is the first that does not hold."""

    times: Floats
    causes: NDArray[np.uint8]


class _Tracing(Player):
    """Notes at every evaluation which permissive does not hold."""

    def __init__(self, plan: Plan, t: float) -> None:
        super().__init__(plan, t)
        self.noted: list[tuple[float, Cause]] = [(-np.inf, Cause.NONE)]

    def _handle(self, event: Event) -> bool:
        accepted = super()._handle(event)
        cause = self.controller.permitted.cause
        if cause != self.noted[-1][1]:
            self.noted.append((event.t, cause))
        return accepted


def trace(stretch: ArrayStretch, setup: Setup) -> Traced:
    """Play what the permissives look at, with a load that never runs."""
    signals = _LOOKED_AT if setup.permissives != NO_LIMITS else ()
    columns = {signal: column for signal, column in stretch.columns.items() if signal in signals}
    first, last = stretch.time(0), stretch.time(stretch.rows - 1)
    player = _Tracing(Plan(setup._replace(limits=_NEVER_ON), Element()), first)
    player.play(Moment(first, [Event(first, first, Kind.DOUBT)]))  # so that everything is looked at from the start
    passing = Passing(player)
    if columns:
        passing.play(ArrayStretch(stretch.moments, columns))
    passing.finish(last)
    times, causes = zip(*player.noted, strict=True)
    return Traced(np.array(times), np.array(causes, np.uint8))


class Shown:
    """What the law is shown at each moment, made up where it is asked."""

    def __init__(self, t: Floats, charges: Floats, is_sample: Mask, causes: NDArray[np.uint8]) -> None:
        """Keep the moments."""
        self._arrays = t, charges, is_sample, causes
        self._known: dict[int, Inputs] = {}

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self._arrays[0])

    def __getitem__(self, place: int) -> Inputs:
        """Return what is shown at one of them."""
        found = self._known.get(place)
        if found is None:
            t, charge, is_sample, cause = (array[place].item() for array in self._arrays)
            found = Inputs(t, charge, is_sample, True, Selector.AUTO, False, Cause(cause))
            self._known[place] = found
        return found


class Evidence(NamedTuple):
    """The moments in order. `t`: s; `charges`: percent, NaN where there is none; `is_sample`: it arrives then.

    `ranks`: of the charge among the `known` different ones, from 1; 0 is none. `causes`: the first permissive that
    does not hold; `permitted`: from where to where (exclusive) all hold, None if always. `next_sample`: the first
    moment from each on at which a charge arrives; None if that is every moment's own.
    """

    t: Floats
    charges: Floats
    is_sample: Mask
    ranks: Ranks
    known: Floats
    causes: NDArray[np.uint8]
    permitted: tuple[Places, Places] | None
    next_sample: Places | None
    shown: Shown

    def rank(self, percent: float) -> int:
        """Return the least rank of a charge that is at or above a threshold."""
        return int(self.known.searchsorted(percent)) + 1


def gather(stretch: ArrayStretch, max_age_s: float, traced: Traced) -> Evidence | None:
    """Return the evidence of a record; None where the order of what happens at one moment would matter."""
    column = stretch.columns[SOC]
    assert isinstance(column, NumberColumn)  # noqa: S101  (a stretch of arrays has no other)
    moments = stretch.moments
    if bool((moments[1:] == moments[:-1]).any()):
        return None
    t, charges, is_sample = _arrivals(moments, column, max_age_s)
    if len(traced.times) > 1 and len(t):
        t, charges, is_sample = _with_others(t, charges, is_sample, traced.times[1:])
    causes = traced.causes[traced.times.searchsorted(t, "right") - 1]
    return evidence_of(t, charges, is_sample, causes)


def evidence_of(t: Floats, charges: Floats, is_sample: Mask, causes: NDArray[np.uint8]) -> Evidence:
    """Return the evidence that moments in order amount to."""
    known = np.unique(charges[is_sample])
    ranks = np.where(np.isnan(charges), 0, known.searchsorted(charges) + 1)
    small: Ranks = ranks.astype(np.uint16) if len(known) < np.iinfo(np.uint16).max else ranks.astype(np.uint32)
    permitted = _runs(causes == Cause.NONE) if causes.any() else None
    shown = Shown(t, charges, is_sample, causes)
    return Evidence(t, charges, is_sample, small, known, causes, permitted, _next_sample(is_sample), shown)


def _arrivals(moments: Floats, column: NumberColumn, max_age_s: float) -> tuple[Floats, Floats, Mask]:
    """Return when charges arrive and are lost."""
    said = np.arange(len(moments))
    if column.codes is not None:
        said = np.flatnonzero((column.codes == PLAIN) | (column.codes == UNKNOWN))
    t, charges = moments[said], column.samples[said]
    is_sample = ~np.isnan(charges)
    expires = np.where(is_sample, t + max_age_s, np.inf)
    after = np.append(t[1:], np.inf)
    is_lost = (expires < after) & (expires <= moments[-1])
    kept = is_sample | ~np.concatenate(([True], is_lost[:-1] | ~is_sample[:-1]))  # what is lost is not lost again
    lost = np.flatnonzero(is_lost)
    order = np.argsort(np.concatenate((np.flatnonzero(kept), lost + 0.5)), kind="stable")
    none = np.full(len(lost), MISSING)
    return (
        np.concatenate((t[kept], expires[lost]))[order],
        np.concatenate((charges[kept], none))[order],
        np.concatenate((is_sample[kept], np.zeros(len(lost), np.bool_)))[order],
    )


def _with_others(t: Floats, charges: Floats, is_sample: Mask, others: Floats) -> tuple[Floats, Floats, Mask]:
    """Return the moments with others put in between, at which the charge is what it was."""
    places = t.searchsorted(others)
    is_new = (places > 0) & (t[np.minimum(places, len(t) - 1)] != others)
    places, others = places[is_new], others[is_new]
    return (
        np.insert(t, places, others),
        np.insert(charges, places, charges[places - 1]),
        np.insert(is_sample, places, np.zeros(len(places), np.bool_)),
    )


def lost_s(evidence: Evidence, began: float, ended: float) -> float:
    """Return for how long there is no charge, in a record that begins and ends then (s)."""
    begins, ends = _runs(np.isnan(evidence.charges))
    first = evidence.t[0] if len(evidence.t) else ended
    until = np.append(evidence.t, ended)[ends]
    return float(np.cumsum(np.concatenate(([first - began], until - evidence.t[begins])))[-1])  # in order, one by one


def _next_sample(is_sample: Mask) -> Places | None:
    if is_sample.all():
        return None
    places = np.where(is_sample, np.arange(len(is_sample)), len(is_sample))
    return np.append(np.minimum.accumulate(places[::-1])[::-1], len(is_sample))


def _runs(holds: Mask) -> tuple[Places, Places]:
    """Return where each run of true begins and ends (exclusive)."""
    edges = np.flatnonzero(holds[1:] != holds[:-1]) + 1
    if len(holds) and holds[0]:
        edges = np.concatenate(([0], edges))
    if len(holds) and holds[-1]:
        edges = np.append(edges, len(holds))
    return edges[0::2], edges[1::2]
