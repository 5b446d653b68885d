"""Plays one record under many settings: as `replay` would one by one, but what they share is found once.

A setting whose replay depends on more than crossings (an on-time limit, the contact judged, thresholds out of order) is
played in full by the plain player. Holds the record in memory.
"""

from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import cycle
from typing import NamedTuple, overload

import numpy as np

from dumpload.core.controller import Setup
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.signals import Signal
from dumpload.study.fast.arrays import REJECTED, UNKNOWN, ArrayStretch, Floats, NumberColumn
from dumpload.study.fast.crossings import Runs, find_moves
from dumpload.study.fast.energies import Energies
from dumpload.study.fast.evidence import Evidence, Places, gather, lost_s, trace
from dumpload.study.fast.stepping import Moves
from dumpload.study.fast.whole import whole
from dumpload.study.records.items import Stretch
from dumpload.study.records.record import Account, Record, RecordError
from dumpload.study.replay.passing import Passing
from dumpload.study.replay.player import Plan, Player
from dumpload.study.replay.replay import Result
from dumpload.study.replay.summary import Change, Element, Summary

MOST_ROWS = 3_000_000
"""A longer record is not held in memory."""

SOC = Signal.STATE_OF_CHARGE
_CAUSES = tuple(Cause)


class Outcome(NamedTuple):
    """What came of one setting."""

    samples: int
    accepted: int
    rejected: int
    changes: Sequence[Change]
    summary: Summary


class Changes(Sequence[Change]):
    """The changes of the relay, made up when they are looked at."""

    def __init__(self, moves: Moves, charges: Floats) -> None:
        """Keep the moves, and the charge (percent) at each."""
        self._moves = moves
        self._charges = charges

    @cached_property
    def _all(self) -> list[Change]:
        causes = map(_CAUSES.__getitem__, self._moves.causes.tolist())
        positions = cycle((Position.ON, Position.OFF))
        return list(
            map(Change._make, zip(self._moves.t.tolist(), positions, causes, self._charges.tolist(), strict=False))
        )

    def __len__(self) -> int:
        return len(self._moves.t)

    @overload
    def __getitem__(self, index: int) -> Change: ...
    @overload
    def __getitem__(self, index: slice) -> list[Change]: ...
    def __getitem__(self, index: int | slice) -> Change | list[Change]:
        return self._all[index]

    def __iter__(self) -> Iterator[Change]:
        return iter(self._all)


class _Lowest:
    """The least of any run of ranks, from the least of every 1, 2, 4, 8 ... ranks in a row."""

    def __init__(self, evidence: Evidence) -> None:
        level = evidence.ranks
        levels = [level]
        while 2 ** len(levels) <= len(level):
            half = 2 ** (len(levels) - 1)
            wider = levels[-1].copy()
            np.minimum(wider[:-half], levels[-1][half:], out=wider[:-half])
            levels.append(wider)
        self._levels = np.stack(levels)

    def of(self, begins: Places, ends: Places) -> int:
        """Return the least rank in any of the runs."""
        level = np.frexp(ends - begins)[1] - 1
        first, last = self._levels[level, begins], self._levels[level, ends - (1 << level)]
        return int(min(first.min(), last.min()))


class _Shared:
    """What settings of the same ages and permissives share."""

    def __init__(self, stretch: ArrayStretch, setup: Setup, evidence: Evidence) -> None:
        self.counts = _counts(stretch, setup)
        self.data_lost_s = lost_s(evidence, stretch.time(0), stretch.time(stretch.rows - 1))
        self.evidence = evidence
        self.runs = Runs(evidence.ranks)
        self.lowest = _Lowest(evidence)
        self._stretch, self._setup = stretch, setup
        self._moments = np.append(evidence.t, stretch.time(stretch.rows - 1))
        self._energies: dict[object, Energies] = {}

    def energies(self, element: Element) -> Energies:
        """Return the energies of a load."""
        key = repr(element)  # a rating that is missing is equal to no other
        if key not in self._energies:
            self._energies[key] = Energies(self._stretch, self._setup, element, self._moments)
        return self._energies[key]


