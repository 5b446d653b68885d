"""Every step there is on a small grid: first of the law by itself, then of everything a controller can reach.

The walk through the controller has whole seconds and short times (confirm 2 s, on at least 3 s, off at least 2 s,
data count for 2 s, by hand for 2 s), so that the states it can be in are few enough to visit them all.
"""

import math
from collections.abc import Iterator
from itertools import product
from typing import NamedTuple

import prose
import pytest
from world import LIMITS, NOON, Shell, setup

from dumpload.core import law
from dumpload.core.contact import Feedback
from dumpload.core.controller import Data, Decision, Event, Kind, Known, Lockout, start
from dumpload.core.freshness import MISSING, NEVER, Datum, is_missing
from dumpload.core.law import Cause, Inputs, Memory, Position, Selector, Verdict
from dumpload.core.signals import Signal

VETOES = frozenset(Cause(number) for number in range(Cause.STARTING, Cause.DUTY_LIMIT + 1))
ON_CAUSES = frozenset({Cause.SURPLUS, Cause.HAND, Cause.MIN_ON_DWELL})

# The law by itself

NOW = 10_000.0


def around(limit: float) -> tuple[float, float, float]:
    """Return the limit and the two numbers next to it."""
    return math.nextafter(limit, -math.inf), limit, math.nextafter(limit, math.inf)


def whole_seconds_around(limit: float) -> tuple[float, float, float]:
    return limit - 1.0, limit, limit + 1.0


PERCENTS = (MISSING, 0.0, *around(50.0), 70.0, *around(93.0), 95.0, *around(97.0), 100.0)
MEMORIES = [
    Memory(surplus, above_since, above_since, MISSING, position, relay_since, by_hand)
    for surplus, by_hand, above_since, position, relay_since in product(
        (False, True),
        (False, True),
        (MISSING, *(NOW - age for age in (0.0, *whole_seconds_around(LIMITS.confirm_s)))),
        Position,
        [NOW - age for age in (0.0, *whole_seconds_around(LIMITS.min_on_s))],
    )
]
SEEN = [
    Inputs(NOW, percent, stamp, seen, selector, lockout, permissive)
    for percent, (stamp, seen), selector, lockout, permissive in product(
        PERCENTS,
        ((MISSING, False), (MISSING, True), (NOW, True)),
        Selector,
        (False, True),
        (Cause.NONE, Cause.DATA_LOST, Cause.OUTSIDE_WINDOW, Cause.DUTY_LIMIT),
    )
    if is_missing(percent) or seen
    if is_missing(percent) <= is_missing(stamp)
]


def by_the_prose(memory: Memory, inputs: Inputs) -> tuple[str, str, bool, float | None]:
    """Return position, cause, latch and `above_since` as the second statement of the law has them."""
    facts = {
        "now": NOW,
        "soc": None if is_missing(inputs.state_of_charge) else inputs.state_of_charge,
        "stamp": None if is_missing(inputs.stamp) else inputs.stamp,
        "newest": None,
        "ever_live": inputs.seen,
        "locked_out": inputs.lockout,
        "selector": inputs.selector.name.lower(),
        "failed_permissives": [] if inputs.permissive == Cause.NONE else [inputs.permissive.name.lower()],
        "cut_in": 97.0,
        "cut_out": 93.0,
        "floor": 50.0,
        "confirm": 30.0,
        "min_on": 300.0,
        "min_off": 300.0,
    }
    began = None if is_missing(memory.above_since) else (memory.above_since, memory.heard_at)
    latched, began = prose.latch(facts, memory.surplus, began)
    before = memory.position.name.lower()
    position, cause = prose.relay(facts, before, memory.relay_since, latched=latched, by_hand=memory.by_hand)
    return position, cause, latched, None if began is None else began[0]


def in_words(verdict: Verdict) -> tuple[str, str, bool, float | None]:
    after = verdict.memory
    since = None if is_missing(after.above_since) else after.above_since
    return after.position.name.lower(), verdict.cause.name.lower(), after.surplus, since


def broken(memory: Memory, inputs: Inputs, verdict: Verdict) -> list[str]:
    """Return every promise of the law that one step breaks."""
    after, cause = verdict
    was_on, is_on = memory.position == Position.ON, after.position == Position.ON
    percent, stayed_s = inputs.state_of_charge, NOW - memory.relay_since
    promises = {
        "on only for a reason to be on, off only for one to be off": is_on == (cause in ON_CAUSES),
        "never on without data": not (is_on and is_missing(percent)),
        "never on below the floor": not (is_on and percent < 50.0),
        "never on with the selector off": not (is_on and inputs.selector == Selector.OFF),
        "never on locked out": not (is_on and inputs.lockout),
        "never on against a permissive": not (is_on and inputs.permissive != Cause.NONE),
        "no start before the minimum off-time": was_on or not is_on or stayed_s >= 300.0,
        "no end before the minimum on-time but by a veto": not was_on or is_on or stayed_s >= 300.0 or cause in VETOES,
        "a start needs demand": was_on or not is_on or inputs.selector == Selector.HAND or after.surplus,
        "surplus begins with a sample at cut-in": memory.surplus
        or not after.surplus
        or (inputs.stamp == NOW and percent >= 97.0 and NOW - memory.above_since >= 30.0),
        "no data, no surplus": not (after.surplus and not percent >= 93.0),
        "since is the moment of the change": after.relay_since == (NOW if was_on != is_on else memory.relay_since),
    }
    return [promise for promise, kept in promises.items() if not kept]


