"""The whole search, from a record to proposals."""

import math
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from dumpload.config.model import Settings
from dumpload.config.to_core import controller_setup
from dumpload.core.controller import Setup
from dumpload.forecast import gates, interval
from dumpload.forecast.closed_loop import least_part_of
from dumpload.forecast.document import from_bank
from dumpload.forecast.evidence import FINEST_S, EvidenceError, Floats, gather
from dumpload.forecast.far import trips_anew
from dumpload.forecast.gates import Trust
from dumpload.forecast.model import MEMBERS, Model, build
from dumpload.forecast.repeat import repeating
from dumpload.forecast.step import compiled_sail
from dumpload.records.record import ReadLog, Record
from dumpload.tune.aims import Halves, Score, SearchLimits, halves_of, keeps_to, score
from dumpload.tune.choose import FEWEST, Choice, Pick, choose, front
from dumpload.tune.grid import Candidate, bounds_of, candidates, distance
from dumpload.tune.month import Month, Player, difference, differs, month
from dumpload.tune.play import PlayedLaws, play_all

SETTINGS = 200
# If too few proposals differ from today's settings, this many others are tried.
MOST_OTHERS = 40
# Progress (0 to 1) after reading, identification, evaluating today's settings, laying out the grid.
READ, BUILT, JUDGED, LAID_OUT = 0.04, 0.10, 0.14, 0.20
NO_EVENINGS = (
    "Hot evenings are not evaluated, because the record does not show when the water is hot. Log tank_temperature, or "
    "record days on which the thermostat opens."
)


class Proposal(NamedTuple):
    """Settings and their forecast. `more`: difference from today's settings; None: these are today's.

    `from_battery`: "low", "medium" or "high". `reasons`: the warnings.
    """

    aims: tuple[str, ...]
    settings: Settings
    month: Month
    more: Month | None
    from_battery: str
    trust: Trust
    reasons: tuple[str, ...]
    score: Score


class Tuning(NamedTuple):
    """Result of a search. `now` None: the record was refused, with the reasons of `verdict`.

    `as_good`: aims at which no other settings are surely better than today's.

    `requested`, `tried`: how many settings were to be tried, and were (fewer if interrupted). `within`: how many of
    them the record can judge and keep to the limits. `cloud`: their scores on the days that are reported on, `best`:
    which of these nothing else beats.
    """

    verdict: gates.GateResult
    now: Proposal | None = None
    proposals: tuple[Proposal, ...] = ()
    as_good: tuple[str, ...] = ()
    limits: SearchLimits = SearchLimits()
    requested: int = 0
    tried: int = 0
    within: int = 0
    whole: bool = True
    learned_days: int = 0
    reported_days: int = 0
    cloud: tuple[Score, ...] = ()
    best: tuple[int, ...] = ()
    remarks: tuple[str, ...] = ()


class Bench(NamedTuple):
    """Everything that evaluating a law needs."""

    model: Model
    halves: Halves
    base: interval.Sums
    least_part: float
    limits: SearchLimits
    is_as_recorded: bool

    def player(self, law: Setup, sums: Floats) -> Player:
        """Return a law's sums with their forecast."""
        of_one = self.base._replace(b=sums, timed_wh=math.nan, dips_wh=math.nan, edge_wh=0.0)
        outcome = interval.outcome_of(self.model, law, of_one, least_part=self.least_part)
        unseen = trips_anew(self.model, law) and self.model.evidence.rows_s > FINEST_S
        return Player(of_one, outcome, unseen)

    def verdict(self, candidate: Candidate, player: Player) -> gates.GateResult:
        """Return whether the record can judge these settings."""
        return gates.verdict(self.model, candidate.law, player.outcome, self.least_part)


def tune(
    record: Record,
    settings: Settings,
    recorded_with: Settings,
    log: ReadLog,
    *,
    limits: SearchLimits = SearchLimits(),  # noqa: B008  (a tuple)
    count: int = SETTINGS,
    members: int = MEMBERS,
    run: Callable[..., Any] | None = None,
    watch: Callable[[float], None] = lambda _part: None,
    say: Callable[[str], None] = lambda _line: None,
) -> Tuning:
    """Search for better settings than `settings`, with a record made under `recorded_with`.

    An interrupt while settings are played ends the search with the best so far.

    Raises:
        RecordError: the record cannot be read.
        KeyboardInterrupt: interrupted before any settings were played.
    """
    try:
        model = build(gather(record.read(log)), settings, recorded_with, members=members)
    except EvidenceError as error:
        return Tuning(gates.GateResult("refused", (f"{error}.",)))
    watch(BUILT)
    sail = run or compiled_sail(say)
    model = repeating(model, sail)
    today = Candidate(settings, controller_setup(settings))
    bench = _bench(model, today, limits, sail)
    watch(JUDGED)
    player = bench.player(today.law, bench.base.b)
    verdict = bench.verdict(today, player)
    if verdict.trust == "refused":
        return Tuning(verdict)
    chosen = list(candidates(settings, bounds_of(model, settings), count, _scaled(watch, JUDGED, LAID_OUT)))
    played = play_all(model, [candidate.law for candidate in chosen], run=sail, watch=_scaled(watch, LAID_OUT, 1.0))
    return _judged(bench, chosen, played, player, verdict, count)


