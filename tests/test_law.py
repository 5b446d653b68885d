"""The control law, clause by clause: what is remembered and what is seen, to where the relay goes and why.

Thresholds here: cut-in 97 %, cut-out 93 %, floor 50 %; confirm 30 s, on at least 300 s, off at least 300 s.
"""

import math
from collections.abc import Iterator
from itertools import combinations, pairwise, product

import prose
import pytest
from world import LIMITS

from dumpload.core import law
from dumpload.core.freshness import is_missing
from dumpload.core.law import RULES, Cause, Dwell, Inputs, Limits, Memory, Position, Rule, Selector, Situation, Why

NOW = 10_000.0
LONG_AGO = -1e6
JUST_BELOW_93 = math.nextafter(93.0, 0.0)
JUST_BELOW_97 = math.nextafter(97.0, 0.0)
JUST_BELOW_50 = math.nextafter(50.0, 0.0)
A_BIT_LESS = -1e-6

Rules = dict[tuple[Position, Situation], Dwell]


def remembered(
    position: str = "off",
    *,
    for_s: float = NOW - LONG_AGO,
    surplus: bool = False,
    above_for: float | None = None,
    heard_for: float | None = None,
    newest: float = math.nan,
    by_hand: bool = False,
) -> Memory:
    """`above_for`: the age of the evidence by its stamp; `heard_for`: by when it was heard, if that is another."""
    above_since = math.nan if above_for is None else NOW - above_for
    heard_at = above_since if heard_for is None else NOW - heard_for
    return Memory(surplus, above_since, heard_at, newest, Position[position.upper()], NOW - for_s, by_hand)


def seen(
    soc: float | None = 95.0,
    *,
    arrives: bool = False,
    stamp: float = NOW,
    ever: bool = True,
    selector: str = "auto",
    lockout: bool = False,
    permissive: str = "none",
) -> Inputs:
    percent = math.nan if soc is None else soc
    return Inputs(
        NOW,
        percent,
        stamp if arrives else math.nan,
        ever,
        Selector[selector.upper()],
        lockout,
        Cause[permissive.upper()],
    )


def decide(memory: Memory, inputs: Inputs, limits: Limits = LIMITS) -> tuple[str, str]:
    verdict = law.step(limits, memory, inputs)
    return verdict.memory.position.name.lower(), verdict.cause.name.lower()


# At the start


def test_at_the_start_the_relay_and_the_latch_are_off_and_off_counts_from_now() -> None:
    memory = law.start(123.0)
    assert (memory.surplus, memory.position, memory.relay_since) == (False, Position.OFF, 123.0)
    assert is_missing(memory.above_since)


# 1. The surplus latch


@pytest.mark.parametrize(
    ("before", "soc", "arrives", "after"),
    [
        # no data, or below cut-out: latch off, the evidence is forgotten
        ((True, 100.0), None, False, (False, None)),
        ((True, 100.0), JUST_BELOW_93, True, (False, None)),
        ((True, 100.0), 0.0, False, (False, None)),
        # between: the latch is unchanged, the evidence is forgotten
        ((True, 100.0), 93.0, True, (True, None)),
        ((False, 100.0), 93.0, True, (False, None)),
        ((True, 100.0), JUST_BELOW_97, True, (True, None)),
        ((False, 100.0), JUST_BELOW_97, True, (False, None)),
        # at or above cut-in: a sample begins the evidence, and a sample completes it
        ((False, None), 97.0, True, (False, 0.0)),
        ((False, None), 100.0, True, (False, 0.0)),
        ((False, 30.0 + A_BIT_LESS), 97.0, True, (False, 30.0 + A_BIT_LESS)),
        ((False, 30.0), 97.0, True, (True, 30.0)),
        ((False, 31.0), 100.0, True, (True, 31.0)),
        ((True, None), 97.0, True, (True, 0.0)),
        ((True, 5.0), 97.0, True, (True, 5.0)),
        # a deadline is no sample: it neither begins nor completes the evidence
        ((False, None), 100.0, False, (False, None)),
        ((False, 30.0), 100.0, False, (False, 30.0)),
        ((False, 1e6), 100.0, False, (False, 1e6)),
        ((True, None), 100.0, False, (True, None)),
    ],
)
def test_the_surplus_latch(
    before: tuple[bool, float | None], soc: float | None, arrives: bool, after: tuple[bool, float | None]
) -> None:
    """Before and after: the latch, and for how long the state of charge has been at or above cut-in."""
    memory = remembered(surplus=before[0], above_for=before[1])
    latched = law.latch_surplus(LIMITS, memory, seen(soc, arrives=arrives))
    assert latched.surplus is after[0]
    expected = math.nan if after[1] is None else NOW - after[1]
    assert latched.above_since == pytest.approx(expected, abs=1e-9, nan_ok=True)


