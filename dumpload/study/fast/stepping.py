"""Asks the law itself, moment by moment, wherever a dwell holds the relay back.

Between the moments it is asked at nothing it looks at crosses a threshold, so that it would come to the same.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dumpload.core import law
from dumpload.core.freshness import MISSING
from dumpload.core.law import Cause, Inputs, Limits, Memory, Position, Selector
from dumpload.study.fast.arrays import Floats, Mask
from dumpload.study.fast.evidence import Evidence, Places

_BELOW_CUT_OUT = int(Cause.BELOW_CUT_OUT)
_AUTO = Selector.AUTO
_CAUSES = tuple(Cause)


class Edges(NamedTuple):
    """Where the relay would move if no dwell held it back, on and off in turn: moments, their times, and causes."""

    places: Places
    t: Floats
    causes: NDArray[np.uint8]


class Wanted(NamedTuple):
    """When the load may run for all the dwells.

    `above`: where each run at or above the cut-in begins and ends; `latch`: each run of the surplus latch. `edges`:
    the begins and ends in turn of those runs with every permissive too; an open end is the number of moments.
    """

    above: tuple[Places, Places]
    latch: tuple[Places, Places]
    edges: Places


class Moves(NamedTuple):
    """The relay's moves, on and off in turn. `places`: the first moment that is not before; `seen`: the last not after.

    The charge that counts is that of `seen`.
    """

    t: Floats
    places: Places
    seen: Places
    causes: NDArray[np.uint8]


class Held(NamedTuple):
    """An edge that a dwell holds back, and what the law remembers just after it.

    `number`: of the next place at which to look. `due`: when the dwell is over, `due_place` and `due_seen` where, with
    which charge (percent) and permissive. `is_short`: nothing happens until then, and no dwell holds back what follows.
    """

    edge: int
    place: int
    number: int
    surplus: bool
    above_since: float
    since: float
    due: float
    due_place: int
    due_seen: int
    charge: float
    cause: int
    is_short: bool


class Stepping:
    """The law at work under one set of limits."""

    def __init__(
        self, evidence: Evidence, limits: Limits, wanted: Wanted, edges: Edges, floor: tuple[Places, Places]
    ) -> None:
        """Take what is wanted; `floor`: the runs at or above the floor."""
        self._evidence, self._limits, self._wanted, self._edges = evidence, limits, wanted, edges
        every = [*wanted.above, *wanted.latch, *floor, *(evidence.permitted or ())]
        self._places = np.sort(np.concatenate(every), kind="stable")
        self._shown = evidence.shown
        self._moved: list[tuple[float, int, int, int]] = []

    def moves(self, held: Places, began: float, ended: float) -> Moves:
        """Return all moves, of which the law decides those from each of the edges that are held back."""
        edges, resumed = self._edges, -1
        is_plain = np.ones(len(edges.t), np.bool_)
        befores: list[int] = []
        for one in self._starts(held, began, ended):
            if one.edge > resumed:
                resumed = self._step(one, ended)
                is_plain[one.edge : resumed] = False
                befores += [one.edge] * (len(self._moved) - len(befores))
        plain = edges.places[is_plain]
        if not befores:
            return Moves(edges.t[is_plain], plain, plain, edges.causes[is_plain])
        kept_before = np.concatenate(([0], np.cumsum(is_plain)))[befores]
        t, places, seen, causes = zip(*self._moved, strict=True)
        return Moves(
            np.insert(edges.t[is_plain], kept_before, t),
            np.insert(plain, kept_before, places),
            np.insert(plain, kept_before, seen),
            np.insert(edges.causes[is_plain], kept_before, causes),
        )

    def _starts(self, held: Places, began: float, ended: float) -> Iterator[Held]:
        """Return where to begin, for each of the edges if it is come to."""
        edges, evidence, limits = self._edges, self._evidence, self._limits
        since = np.where(held > 0, edges.t[held - 1], began)
        place, is_off = edges.places[held], held % 2 == 1
        due = since + np.where(is_off, limits.min_on_s, limits.min_off_s)
        begins, is_above = _runs_at(self._wanted.above, place)
        number = self._places.searchsorted(place, "right")
        upcoming = np.append(self._places, len(evidence.t))[number]
        next_t = np.where(upcoming < len(evidence.t), evidence.t.take(upcoming, mode="clip"), np.inf)
        following = np.append(edges.t, np.inf)[held + 1]
        is_veto = np.append(edges.causes, 0)[held + 1] != _BELOW_CUT_OUT
        is_free = following >= due + np.where(is_off, limits.min_off_s, limits.min_on_s)
        seen = evidence.t.searchsorted(due, "right") - 1
        columns = (
            held,
            place,
            number,
            _runs_at(self._wanted.latch, place)[1],
            np.where(is_above, evidence.t[begins], MISSING),
            since,
            due,
            evidence.t.searchsorted(due),
            seen,
            evidence.charges[seen],
            evidence.causes[seen],
            (due < next_t) & (due <= ended) & (is_free | (is_veto & ~is_off)),
        )
        return map(Held, *(column.tolist() for column in columns))

    def _step(self, start: Held, ended: float) -> int:
        """Ask the law from an edge on; return the first edge at which it need not be asked any more."""
        place, number, edge, t = start.place, start.number, start.edge + 1, self._edges.t
        memory = Memory(start.surplus, start.above_since, Position(start.edge % 2), start.since)
        if start.is_short:
            self._ask_when_due(memory, start)
            return edge
        while not self._is_plain(memory, edge):
            has_next = number < len(self._places) and self._places[number] < len(self._shown)
            following = int(self._places[number]) if has_next else -1
            due = memory.relay_since + self._dwell_s(memory)
            if self._shown[place].t < due and (due < self._shown[following].t if has_next else due <= ended):
                memory = self._ask_at(memory, due)
                if self._is_plain(memory, edge):
                    return edge
            if not has_next:
                return len(t)
            place, number = following, int(self._places.searchsorted(following, "right"))
            memory = self._ask(memory, self._shown[place], place, place)
            while edge < len(t) and self._edges.places[edge] <= place:
                edge += 1
        return edge

    def _is_plain(self, memory: Memory, edge: int) -> bool:
        """Return whether the relay is where it is wanted, and no dwell holds it back at the next edge."""
        if memory.position != edge % 2:
            return False
        if edge == len(self._edges.t):
            return True
        if edge % 2 and self._edges.causes[edge] != _BELOW_CUT_OUT:
            return True  # a veto, which waits for no dwell
        return bool(self._edges.t[edge] >= memory.relay_since + self._dwell_s(memory))

    def _dwell_s(self, memory: Memory) -> float:
        return self._limits.min_on_s if memory.position else self._limits.min_off_s

    def _ask_when_due(self, memory: Memory, start: Held) -> None:
        """Ask the law at the end of the first dwell, with what was last seen."""
        inputs = Inputs(start.due, start.charge, False, True, _AUTO, False, _CAUSES[start.cause])
        self._ask(memory, inputs, start.due_place, start.due_seen)

    def _ask_at(self, memory: Memory, due: float) -> Memory:
        """Ask the law at the end of a dwell, with what was last seen."""
        place = int(self._evidence.t.searchsorted(due))
        seen = int(self._evidence.t.searchsorted(due, "right")) - 1
        return self._ask(memory, self._shown[seen]._replace(t=due, is_sample=False), place, seen)

    def _ask(self, memory: Memory, inputs: Inputs, place: int, seen: int) -> Memory:
        verdict = law.step(self._limits, memory, inputs)
        if verdict.memory.position != memory.position:
            self._moved.append((inputs.t, place, seen, verdict.cause))
        return verdict.memory


def _runs_at(runs: tuple[Places, Places], places: Places) -> tuple[Places, Mask]:
    """Return where the run of each place begins, and whether it is in one."""
    begins, ends = runs
    if not len(begins):
        return np.zeros(len(places), np.intp), np.zeros(len(places), np.bool_)
    number = begins.searchsorted(places, "right") - 1
    return begins[number], (number >= 0) & (places < ends[number])
