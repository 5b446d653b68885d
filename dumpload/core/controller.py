"""One event in, one decision out: the law, the permissives and the evidence, as a pure function of state and event.

The daemon, replay and the tests call `decide` and keep the state; nobody else writes it. It has no clock: an event
brings the time, monotonic and wall, and the caller brings the local time of that wall clock. Every state says when, at
the latest, its owner must be woken (`deadline`); before that nothing can change by itself.

Everything on the way is a float, an int, a bool, an enum or a named tuple of them, so that numba compiles these very
functions. A missing number is NaN.
"""

from dumpload.core.contact import ContactInputs, Evidence, Feedback, judge, next_look
from dumpload.core.freshness import MISSING, NEVER, is_missing, live_value
from dumpload.core.known import end_hand, is_believed, learn, lock_out, select
from dumpload.core.law import (
    Cause,
    Inputs,
    Memory,
    Position,
    Selector,
    Verdict,
    begin_evidence_anew,
    first_veto,
    hear,
    put_relay,
)
from dumpload.core.law import step as apply_law
from dumpload.core.permissive import NO_LIMITS, Permission, PermissiveInputs, PermissiveLimits, PermissiveMemory
from dumpload.core.permissive import next_change as next_permissive_change
from dumpload.core.permissive import step as ask_permissives
from dumpload.core.signals import Signal
from dumpload.core.state import (
    ControllerSettings,
    Data,
    Decision,
    Event,
    Kind,
    Known,
    Lockout,
    Setup,
    State,
    charge_expires_at,
    live_data,
    reconfigure,
    start,
)
from dumpload.core.window import LocalTime

__all__ = [
    "ControllerSettings",
    "Data",
    "Decision",
    "Event",
    "Kind",
    "Known",
    "Lockout",
    "Setup",
    "State",
    "decide",
    "is_overdue",
    "reconfigure",
    "remember",
    "start",
]


def is_overdue(state: State, event: Event) -> bool:
    """Return whether a deadline passed before this event came: decide on an OVERDUE at the same time first."""
    # What was lost meanwhile stays lost: the event loop had stalled for a minute past the expiry of the state of
    # charge, and the value that ended the stall made the loss undone, so that the load ran on through it. And nothing
    # may start on an overdue deadline, since the event behind it may forbid that: the minimum off-time ran out during
    # the stall, and the first thing heard after it was a person's `off`. A stop, and a pin that is on whatever we say,
    # are facts of now and wait for nothing.
    return state.deadline < event.t and event.kind not in (Kind.WAKE, Kind.STOP, Kind.ASSUME_ON)


def remember(settings: ControllerSettings, state: State, event: Event) -> State:
    """Return the state with one more value taken in, without a decision. No deadline may have passed.

    For values that come at one moment: the last of them goes to `decide`, so that a row is judged as a whole.
    """
    known = learn(settings, state.known, event, is_believed(settings, event))
    deadline = min(state.changes_at, expires_next(known.data, event.t))
    memory = state.law
    if event.kind == Kind.HELD and event.signal == Signal.STATE_OF_CHARGE:
        memory = hear(memory, event.stamp)
    return State(
        known,
        memory,
        state.permissives,
        state.permitted,
        state.evidence,
        state.cause,
        state.window_changes_at,
        state.day_ends_at,
        charge_expires_at(settings, known.data),
        state.changes_at,
        deadline,
    )


def decide(settings: ControllerSettings, state: State, event: Event, local: LocalTime) -> tuple[State, Decision]:
    """Evaluate everything on one event; `local` is the local time at `event.wall`.

    Pure: equal arguments give equal results. Times must not go back; at equal times an event comes before the deadline.
    """
    t, before = event.t, state.law
    accepted = is_believed(settings, event)
    known = learn(settings, state.known, event, accepted)
    data = live_data(settings, known.data, t)
    evidence = look_at_contact(settings, data, known.feedback, before, t)
    # A welded contact heats whatever the pin does. The lockout stops nothing, but it is published, it is kept over a
    # restart, and a person has to clear it.
    if evidence == Evidence.CLOSED_WHILE_OFF and known.lockout == Lockout.NONE:
        known = lock_out(known, Lockout.CONTACT_CLOSED)
    conditions = permissive_inputs(data, before, event, local)
    permissives, permitted = ask_permissives(settings.permissives, state.permissives, conditions)
    inputs = law_inputs(data, known, event, accepted, permitted.cause)
    refused = refuse_hand(settings, event, inputs)
    if refused != Cause.NONE:
        known = end_hand(select(known, state.known.selector, state.known.hand_until), t)
        inputs = law_inputs(data, known, event, accepted, permitted.cause)
    # A lost connection loses no data, their ages decide that; but samples that a broker held back and hands over all at
    # once would stay "at or above the cut-in" for the whole confirmation in one second.
    memory = begin_evidence_anew(before) if event.kind == Kind.EVIDENCE_RESET else before
    after, cause = overrule(state, event, apply_law(settings.limits, memory, inputs))
    changed = after.position != before.position and event.kind != Kind.ASSUME_ON
    # The evidence and the day's on-time count from the new position.
    if changed:
        evidence = Evidence.NONE
        permitted = after_change(settings.permissives, permissives, permitted, conditions, after)
    changes_at = next_change(settings, known, after, permitted, t)
    return State(
        known, after, permissives, permitted, evidence, cause, conditions.window_changes_at, conditions.day_ends_at,
        charge_expires_at(settings, known.data), changes_at, min(changes_at, expires_next(known.data, t)),
    ), Decision(
        t, event.wall, after.position, cause, changed, state.cause, t - before.relay_since,
        inputs.state_of_charge, accepted, refused,
    )  # fmt: skip