def test_without_a_confirm_time_the_first_sample_at_cut_in_is_surplus() -> None:
    at_once = LIMITS._replace(confirm_s=0.0)
    latched = law.latch_surplus(at_once, remembered(), seen(97.0, arrives=True))
    assert (latched.surplus, latched.above_since) == (True, NOW)


@pytest.mark.parametrize(
    ("before", "stamp", "surplus", "above_since"),
    [
        # what comes late counts from when it was measured
        ({}, NOW - 20.0, False, NOW - 20.0),
        ({"above_for": 50.0}, NOW - 20.0, True, NOW - 50.0),
        ({"above_for": 50.0}, NOW - 20.0 + A_BIT_LESS, False, NOW - 50.0),
        # a back-log: all measured when the stall began, however long it takes to hear it
        ({"above_for": 40.0, "newest": NOW - 40.0}, NOW - 40.0, False, NOW - 40.0),
        # values with their own timestamps may come all at once: that is one moment's evidence
        ({"above_for": 59.0, "heard_for": 0.0}, NOW, False, NOW - 59.0),
        ({"above_for": 59.0, "heard_for": 30.0 + A_BIT_LESS}, NOW, False, NOW - 59.0),
        ({"above_for": 59.0, "heard_for": 30.0}, NOW, True, NOW - 59.0),
        # a stamp that goes back neither begins nor completes it: something later has been heard
        ({"newest": NOW - 10.0}, NOW - 10.0 + A_BIT_LESS, False, None),
        ({"newest": NOW - 10.0}, NOW - 10.0, False, NOW - 10.0),
        ({"above_for": 50.0, "newest": NOW}, NOW + A_BIT_LESS, False, NOW - 50.0),
    ],
)
def test_the_evidence_is_timed_by_stamps(
    before: dict[str, float], stamp: float, surplus: bool, above_since: float | None
) -> None:
    latched = law.latch_surplus(LIMITS, remembered(**before), seen(98.0, arrives=True, stamp=stamp))
    assert latched.surplus is surplus
    expected = math.nan if above_since is None else above_since
    assert latched.above_since == pytest.approx(expected, abs=1e-9, nan_ok=True)


def test_the_newest_stamp_is_kept_whatever_the_state_of_charge() -> None:
    for soc in (40.0, 95.0, 98.0):
        latched = law.latch_surplus(LIMITS, remembered(newest=NOW - 5.0), seen(soc, arrives=True, stamp=NOW - 1.0))
        assert latched.newest == NOW - 1.0
        late = law.latch_surplus(LIMITS, latched, seen(soc, arrives=True, stamp=NOW - 3.0))
        assert late.newest == NOW - 1.0


@pytest.mark.parametrize("selector", ["off", "hand", "auto"])
@pytest.mark.parametrize("position", ["off", "on"])
@pytest.mark.parametrize("lockout", [False, True])
def test_the_latch_is_kept_in_every_position_of_relay_and_selector(selector: str, position: str, lockout: bool) -> None:
    """So that hand ends where auto would be."""
    memory = remembered(position, above_for=30.0)
    verdict = law.step(LIMITS, memory, seen(97.0, arrives=True, selector=selector, lockout=lockout))
    assert verdict.memory.surplus


# 2. Demand