def test_every_step_on_the_grid_keeps_the_promises_and_agrees_with_the_prose() -> None:
    assert len(MEMORIES) * len(SEEN) > 50_000
    for memory, inputs in product(MEMORIES, SEEN):
        verdict = law.step(LIMITS, memory, inputs)
        if in_words(verdict) != by_the_prose(memory, inputs) or broken(memory, inputs, verdict):
            assert in_words(verdict) == by_the_prose(memory, inputs), (memory, inputs)
            assert broken(memory, inputs, verdict) == [], (memory, inputs)


def test_every_cause_of_the_law_occurs_on_the_grid() -> None:
    causes = {law.step(LIMITS, memory, inputs).cause for memory, inputs in product(MEMORIES, SEEN)}
    asked_elsewhere = {Cause.VOLTAGE_LOW, Cause.TANK_HOT, Cause.DRAIN_LIMIT}
    assert causes == set(Cause) - {Cause.NONE, Cause.STOPPING} - asked_elsewhere


# Everything a controller can reach

T = 1_000.0
SHORT = LIMITS._replace(confirm_s=2.0, min_on_s=3.0, min_off_s=2.0)
SETUP = setup(SHORT, max_age_s=2.0)
LONGEST = 3.0
OLDEST = 2.0  # no sample is older that counts
SOC = Signal.STATE_OF_CHARGE


class State(NamedTuple):
    """A controller at rest at T, all moments counted from T and cut off where they no longer matter."""

    percent: float
    expires: float
    seen: bool
    surplus: bool
    above: float
    heard: float
    newest: float
    by_hand: bool
    position: Position
    since: float
    selector: Selector
    hand_until: float
    lockout: Lockout
    deadline: float


def cut_off(moment: float, t: float, longest: float) -> float:
    return 1.0 if is_missing(moment) else max(moment - t, -longest)


def freeze(controller: Shell, t: float) -> State:
    state = controller.state
    datum, memory = state.data[SOC], state.law
    live = datum.expires_at > t
    return State(
        datum.value if live else -1.0,
        datum.expires_at - t if live else 0.0,
        state.known.seen,
        memory.surplus,
        cut_off(memory.above_since, t, LONGEST),
        cut_off(memory.heard_at, t, LONGEST),
        cut_off(memory.newest, t, OLDEST),
        memory.by_hand,
        memory.position,
        max(memory.relay_since - t, -LONGEST),
        state.selector,
        state.known.hand_until - t,
        state.lockout,
        state.deadline - t,
    )


def thaw(state: State) -> Shell:
    controller = Shell(SETUP, T)
    datum = Datum(state.percent, T + state.expires - 2.0, T + state.expires)
    above, heard, newest = (
        MISSING if moment > 0.0 else T + moment for moment in (state.above, state.heard, state.newest)
    )
    controller.state = start(T)._replace(
        known=Known(Data(datum), state.seen, state.selector, T + state.hand_until, state.lockout, Feedback.UNKNOWN),
        law=Memory(state.surplus, above, heard, newest, state.position, T + state.since, state.by_hand),
        deadline=T + state.deadline,
    )
    return controller


def event(after_s: float, kind: Kind, **fields: object) -> Event:
    return Event(T + after_s, NOON + after_s, kind, **fields)  # type: ignore[arg-type]


def everything_that_can_happen() -> Iterator[Event]:
    """Yield every event now, in a second before its deadline is woken, and in two seconds: late."""
    for after_s in (0.0, 1.0, 2.0):
        for percent, age_s in product((40.0, 70.0, 94.0, 97.0, 99.0), (0.0, 1.0)):
            yield event(after_s, Kind.SAMPLE, value=percent, stamp=T + after_s - age_s)
        yield event(after_s, Kind.SAMPLE, value=99.0, stamp=T + after_s - 2.0)  # too old
        yield event(after_s, Kind.SELECT, selector=Selector.OFF)
        yield event(after_s, Kind.SELECT, selector=Selector.AUTO)
        yield event(after_s, Kind.SELECT, selector=Selector.HAND, until=T + after_s + 2.0)
        for kind in (Kind.WAKE, Kind.UNKNOWN, Kind.EVIDENCE_RESET, Kind.RESET, Kind.PIN_FAULT):
            yield event(after_s, kind)


