"""Where the relay would move under some limits: crossings of the thresholds are found by search, all at once.

Between two crossings, and at a crossing that no dwell holds back, there is nothing to decide. From the first one that a
dwell does hold back the law itself is asked, moment by moment, until the relay is where it would be without the dwell.
Must never decide by itself what the law would have to.
"""

import numpy as np
from numpy.typing import NDArray

from dumpload.core.law import Cause, Limits
from dumpload.study.fast.evidence import Evidence, Places, Ranks
from dumpload.study.fast.stepping import Edges, Moves, Stepping, Wanted

_BLOCK = 64
"""So many moments are looked at together, if any of them could be a crossing."""

_KEPT = 2_000_000
"""So many runs are kept in mind, of thresholds that may be asked for again."""


class Runs:
    """The runs of the charge at or above any threshold; those of some thresholds are kept in mind."""

    def __init__(self, ranks: Ranks) -> None:
        """Take the ranks of the charges; none is above 0 before the first and after the last."""
        blocks = len(ranks) // _BLOCK + 1
        around = np.zeros(blocks * _BLOCK + 1, ranks.dtype)
        around[1 : len(ranks) + 1] = ranks
        self._before = around[:-1].reshape(blocks, _BLOCK)
        self._ranks = around[1:].reshape(blocks, _BLOCK)
        self._least = np.minimum(self._before.min(axis=1), self._ranks.min(axis=1))
        self._most = np.maximum(self._before.max(axis=1), self._ranks.max(axis=1))
        self._known: dict[int, tuple[Places, Places]] = {}
        self._kept = 0

    def at_least(self, rank: int) -> tuple[Places, Places]:
        """Return where each run at or above a rank begins and ends (exclusive)."""
        found = self._known.get(rank)
        if found is None:
            found = self._find(rank)
            self._kept += len(found[0])
            if self._kept > _KEPT:
                self._known.clear()
                self._kept = len(found[0])
            self._known[rank] = found
        return found

    def _find(self, rank: int) -> tuple[Places, Places]:
        """Look only where the charge is now above and now below."""
        least = self._ranks.dtype.type(rank)  # of their own type, or all would be converted
        blocks = np.flatnonzero((self._least < least) & (self._most >= least))
        crossed = (self._ranks[blocks] >= least) != (self._before[blocks] >= least)
        places = np.flatnonzero(crossed)
        edges = blocks[places // _BLOCK] * _BLOCK + places % _BLOCK
        return edges[0::2], edges[1::2]


def want(evidence: Evidence, runs: Runs, limits: Limits) -> Wanted:
    """Return when the load may run, for all the dwells."""
    begins, ends = above = runs.at_least(evidence.rank(limits.cut_in_percent))
    if limits.confirm_s > 0.0:
        confirmed = np.maximum(begins, evidence.t.searchsorted(evidence.t[begins] + limits.confirm_s))
        if evidence.next_sample is not None:
            confirmed = evidence.next_sample[confirmed]
        confirmed = confirmed[confirmed < ends]
    else:
        confirmed = begins
    held_from, held_to = runs.at_least(evidence.rank(limits.cut_out_percent))
    within = held_from.searchsorted(confirmed, "right") - 1
    is_first = np.ones(len(within), np.bool_)
    np.not_equal(within[1:], within[:-1], out=is_first[1:])
    ons, offs = confirmed[is_first], held_to[within[is_first]]
    return Wanted(above, (ons, offs), _edges(evidence, ons, offs))


def _edges(evidence: Evidence, ons: Places, offs: Places) -> Places:
    """Return where latch and permissives together begin and end."""
    if evidence.permitted is not None:
        begins, ends = evidence.permitted
        starts = np.concatenate((ons[_is_within(begins, ends, ons)], begins[_is_inside(ons, offs, begins)]))
        stops = np.concatenate((offs[_is_within(begins, ends, offs - 1)], ends[_is_inside(ons, offs, ends)]))
        starts.sort()
        stops.sort()
        ons, offs = starts, stops
    edges = np.empty(2 * len(ons), np.intp)
    edges[0::2], edges[1::2] = ons, offs
    return edges


def _is_within(begins: Places, ends: Places, places: Places) -> NDArray[np.bool_]:
    """Return which places lie in a run."""
    run = begins.searchsorted(places, "right") - 1
    return (run >= 0) & (places < ends[run]) if len(ends) else np.zeros(len(places), np.bool_)


def _is_inside(begins: Places, ends: Places, places: Places) -> NDArray[np.bool_]:
    """Return which places lie in a run, and not at its begin."""
    run = begins.searchsorted(places) - 1
    return (run >= 0) & (places < ends[run]) if len(ends) else np.zeros(len(places), np.bool_)


def find_moves(evidence: Evidence, runs: Runs, limits: Limits, began: float, ended: float) -> Moves:
    """Return the moves of the relay under some limits, in a record that begins and ends then (s)."""
    wanted = want(evidence, runs, limits)
    places = wanted.edges
    places = places[:-1] if len(places) and places[-1] == len(evidence.t) else places
    edges = Edges(places, evidence.t[places], _causes(evidence, limits, places))
    held = _held(limits, edges, began)
    if not len(held):
        return Moves(edges.t, edges.places, edges.places, edges.causes)
    floor = runs.at_least(evidence.rank(limits.floor_percent))
    return Stepping(evidence, limits, wanted, edges, floor).moves(held, began, ended)


def _causes(evidence: Evidence, limits: Limits, edges: Places) -> NDArray[np.uint8]:
    """Return why the relay moves at each edge, if it does."""
    causes = np.full(len(edges), Cause.SURPLUS, np.uint8)
    offs = edges[1::2]
    ranks, permissives = evidence.ranks[offs], evidence.causes[offs]
    causes[1::2] = np.where(permissives == Cause.NONE, np.uint8(Cause.BELOW_CUT_OUT), permissives)
    causes[1::2][ranks < evidence.rank(limits.floor_percent)] = Cause.BELOW_FLOOR
    causes[1::2][ranks == 0] = Cause.DATA_LOST
    return causes


def _held(limits: Limits, edges: Edges, began: float) -> Places:
    """Return the edges that a dwell holds back, if the relay moved at the one before."""
    t = edges.t
    held = np.zeros(len(t), np.bool_)
    if limits.min_off_s > 0.0 and len(t):
        held[0::2] = t[0::2] < np.concatenate(([began], t[1:-1:2])) + limits.min_off_s
    if limits.min_on_s > 0.0:
        is_early = t[1::2] < t[0 : len(t) - 1 : 2] + limits.min_on_s
        held[1::2] = is_early & (edges.causes[1::2] == Cause.BELOW_CUT_OUT)
    return np.flatnonzero(held)