@pytest.mark.parametrize(
    ("selector", "surplus", "position", "cause"),
    [
        ("off", False, "off", "selector_off"),
        ("off", True, "off", "selector_off"),
        ("hand", False, "on", "hand"),
        ("hand", True, "on", "hand"),
        ("auto", False, "off", "below_cut_in"),
        ("auto", True, "on", "surplus"),
    ],
)
def test_demand_comes_from_hand_or_in_auto_from_the_latch(
    selector: str, surplus: bool, position: str, cause: str
) -> None:
    assert decide(remembered(surplus=surplus), seen(95.0, selector=selector)) == (position, cause)


def test_by_hand_it_runs_without_surplus_down_to_the_floor() -> None:
    assert decide(remembered("on"), seen(50.0, selector="hand")) == ("on", "hand")
    assert decide(remembered("on"), seen(JUST_BELOW_50, selector="hand")) == ("off", "below_floor")


# 3. Vetoes

NO_SOC = {"starting": {"soc": None, "ever": False}, "data_lost": {"soc": None, "ever": True}}
OTHERS = {
    "lockout": {"lockout": True},
    "selector_off": {"selector": "off"},
    "below_floor": {"soc": JUST_BELOW_50},
    "outside_window": {"permissive": "outside_window"},
    "voltage_low": {"permissive": "voltage_low"},
    "tank_hot": {"permissive": "tank_hot"},
    "drain_limit": {"permissive": "drain_limit"},
    "duty_limit": {"permissive": "duty_limit"},
}
VETOES = NO_SOC | OTHERS


def possible_pairs() -> Iterator[tuple[str, str]]:
    """Every two vetoes that can hold at once, in the order of the law; permissives are ordered among themselves."""
    for first, second in combinations(VETOES, 2):
        if not set(VETOES[first]) & set(VETOES[second]):
            yield first, second


@pytest.mark.parametrize("selector", ["hand", "auto"])
@pytest.mark.parametrize("for_s", [0.0, 1e6])
@pytest.mark.parametrize("position", ["off", "on"])
@pytest.mark.parametrize("veto", VETOES)
def test_every_veto_means_off_at_once_dwell_or_not_hand_or_not(
    veto: str, position: str, for_s: float, selector: str
) -> None:
    inputs = seen(**{"soc": 99.0, "selector": selector} | VETOES[veto])  # type: ignore[arg-type]
    verdict = law.step(LIMITS, remembered(position, for_s=for_s, surplus=True), inputs)
    assert (verdict.memory.position, verdict.cause) == (Position.OFF, Cause[veto.upper()])
    assert verdict.memory.relay_since == (NOW if position == "on" else NOW - for_s)


@pytest.mark.parametrize("position", ["off", "on"])
@pytest.mark.parametrize(("first", "second"), list(possible_pairs()))
def test_of_two_vetoes_the_earlier_is_named(first: str, second: str, position: str) -> None:
    inputs = seen(**{"soc": 99.0} | VETOES[second] | VETOES[first])  # type: ignore[arg-type]
    assert decide(remembered(position, surplus=True), inputs) == ("off", first)


def test_the_pairs_above_are_all_that_can_be() -> None:
    """No data and below the floor exclude each other, as do starting and data lost."""
    assert len(list(possible_pairs())) == 2 * 7 + 7 + 6 + 5


@pytest.mark.parametrize(
    ("soc", "position", "cause"),
    [(50.0, "on", "hand"), (JUST_BELOW_50, "off", "below_floor"), (0.0, "off", "below_floor")],
)
def test_the_floor_itself_is_not_below_the_floor(soc: float, position: str, cause: str) -> None:
    assert decide(remembered(), seen(soc, selector="hand")) == (position, cause)


# 4. The relay