class Sweep:
    """One record, for any number of settings."""

    def __init__(self, stretch: ArrayStretch) -> None:
        """Keep the record."""
        self._stretch = stretch
        self._began, self._ended = stretch.time(0), stretch.time(stretch.rows - 1)
        self._shared: dict[object, _Shared | None] = {}

    def play(self, plan: Plan) -> Outcome:
        """Return what `replay` would come to."""
        shared = self._find_shared(plan.setup) if is_crossings_only(plan) else None
        return self.play_in_full(plan) if shared is None else self._play(plan, shared)

    def play_in_full(self, plan: Plan) -> Outcome:
        """Return the same by the plain player."""
        player = Player(plan, self._began)
        passing = Passing(player)
        passing.play(self._stretch)
        summary, tally = passing.finish(self._ended), player.tally
        return Outcome(tally.samples, tally.accepted, tally.rejected, tally.changes, summary)

    def _find_shared(self, setup: Setup) -> _Shared | None:
        key = repr((setup.max_age_s, setup.permissives, setup.spans)), setup.zone
        if key not in self._shared:
            traced = trace(self._stretch, setup)
            evidence = gather(self._stretch, setup.max_age_s[SOC], traced)
            self._shared[key] = None if evidence is None else _Shared(self._stretch, setup, evidence)
        return self._shared[key]

    def _play(self, plan: Plan, shared: _Shared) -> Outcome:
        evidence = shared.evidence
        moves = find_moves(evidence, shared.runs, plan.setup.limits, self._began, self._ended)
        changes = Changes(moves, evidence.charges[moves.seen])
        return Outcome(*shared.counts, changes, self._summary(plan, shared, moves))

    def _summary(self, plan: Plan, shared: _Shared, moves: Moves) -> Summary:
        t, places = moves.t, moves.places
        still_on = bool(len(t) % 2)
        if still_on:
            t, places = np.append(t, self._ended), np.append(places, len(shared.evidence.t))
        ons = t[0::2]
        runs_s = t[1::2] - ons
        on_time_s = float(np.cumsum(runs_s)[-1]) if len(ons) else 0.0  # in order, as one by one
        lowest = shared.lowest.of(moves.seen[0::2], places[1::2]) if len(ons) else 0
        taken = shared.energies(plan.element).taken(t, places, on_time_s)
        parts = taken.measured, taken.by_voltage, taken.by_rating
        is_known = any(part.seconds for part in parts) or not on_time_s
        return Summary(
            span_s=self._ended - self._began,
            switch_ons=len(ons),
            on_time_s=on_time_s,
            longest_run_s=float(runs_s.max()) if len(ons) else MISSING,
            shortest_run_s=float(runs_s.min()) if len(ons) else MISSING,
            still_on=still_on,
            data_lost_s=shared.data_lost_s,
            lowest_state_of_charge_on=float(shared.evidence.known[lowest - 1]) if len(ons) else MISSING,
            energy_wh=sum(part.wh for part in parts) if is_known else MISSING,
            measured=taken.measured,
            by_voltage=taken.by_voltage,
            by_rating=taken.by_rating,
            drawing_s=taken.drawing_s,
        )


def _counts(stretch: ArrayStretch, setup: Setup) -> tuple[int, int, int]:
    """Return how many samples there are of signals with settings, how many count, and how many are rejected."""
    columns = [
        column
        for signal, column in stretch.columns.items()
        if isinstance(column, NumberColumn) and not is_missing(setup.max_age_s[signal])
    ]
    samples = sum(column.count(range(stretch.rows)) for column in columns)
    odd = [column.codes for column in columns if column.codes is not None]
    rejected = sum(int(np.count_nonzero(codes >= REJECTED)) for codes in odd)
    return samples, samples - rejected - sum(int(np.count_nonzero(codes == UNKNOWN)) for codes in odd), rejected


def is_crossings_only(plan: Plan) -> bool:
    """Return whether the relay's moves follow from crossings of the thresholds, permissives and dwells alone."""
    limits, permissives = plan.setup.limits, plan.setup.permissives
    is_limited = not (is_missing(permissives.max_on_s) and is_missing(permissives.max_on_per_day_s))
    in_order = limits.floor_percent <= limits.cut_out_percent <= limits.cut_in_percent
    return not (plan.judge_contact or is_limited) and in_order and plan.setup.max_age_s[SOC] > 0.0


def sweep(record: Record, plans: Sequence[Plan], account: Account) -> list[Result] | None:
    """Play a record under many settings; None if it is no table, or too long: it is then to be played one by one.

    Raises:
        RecordError: it cannot be read, or has no rows.
    """
    stretches: list[Stretch] = []
    rows = 0
    for item in record.read(account):
        rows += item.rows if isinstance(item, Stretch) else MOST_ROWS + 1
        if rows > MOST_ROWS or not isinstance(item, Stretch):
            return None
        stretches.append(item)
    everything = whole(stretches)
    if everything is None:
        raise RecordError.of(account.bad[0]) if account.bad else RecordError(record.path, "at least one row")
    played = Sweep(everything)
    ends = everything.ends.wall, everything.ends.end_wall
    return [_result(record, ends, played.play(plan), account) for plan in plans]


def _result(record: Record, ends: tuple[float, float], one: Outcome, account: Account) -> Result:
    return Result(record.path, record.kind, *ends, *one[:3], one.changes, one.summary, account)