EVENTS = tuple(everything_that_can_happen())


def broken_by(state: State, happened: Event, after: Shell, decisions: tuple[Decision, ...]) -> list[str]:
    """Return every promise of the controller that one event breaks."""
    t = happened.t
    last = decisions[-1]
    was_on, is_on = state.position == Position.ON, after.state.position == Position.ON
    datum = after.state.data[SOC]
    changes = [decision for decision in decisions if decision.changed]
    newly_latched = after.state.law.surplus and not state.surplus
    good_sample = happened.kind == Kind.SAMPLE and last.accepted and happened.value >= 97.0
    promises = {
        "never on at or after the loss of data": not is_on or t < datum.expires_at,
        "never on below the floor": not is_on or datum.value >= 50.0,
        "never on with the selector off": not is_on or after.state.selector != Selector.OFF,
        "never on locked out": not is_on or after.state.lockout == Lockout.NONE,
        "at most one change": len(changes) == (was_on != is_on),
        "a change counts from now": not changes or after.state.law.relay_since == t,
        "off long enough before on": not (changes and is_on) or t - T - state.since >= 2.0,
        "on long enough before off, but for a veto": not (changes and was_on)
        or t - T - state.since >= 3.0
        or changes[0].cause in VETOES,
        "nothing starts on an overdue deadline": len(decisions) == 1 or not (decisions[0].changed and is_on),
        "surplus begins with a sample at cut-in, confirmed": not newly_latched
        or (good_sample and min(happened.stamp - T - state.above, t - T - state.heard) >= 2.0 and state.above <= 0.0),
        "what is too old changes no datum": last.accepted
        or happened.kind != Kind.SAMPLE
        or datum.expires_at <= T + state.expires,
        "the deadline lies ahead": after.state.deadline > t,
        "the cause fits the position": is_on == (last.cause in ON_CAUSES),
    }
    return [promise for promise, kept in promises.items() if not kept]


def settled(state: State) -> bool:
    """Whether waking it twice now, or any time before its deadline, changes neither position nor cause."""
    controller = thaw(state)
    controller.handle(event(0.0, Kind.WAKE))
    first = (controller.state.position, controller.state.cause)
    end = min(state.deadline, 10.0)
    for share in (0.0, 0.5, 0.999):
        controller.handle(event(share * end, Kind.WAKE))
        if (controller.state.position, controller.state.cause) != first:
            return False
    return first[0] == state.position


def comes_on(state: State) -> bool:
    """Whether a reset, auto, and a few seconds of good samples turn it on."""
    controller = thaw(state)
    controller.handle(event(0.0, Kind.RESET))
    controller.handle(event(0.0, Kind.SELECT, selector=Selector.AUTO))
    for second in range(5):
        controller.handle(event(float(second), Kind.SAMPLE, value=99.0, stamp=T + second))
    return controller.state.position == Position.ON


@pytest.fixture(scope="module")
def reachable() -> dict[State, list[str]]:
    """Every state that can be reached from the start, with the promises broken on the way out of it."""
    found: dict[State, list[str]] = {}
    waiting = [freeze(Shell(SETUP, T), T)]
    while waiting:
        state = waiting.pop()
        if state in found:
            continue
        found[state] = []
        for happened in EVENTS:
            controller = thaw(state)
            decisions = controller.handle(happened)
            found[state] += broken_by(state, happened, controller, decisions)
            waiting.append(freeze(controller, happened.t))
    return found


def test_no_event_in_any_reachable_state_breaks_a_promise(reachable: dict[State, list[str]]) -> None:
    assert {state: promises for state, promises in reachable.items() if promises} == {}


def test_the_walk_goes_everywhere(reachable: dict[State, list[str]]) -> None:
    """Both positions in every selector's position and lockout that allow them, all readings, both latches."""
    seen = {(state.position, state.selector, state.lockout) for state in reachable}
    off = {(Position.OFF, selector, lockout) for selector in Selector for lockout in (Lockout.NONE, Lockout.PIN_FAULT)}
    on = {(Position.ON, selector, Lockout.NONE) for selector in (Selector.HAND, Selector.AUTO)}
    assert seen == off | on
    assert {state.percent for state in reachable} == {-1.0, 40.0, 70.0, 94.0, 97.0, 99.0}
    assert {state.surplus for state in reachable} == {False, True}
    assert {state.deadline for state in reachable} >= {1.0, 2.0, NEVER}


def test_in_every_reachable_state_nothing_changes_before_the_deadline(reachable: dict[State, list[str]]) -> None:
    assert [state for state in reachable if not settled(state)] == []


def test_from_every_reachable_state_good_input_turns_it_on(reachable: dict[State, list[str]]) -> None:
    assert [state for state in reachable if not comes_on(state)] == []