@pytest.mark.parametrize(
    ("on_for", "soc", "position", "cause"),
    [
        (0.0, 92.0, "on", "min_on_dwell"),
        (300.0 + A_BIT_LESS, 92.0, "on", "min_on_dwell"),
        (300.0, 92.0, "off", "below_cut_out"),
        (1e6, JUST_BELOW_93, "off", "below_cut_out"),
        (1e6, 93.0, "on", "surplus"),
        (1e6, 50.0, "off", "below_cut_out"),
    ],
)
def test_on_without_demand_it_is_held_until_on_for_the_minimum(
    on_for: float, soc: float, position: str, cause: str
) -> None:
    assert decide(remembered("on", for_s=on_for, surplus=True), seen(soc, arrives=True)) == (position, cause)


@pytest.mark.parametrize(
    ("off_for", "position", "cause"),
    [
        (0.0, "off", "min_off_dwell"),
        (300.0 + A_BIT_LESS, "off", "min_off_dwell"),
        (300.0, "on", "surplus"),
        (1e6, "on", "surplus"),
    ],
)
def test_off_and_demanded_it_waits_until_off_for_the_minimum(off_for: float, position: str, cause: str) -> None:
    assert decide(remembered(for_s=off_for, surplus=True), seen(95.0)) == (position, cause)


def test_off_counts_from_the_start_too() -> None:
    started = law.start(NOW - 299.0)
    assert decide(started, seen(99.0, selector="hand")) == ("off", "min_off_dwell")
    assert decide(law.start(NOW - 300.0), seen(99.0, selector="hand")) == ("on", "hand")


@pytest.mark.parametrize("demanded", [False, True])
@pytest.mark.parametrize("position", ["off", "on"])
def test_a_relay_that_stays_keeps_its_since_and_one_that_moves_has_it_now(position: str, demanded: bool) -> None:
    verdict = law.step(LIMITS, remembered(position, for_s=1e3, surplus=demanded), seen(95.0))
    moved = verdict.memory.position.name.lower() != position
    assert moved is ((position == "on") is not demanded)
    assert verdict.memory.relay_since == (NOW if moved else NOW - 1e3)


# Causes


@pytest.mark.parametrize(
    ("memory", "inputs", "position", "cause"),
    [
        # off without demand: either the cut-in is not reached, or it is and must last
        (remembered(), seen(92.0, arrives=True), "off", "below_cut_in"),
        (remembered(), seen(JUST_BELOW_97, arrives=True), "off", "below_cut_in"),
        (remembered(), seen(97.0, arrives=True), "off", "confirming"),
        (remembered(above_for=29.0), seen(97.0, arrives=True), "off", "confirming"),
        (remembered(above_for=40.0), seen(97.0), "off", "confirming"),
        (remembered(), seen(97.0), "off", "confirming"),  # the evidence began anew, and no sample has come since
        (remembered(above_for=40.0), seen(97.0, arrives=True), "on", "surplus"),
        # hand that ends: where auto would be
        (remembered("on", by_hand=True), seen(95.0), "off", "hand_over"),
        (remembered("on", above_for=5.0, by_hand=True), seen(98.0), "off", "hand_over"),
        (remembered("on", by_hand=True), seen(92.0), "off", "hand_over"),
        # surplus that ends, also when a dwell held it until the charge had come back
        (remembered("on"), seen(92.0), "off", "below_cut_out"),
        (remembered("on"), seen(95.0), "off", "below_cut_out"),
        (remembered("on", above_for=5.0), seen(98.0), "off", "below_cut_out"),
        (remembered("on", for_s=10.0), seen(95.0), "on", "min_on_dwell"),
        (remembered("on", surplus=True), seen(95.0), "on", "surplus"),
        # below_cut_out and hand_over name the change only; afterwards it is below cut-in
        (remembered("off", for_s=0.0), seen(92.0), "off", "below_cut_in"),
    ],
)
def test_the_cause_of_where_it_is(memory: Memory, inputs: Inputs, position: str, cause: str) -> None:
    assert decide(memory, inputs) == (position, cause)


# What is not a number never means on