def _scaled(watch: Callable[[float], None], begin: float, end: float) -> Callable[[float], None]:
    return lambda part: watch(begin + (end - begin) * part)


def _bench(model: Model, today: Candidate, limits: SearchLimits, run: Callable[..., Any]) -> Bench:
    base = interval.sums_of(model, today.law, run, lambda _part: None)
    least_part = least_part_of(model.evidence.has)
    return Bench(model, halves_of(model), base, least_part, limits, today.law == model.setup)


def _judged(
    bench: Bench, chosen: Sequence[Candidate], played: PlayedLaws, today: Player, verdict: gates.GateResult, count: int
) -> Tuning:
    halves, never = bench.halves, bench.base.never
    within = _within(bench, chosen, played)
    numbers = list(within)
    evenings = bench.model.tank.is_known
    far = [distance(chosen[0].settings, chosen[number].settings) for number in numbers]
    learned = [score(played.sums[number], never, halves.learn, halves.known_s) for number in numbers]
    cloud = [score(played.sums[number], never, halves.report, halves.known_s) for number in numbers]
    choice = choose(learned, far, evenings=evenings)

    def proposal_of(pick: Pick) -> Proposal:
        number = numbers[pick.number]
        return _proposal(bench, chosen[number], pick.aims, played.sums[number], today, within[number])

    proposals, as_good = _worth_it(choice, proposal_of)
    own = score(today.sums.b, never, halves.report, halves.known_s)
    now = Proposal(
        (), chosen[0].settings, month(today, bench.model.recorded, halves), None, from_bank(today.outcome),
        verdict.trust, verdict.reasons, own,
    )  # fmt: skip
    return Tuning(
        verdict, now, proposals, as_good, bench.limits, min(count, len(chosen)), len(played.sums), len(numbers),
        played.whole, int(halves.learn.sum()), int(halves.report.sum()), tuple(cloud), tuple(front(learned)),
        () if evenings else (NO_EVENINGS,),
    )  # fmt: skip


def _worth_it(choice: Choice, proposal_of: Callable[[Pick], Proposal]) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """Return the picks that clearly differ from today's settings, and the aims without any.

    If no pick is clearly better at any aim, the others can only be worse.
    """
    proposals: list[Proposal] = []
    as_good: list[str] = []
    for pick in choice.picks:
        proposal = proposal_of(pick)
        if proposal.more is not None and differs(proposal.more):
            proposals.append(proposal)
        else:
            as_good += pick.aims
    for pick in choice.others[:MOST_OTHERS] if proposals else ():
        if len(proposals) >= FEWEST:
            break
        proposal = proposal_of(pick)
        if proposal.more is not None and differs(proposal.more):
            proposals.append(proposal)
    return tuple(proposals), tuple(as_good)


def _within(bench: Bench, chosen: Sequence[Candidate], played: PlayedLaws) -> dict[int, gates.GateResult]:
    """Return the verdict on each settings within the limits that the record can judge, by number."""
    verdicts = {}
    for number, sums in enumerate(played.sums):
        if keeps_to(bench.limits, sums, bench.halves.known_s):
            verdict = bench.verdict(chosen[number], bench.player(chosen[number].law, sums))
            if verdict.trust != "refused":
                verdicts[number] = verdict
    return verdicts


def _proposal(
    bench: Bench, candidate: Candidate, aims: tuple[str, ...], sums: Floats, today: Player, verdict: gates.GateResult
) -> Proposal:
    player = bench.player(candidate.law, sums)
    recorded, halves = bench.model.recorded, bench.halves
    more = difference(player, today, recorded, halves, is_as_recorded=bench.is_as_recorded)
    return Proposal(
        aims, candidate.settings, month(player, recorded, halves), more, from_bank(player.outcome), verdict.trust,
        verdict.reasons, score(sums, player.sums.never, halves.report, halves.known_s),
    )  # fmt: skip
