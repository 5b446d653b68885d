"""The control law: numbers in, numbers out. No clock, no I/O, no memory of its own.

The surplus latch remembers that the bank was nearly full. The selector turns the latch, or hand, into demand. Vetoes
forbid. The dwells keep the relay from chattering. What the relay then does is one table, `RULES`.

Everything here is a float, an int, a bool, an enum or a named tuple of them, so that numba compiles `step` as it
stands (hence no `_replace`, no dict on the law's path and no enum as an index). A missing number is NaN.
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
    """Why the relay is where it is; the lower-case name is published, the number is stored. NONE is never published.

    New ones go at the end: histories on owners' cards hold the numbers.
    """

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
    HAND_OVER = 19


class Limits(NamedTuple):
    """The thresholds: percent of usable capacity, and seconds."""

    cut_in_percent: float
    cut_out_percent: float
    floor_percent: float
    confirm_s: float
    min_on_s: float
    min_off_s: float


class Memory(NamedTuple):
    """What the law remembers between evaluations. Moments in s; NaN: there is none.

    `surplus`: the latch. `above_since`: stamp of the sample with which the evidence for surplus began; `heard_at`:
    when that sample was looked at. `newest`: the latest stamp of any state of charge. `by_hand`: the demand that last
    held the relay on was hand, not surplus.
    """

    surplus: bool
    above_since: float
    heard_at: float
    newest: float
    position: Position
    relay_since: float
    by_hand: bool


class Inputs(NamedTuple):
    """All that the law looks at, at time `t` (s). `state_of_charge` is NaN unless live (percent).

    `stamp`: when that was measured, if this evaluation is its arrival, else NaN. `seen`: there has been a live state
    of charge since start. `permissive`: the first configured permissive that does not hold, as its cause, or NONE.
    """

    t: float
    state_of_charge: float
    stamp: float
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


class Dwell(NamedTuple):
    """The rule while the dwell of the present position is running, and the rule once it is over."""

    running: Rule
    over: Rule


# The law as a table: where the relay is, and what vetoes and demand amount to, give where it goes and why.
#
# Six lines, and a person can check what matters by reading down the right-hand side: `Position.ON` follows an OFF in
# one place only, and both VETOED lines are off in both columns. The tests check the same as data, and that a flipped
# cell is noticed; a situation without a line is a KeyError at import.
#
# (OFF, VETOED)    Stay off. The veto is the cause even while the dwell is running: an owner who asks why the heater
#                  is cold wants "outside_window", not "min_off_dwell".
# (OFF, IDLE)      Nothing is asked for. The cause says how far the evidence is (below_cut_in, confirming).
# (OFF, DEMANDED)  The only way on, and only once the relay has been off for min_off_s, counted from the start too: a
#                  daemon that crashes and restarts every minute would otherwise switch a contactor every minute.
# (ON, VETOED)     Off at once, in both columns: the minimum on-time is there to spare the contact, and never outweighs
#                  a reason to be off. The tempting cell to get wrong is `running`, where "hold it for its dwell" reads
#                  like tidy engineering and means heating on lost data.
# (ON, IDLE)       The surplus or the hand time has ended: held until min_on_s is over, then off. A cloud that takes the
#                  bank below the cut-out for ten seconds must not cost a switching cycle.
# (ON, DEMANDED)   Stay on. Dwells say nothing about a relay that may stay where it is.
RULES: dict[tuple[Position, Situation], Dwell] = {
    (Position.OFF, Situation.VETOED): Dwell(
        running=Rule(Position.OFF, Why.VETO),
        over=Rule(Position.OFF, Why.VETO),
    ),
    (Position.OFF, Situation.IDLE): Dwell(
        running=Rule(Position.OFF, Why.NO_DEMAND),
        over=Rule(Position.OFF, Why.NO_DEMAND),
    ),
    (Position.OFF, Situation.DEMANDED): Dwell(
        running=Rule(Position.OFF, Why.DWELL_OFF),
        over=Rule(Position.ON, Why.DEMAND),
    ),
    (Position.ON, Situation.VETOED): Dwell(
        running=Rule(Position.OFF, Why.VETO),
        over=Rule(Position.OFF, Why.VETO),
    ),
    (Position.ON, Situation.IDLE): Dwell(
        running=Rule(Position.ON, Why.DWELL_ON),
        over=Rule(Position.OFF, Why.NO_DEMAND),
    ),
    (Position.ON, Situation.DEMANDED): Dwell(
        running=Rule(Position.ON, Why.DEMAND),
        over=Rule(Position.ON, Why.DEMAND),
    ),
}


def by_number(rules: dict[tuple[Position, Situation], Dwell]) -> tuple[tuple[Dwell, ...], ...]:
    """Return the table as [position][situation], for the compiler, which takes no dict."""
    return tuple(tuple(rules[position, situation] for situation in Situation) for position in Position)


_BY_NUMBER = by_number(RULES)


def start(t: float) -> Memory:
    """Return the memory at start: latch off, relay off, and off counted from `t` (s)."""
    return Memory(False, MISSING, MISSING, MISSING, Position.OFF, t, False)


def begin_evidence_anew(memory: Memory) -> Memory:
    """Return the memory without the evidence for surplus; the latch and the newest stamp stay."""
    surplus, _, _, newest, position, relay_since, by_hand = memory
    return Memory(surplus, MISSING, MISSING, newest, position, relay_since, by_hand)


def hear(memory: Memory, stamp: float) -> Memory:
    """Return the memory with a state of charge of that stamp heard of, which is no evidence."""
    surplus, above_since, heard_at, newest, position, relay_since, by_hand = memory
    return Memory(surplus, above_since, heard_at, newest if stamp < newest else stamp, position, relay_since, by_hand)


def put_relay(memory: Memory, position: Position, since: float) -> Memory:
    """Return the memory with the relay in `position` since then (s), whatever the law made of it."""
    surplus, above_since, heard_at, newest, _, _, by_hand = memory
    return Memory(surplus, above_since, heard_at, newest, position, since, by_hand)


def latch_surplus(limits: Limits, memory: Memory, inputs: Inputs) -> Memory:
    """Return the memory with the surplus latch, and the evidence for it, after one look."""
    # The evidence is a span of measurements, so it is timed by their stamps: a bridge that comes back after a stall
    # hands over a minute of values, all as old as the stall, and may take a minute doing so. Timed by the moment of
    # evaluation that looks like a minute of surplus, and it switched a heater on. It must also have been listened to
    # for as long: values with their own timestamps may arrive all at once. A stamp that goes back is no evidence,
    # since what was measured after it has been heard already.
    soc, stamp = inputs.state_of_charge, inputs.stamp
    surplus, above_since, heard_at, newest, position, relay_since, by_hand = memory
    is_evidence = not is_missing(stamp) and not stamp < newest
    if is_evidence:
        newest = stamp
    # NaN lands here too: no data, no surplus.
    if not soc >= limits.cut_out_percent:
        surplus, above_since, heard_at = False, MISSING, MISSING
    elif not soc >= limits.cut_in_percent:
        above_since, heard_at = MISSING, MISSING
    elif is_evidence:
        if is_missing(above_since):
            above_since, heard_at = stamp, inputs.t
        confirmed = stamp >= above_since + limits.confirm_s and inputs.t >= heard_at + limits.confirm_s
        surplus = surplus or confirmed
    return Memory(surplus, above_since, heard_at, newest, position, relay_since, by_hand)


def first_veto(limits: Limits, inputs: Inputs) -> Cause:
    """Return the first veto in the order of the law, or NONE."""
    # None of these asks whether it is hand or the latch that wants the heater on: a floor that a person's `hand` could
    # pass would protect no battery.
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
    if memory.position == Position.ON:
        return Cause.HAND_OVER if memory.by_hand else Cause.BELOW_CUT_OUT
    return Cause.CONFIRMING if inputs.state_of_charge >= limits.cut_in_percent else Cause.BELOW_CUT_IN


def step(limits: Limits, memory: Memory, inputs: Inputs) -> Verdict:
    """Apply the law once.

    Args: the thresholds, the memory of the last evaluation, and what is true at `inputs.t` (which never goes back).
    Returns the new memory and the cause. Pure: equal arguments give equal results.
    """
    latched = latch_surplus(limits, memory, inputs)
    veto = first_veto(limits, inputs)
    is_hand = inputs.selector == Selector.HAND
    demanded = is_hand or (inputs.selector == Selector.AUTO and latched.surplus)
    situation = Situation.VETOED if veto != Cause.NONE else Situation.DEMANDED if demanded else Situation.IDLE
    dwell_s = limits.min_on_s if memory.position == Position.ON else limits.min_off_s
    dwell = _BY_NUMBER[memory.position + 0][situation + 0]
    rule = dwell.over if inputs.t >= memory.relay_since + dwell_s else dwell.running
    cause = name_cause(limits, memory, inputs, veto, rule.why)
    by_hand = is_hand if rule.why == Why.DEMAND else memory.by_hand and rule.position == Position.ON
    relay_since = memory.relay_since if rule.position == memory.position else inputs.t
    surplus, above_since, heard_at, newest, _, _, _ = latched
    return Verdict(Memory(surplus, above_since, heard_at, newest, rule.position, relay_since, by_hand), cause)