@pytest.mark.parametrize("limit", Limits._fields)
@pytest.mark.parametrize("selector", ["auto", "hand"])
def test_a_limit_that_is_not_a_number_cannot_turn_it_on_from_the_start(limit: str, selector: str) -> None:
    broken = LIMITS._replace(**{limit: math.nan})
    memory = law.start(NOW - 1e6)
    for k in range(100):
        at = seen(100.0, arrives=True, selector=selector)._replace(t=NOW + k, stamp=NOW + k)
        memory = law.step(broken, memory, at).memory
    unused_by_hand = selector == "hand" and limit in ("cut_in_percent", "cut_out_percent", "confirm_s", "min_on_s")
    unused_to_start = limit == "min_on_s"
    assert (memory.position == Position.ON) is (unused_by_hand or unused_to_start)


@pytest.mark.parametrize(
    ("selector", "surplus", "by_hand"), [("hand", False, True), ("hand", True, True), ("auto", True, False)]
)
def test_the_demand_that_last_held_it_on_is_remembered(selector: str, surplus: bool, by_hand: bool) -> None:
    for memory in (remembered(surplus=surplus, by_hand=not by_hand), remembered("on", surplus=surplus)):
        after = law.step(LIMITS, memory, seen(95.0, selector=selector)).memory
        assert (after.position, after.by_hand) == (Position.ON, by_hand)
    held = law.step(LIMITS, remembered("on", for_s=0.0, by_hand=by_hand), seen(92.0)).memory
    assert (held.position, held.by_hand) == (Position.ON, by_hand)
    assert not law.step(LIMITS, remembered("on", by_hand=by_hand), seen(92.0)).memory.by_hand


@pytest.mark.parametrize("field", ["t", "state_of_charge"])
def test_an_input_that_is_not_a_number_cannot_turn_it_on(field: str) -> None:
    for selector in ("auto", "hand"):
        inputs = seen(100.0, arrives=True, selector=selector)._replace(**{field: math.nan})
        assert law.step(LIMITS, remembered(surplus=True), inputs).memory.position == Position.OFF


def test_a_moment_of_change_that_is_not_a_number_cannot_turn_it_on() -> None:
    memory = remembered(surplus=True)._replace(relay_since=math.nan)
    assert law.step(LIMITS, memory, seen(99.0)).memory.position == Position.OFF


# The table, as data


def unsafe(rules: Rules) -> list[str]:
    """Everything that a table of rules gets wrong about safety; empty for a safe one."""
    cells = {
        (now, situation, dwelt): rules[now, situation][dwelt]
        for now, situation, dwelt in product(Position, Situation, (False, True))
    }
    faults = [
        f"vetoed, yet on: {key}"
        for key, rule in cells.items()
        if key[1] == Situation.VETOED and rule != (Position.OFF, Why.VETO)
    ]
    starts = [key for key, rule in cells.items() if key[0] == Position.OFF and rule.position == Position.ON]
    if starts != [(Position.OFF, Situation.DEMANDED, True)]:
        faults.append(f"ways from off to on: {starts}")
    faults += [
        f"no way to off: {now.name} {situation.name}"
        for now, situation in product(Position, Situation)
        if situation != Situation.DEMANDED and cells[now, situation, True].position != Position.OFF
    ]
    return faults


def test_the_table_is_complete() -> None:
    assert list(RULES) == list(product(Position, Situation))
    assert all(isinstance(rule, Rule) for dwell in RULES.values() for rule in dwell)


def test_every_vetoed_cell_is_off_and_one_cell_goes_from_off_to_on_and_off_is_reachable_from_everywhere() -> None:
    assert unsafe(RULES) == []


CELLS = list(product(Position, Situation, (False, True)))
RIGHTS = [Rule(position, why) for position, why in product(Position, Why)]


def spoilt(cell: tuple[Position, Situation, bool], rule: Rule) -> Rules:
    """Return the table with one cell changed."""
    now, situation, dwelt = cell
    right = RULES[now, situation]
    return RULES | {(now, situation): right._replace(over=rule) if dwelt else right._replace(running=rule)}


