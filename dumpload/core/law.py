"""The control law: numbers in, numbers out. No clock, no I/O, no memory of its own.

The surplus latch remembers that the bank was nearly full; the selector turns latch or hand into a demand; vetoes
forbid; the dwells keep the relay from chattering. What the relay then does is one table, `RULES`, so that its
safety can be read as data: there is exactly one way from off to on, and every veto leads to off.

Arguments and results are floats, ints, bools, enums and named tuples of them, so that `step` can be compiled as it
stands (hence no `_replace`, and no enum as an index). A missing number is NaN.
"""

from enum import IntEnum
from typing import NamedTuple

from dumpload.core.freshness import MISSING, is_missing


class Position(IntEnum):
    """Where the relay is."""

    OFF = 0
    ON = 1


class Selector(IntEnum):
    """The three-position switch: hand (on, within the vetoes), off, auto (the latch decides)."""

    OFF = 0
    HAND = 1
    AUTO = 2


class Cause(IntEnum):
    """Why the relay is where it is; the lower-case name is published. NONE is never a decision's cause."""

    NONE = 0
    STARTING = 1
    DATA_LOST = 2
    LOCKOUT = 3
    SELECTOR_OFF = 4
    BELOW_FLOOR = 5
    OUTSIDE_WINDOW = 6
    VOLTAGE_LOW = 7
    TANK_HOT = 8
    DRAIN_LIMIT = 9
    DUTY_LIMIT = 10
    BELOW_CUT_IN = 11
    CONFIRMING = 12
    MIN_OFF_DWELL = 13
    BELOW_CUT_OUT = 14
    SURPLUS = 15
    HAND = 16
    MIN_ON_DWELL = 17
    STOPPING = 18  # never given by the law: the service drove the relay off because it is ending


class Limits(NamedTuple):
    """The thresholds: percent of usable capacity, and seconds."""

    cut_in_percent: float
    cut_out_percent: float
    floor_percent: float
    confirm_s: float
    min_on_s: float
    min_off_s: float


class Memory(NamedTuple):
    """What the law remembers between evaluations."""

    surplus: bool
    above_since: float
    position: Position
    relay_since: float


class Inputs(NamedTuple):
    """All that the law looks at, at time `t` (s). `state_of_charge` is NaN unless live (percent).

    `is_sample`: this evaluation is the arrival of a live state of charge. `seen`: there has been one since start.
    `permissive`: the first configured permissive that does not hold, as its cause, or NONE.
    """

    t: float
    state_of_charge: float
    is_sample: bool
    seen: bool
    selector: Selector
    lockout: bool
    permissive: Cause


class Verdict(NamedTuple):
    """The law's answer: the memory to keep (with the relay position) and the cause."""

    memory: Memory
    cause: Cause


class Situation(IntEnum):
    """What vetoes and demand amount to."""

    VETOED = 0
    IDLE = 1
    DEMANDED = 2


class Why(IntEnum):
    """Which kind of cause a rule gives."""

    VETO = 0
    NO_DEMAND = 1
    DEMAND = 2
    DWELL_ON = 3
    DWELL_OFF = 4


class Rule(NamedTuple):
    """The position that follows, and the kind of cause."""

    position: Position
    why: Why


# RULES[position now][situation][dwell over] -> what follows.
RULES: tuple[tuple[tuple[Rule, Rule], ...], ...] = (
    (  # now OFF      dwell still running                      dwell over
        (Rule(Position.OFF, Why.VETO), Rule(Position.OFF, Why.VETO)),
        (Rule(Position.OFF, Why.NO_DEMAND), Rule(Position.OFF, Why.NO_DEMAND)),
        (Rule(Position.OFF, Why.DWELL_OFF), Rule(Position.ON, Why.DEMAND)),
    ),
    (  # now ON
        (Rule(Position.OFF, Why.VETO), Rule(Position.OFF, Why.VETO)),
        (Rule(Position.ON, Why.DWELL_ON), Rule(Position.OFF, Why.NO_DEMAND)),
        (Rule(Position.ON, Why.DEMAND), Rule(Position.ON, Why.DEMAND)),
    ),
)


def start(t: float) -> Memory:
    """Return the memory at start: latch off, relay off, and off counted from now."""
    return Memory(surplus=False, above_since=MISSING, position=Position.OFF, relay_since=t)


def latch_surplus(limits: Limits, memory: Memory, inputs: Inputs) -> tuple[bool, float]:
    """Return the surplus latch and the moment since which the cut-in has been reached (NaN: it is not)."""
    soc = inputs.state_of_charge
    if not soc >= limits.cut_out_percent:  # NaN lands here too: no data, no surplus
        return False, MISSING
    if not soc >= limits.cut_in_percent:
        return memory.surplus, MISSING
    above_since = memory.above_since
    if is_missing(above_since):
        above_since = inputs.t if inputs.is_sample else MISSING
    confirmed = inputs.is_sample and inputs.t >= above_since + limits.confirm_s
    return memory.surplus or confirmed, above_since


def first_veto(limits: Limits, inputs: Inputs) -> Cause:
    """Return the first veto in the order of the law, or NONE."""
    soc = inputs.state_of_charge
    if is_missing(soc):
        return Cause.DATA_LOST if inputs.seen else Cause.STARTING
    if inputs.lockout:
        return Cause.LOCKOUT
    if inputs.selector == Selector.OFF:
        return Cause.SELECTOR_OFF
    if not soc >= limits.floor_percent:
        return Cause.BELOW_FLOOR
    return inputs.permissive


def name_cause(limits: Limits, memory: Memory, inputs: Inputs, veto: Cause, why: Why) -> Cause:
    """Return the cause to publish; `memory` has the position before the rule is applied."""
    if why == Why.VETO:
        return veto
    if why == Why.DEMAND:
        return Cause.HAND if inputs.selector == Selector.HAND else Cause.SURPLUS
    if why == Why.DWELL_ON:
        return Cause.MIN_ON_DWELL
    if why == Why.DWELL_OFF:
        return Cause.MIN_OFF_DWELL
    if memory.position == Position.ON and inputs.state_of_charge < limits.cut_out_percent:
        return Cause.BELOW_CUT_OUT
    return Cause.CONFIRMING if inputs.state_of_charge >= limits.cut_in_percent else Cause.BELOW_CUT_IN


def step(limits: Limits, memory: Memory, inputs: Inputs) -> Verdict:
    """Apply the law once.

    Args: the thresholds, the memory of the last evaluation, and what is true at `inputs.t` (which never goes back).
    Returns the new memory and the cause. Pure: equal arguments give equal results.
    """
    surplus, above_since = latch_surplus(limits, memory, inputs)
    latched = Memory(surplus, above_since, memory.position, memory.relay_since)
    veto = first_veto(limits, inputs)
    demanded = inputs.selector == Selector.HAND or (inputs.selector == Selector.AUTO and surplus)
    situation = Situation.VETOED if veto != Cause.NONE else Situation.DEMANDED if demanded else Situation.IDLE
    dwell_s = limits.min_on_s if memory.position == Position.ON else limits.min_off_s
    dwell_over = inputs.t >= memory.relay_since + dwell_s
    rule = RULES[memory.position.value][situation.value][int(dwell_over)]
    cause = name_cause(limits, memory, inputs, veto, rule.why)
    if rule.position == memory.position:
        return Verdict(latched, cause)
    return Verdict(Memory(surplus, above_since, rule.position, inputs.t), cause)