def contact_inputs(data: Data, feedback: Feedback, memory: Memory, t: float) -> ContactInputs:
    """Return what is seen of the contact at `t` (s)."""
    load = data.load_power
    return ContactInputs(t, memory.position, memory.relay_since, feedback, live_value(load, t), load.stamp)


def look_at_contact(settings: ControllerSettings, data: Data, feedback: Feedback, memory: Memory, t: float) -> Evidence:
    """Return what contradicts the command at `t` (s), by the feedback line or the load's power."""
    if feedback == Feedback.UNKNOWN and is_missing(data.load_power.stamp):
        return Evidence.NONE
    return judge(settings.feedback_s, contact_inputs(data, feedback, memory, t))


def permissive_inputs(data: Data, memory: Memory, event: Event, local: LocalTime) -> PermissiveInputs:
    """Return what the permissives look at; moments of the wall clock become moments on the clock of `t`."""
    t = event.t
    ahead = t - event.wall
    return PermissiveInputs(
        t,
        live_value(data.battery_voltage, t),
        live_value(data.tank_temperature, t),
        live_value(data.battery_power, t),
        memory.position,
        memory.relay_since,
        local.inside,
        local.changes_at + ahead,
        local.day,
        local.day_began_at + ahead,
        local.day_ends_at + ahead,
    )


def law_inputs(data: Data, known: Known, event: Event, accepted: bool, permitted: Cause) -> Inputs:
    """Return what the law looks at."""
    charge = data.state_of_charge
    stamp = known.data.state_of_charge.stamp if accepted and event.signal == Signal.STATE_OF_CHARGE else MISSING
    soc = live_value(charge, event.t)
    return Inputs(event.t, soc, stamp, known.seen, known.selector, known.lockout != Lockout.NONE, permitted)


def refuse_hand(settings: ControllerSettings, event: Event, inputs: Inputs) -> Cause:
    """Return the veto that forbids hand at the moment it is asked for, or NONE."""
    # A refused request leaves the selector as it was. Were it remembered, the heater would come on by itself hours
    # later, when the window opens, with nobody there who asked for that.
    if event.kind == Kind.SELECT and inputs.selector == Selector.HAND:
        return first_veto(settings.limits, inputs)
    return Cause.NONE


def overrule(state: State, event: Event, verdict: Verdict) -> Verdict:
    """Return what the law came to, unless the event itself says where the relay is, or that nothing may start yet."""
    if event.kind == Kind.SAMPLE and not event.more:  # short cut
        return verdict
    before, after = state.law, verdict.memory
    if event.kind == Kind.STOP:
        if before.position == Position.ON:
            return Verdict(put_relay(after, Position.OFF, event.t), Cause.STOPPING)
        return Verdict(put_relay(after, Position.OFF, before.relay_since), state.cause)
    if event.kind == Kind.ASSUME_ON:
        return Verdict(put_relay(after, Position.ON, event.stamp), Cause.LOCKOUT)
    is_late = event.kind == Kind.OVERDUE
    if (is_late or event.more) and after.position != before.position and after.position == Position.ON:
        cause = Cause.MIN_OFF_DWELL if is_late else state.cause
        return Verdict(put_relay(after, Position.OFF, before.relay_since), cause)
    return verdict


def after_change(
    limits: PermissiveLimits,
    permissives: PermissiveMemory,
    permitted: Permission,
    inputs: PermissiveInputs,
    after: Memory,
) -> Permission:
    """Return the permission once the relay has moved: the next moment at which it may change counts from there."""
    if limits == NO_LIMITS:  # the window alone asks for no position
        return permitted
    moved = PermissiveInputs(
        inputs.t,
        inputs.battery_voltage_v,
        inputs.tank_temperature_c,
        inputs.battery_power_w,
        after.position,
        after.relay_since,
        inputs.inside_window,
        inputs.window_changes_at,
        inputs.day,
        inputs.day_began_at,
        inputs.day_ends_at,
    )
    return Permission(permitted.cause, next_permissive_change(limits, permissives, moved))


def expires_next(data: Data, t: float) -> float:
    """Return when the next of the live values will be lost (s)."""
    moment = NEVER
    for datum in data:
        if t < datum.expires_at < moment:
            moment = datum.expires_at
    return moment


def next_change(settings: ControllerSettings, known: Known, memory: Memory, permitted: Permission, t: float) -> float:
    """Return the earliest moment after `t` (s) at which anything but the age of data can change by itself."""
    limits = settings.limits
    moment = known.hand_until if known.hand_until < permitted.deadline else permitted.deadline
    dwell_over_at = memory.relay_since + (limits.min_on_s if memory.position == Position.ON else limits.min_off_s)
    if t < dwell_over_at < moment:
        moment = dwell_over_at
    if known.feedback != Feedback.UNKNOWN:
        moment = min(moment, next_look(settings.feedback_s, contact_inputs(known.data, known.feedback, memory, t)))
    return moment