def steps() -> Iterator[tuple[Memory, Inputs]]:
    """Steps through every cell of the table, and every cause."""
    for position, for_s, surplus, above_for, by_hand in product(
        ("off", "on"), (0.0, 299.0, 300.0), (False, True), (None, 5.0, 30.0), (False, True)
    ):
        memory = remembered(position, for_s=for_s, surplus=surplus, above_for=above_for, by_hand=by_hand)
        for soc, selector, lockout in product((None, 40.0, 92.0, 95.0, 98.0), ("off", "hand", "auto"), (False, True)):
            yield memory, seen(soc, arrives=soc is not None, selector=selector, lockout=lockout)


def facts_of(inputs: Inputs, limits: Limits = LIMITS) -> prose.Facts:
    """The same step in the words of the second statement."""
    missing = is_missing(inputs.state_of_charge)
    return {
        "now": inputs.t,
        "soc": None if missing else inputs.state_of_charge,
        "stamp": None if is_missing(inputs.stamp) else inputs.stamp,
        "newest": None,
        "ever_live": inputs.seen,
        "locked_out": inputs.lockout,
        "selector": inputs.selector.name.lower(),
        "failed_permissives": [] if inputs.permissive == Cause.NONE else [inputs.permissive.name.lower()],
        "cut_in": limits.cut_in_percent,
        "cut_out": limits.cut_out_percent,
        "floor": limits.floor_percent,
        "confirm": limits.confirm_s,
        "min_on": limits.min_on_s,
        "min_off": limits.min_off_s,
    }


def agrees_with_the_prose(memory: Memory, inputs: Inputs) -> bool:
    facts = facts_of(inputs)
    began = None if is_missing(memory.above_since) else (memory.above_since, memory.heard_at)
    latched, _ = prose.latch(facts, memory.surplus, began)
    position = memory.position.name.lower()
    expected = prose.relay(facts, position, memory.relay_since, latched=latched, by_hand=memory.by_hand)
    return decide(memory, inputs) == expected


def test_the_table_agrees_with_the_prose() -> None:
    assert all(agrees_with_the_prose(*step) for step in steps())


@pytest.mark.parametrize("cell", CELLS, ids=lambda cell: f"{cell[0].name} {cell[1].name} {cell[2]}")
@pytest.mark.parametrize("rule", RIGHTS, ids=lambda rule: f"{rule.position.name} {rule.why.name}")
def test_changing_any_cell_of_the_table_is_caught(
    cell: tuple[Position, Situation, bool], rule: Rule, monkeypatch: pytest.MonkeyPatch
) -> None:
    now, situation, dwelt = cell
    right = RULES[now, situation][dwelt]
    if rule == right:
        assert unsafe(RULES) == []
        return
    monkeypatch.setattr(law, "_BY_NUMBER", law.by_number(spoilt(cell, rule)))
    assert not all(agrees_with_the_prose(*step) for step in steps())
    harmful = rule.position == Position.ON and situation != Situation.DEMANDED and (now == Position.OFF or dwelt)
    if situation == Situation.VETOED or harmful:
        assert unsafe(spoilt(cell, rule)) != []


# A whole day, as a script


def test_equal_arguments_give_equal_results() -> None:
    for memory, inputs in steps():
        assert repr(law.step(LIMITS, memory, inputs)) == repr(law.step(LIMITS, memory, inputs))


def test_a_sunny_day() -> None:
    """One sample a minute: up past cut-in, a cloud between the thresholds, down below cut-out."""
    day = [90.0] * 10 + [97.5, 98.0] * 5 + [94.0] * 10 + [92.5] * 5
    memory = law.start(0.0)
    story = []
    for minute, soc in enumerate(day):
        verdict = law.step(LIMITS, memory, seen(soc, arrives=True)._replace(t=60.0 * minute, stamp=60.0 * minute))
        memory = verdict.memory
        story.append((verdict.memory.position.name.lower(), verdict.cause.name.lower()))
    changes = [(minute, now) for minute, (before, now) in enumerate(pairwise(story), 1) if before != now]
    assert story[0] == ("off", "below_cut_in")
    assert changes == [
        (10, ("off", "confirming")),
        (11, ("on", "surplus")),
        (30, ("off", "below_cut_out")),
        (31, ("off", "below_cut_in")),
    ]
