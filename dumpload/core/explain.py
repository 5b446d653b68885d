"""The words a person reads: what every cause means, and what would change the relay and when.

Words only: nothing is decided here.
"""

from typing import NamedTuple

from dumpload.core.controller import Controller, Lockout
from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.law import Cause, Position, Selector

MEANINGS: dict[Cause, str] = {
    Cause.STARTING: "No live state of charge has arrived since the start.",
    Cause.DATA_LOST: "The state of charge, or a permissive's own signal, is too old, unknown or gone.",
    Cause.LOCKOUT: "A fault was found (contact closed while commanded off, or the pin fails). A person must look, "
    "then reset it.",
    Cause.SELECTOR_OFF: "The selector is in off.",
    Cause.BELOW_FLOOR: "The state of charge is below the floor: off whatever else is true.",
    Cause.OUTSIDE_WINDOW: "It is outside the daylight window.",
    Cause.VOLTAGE_LOW: "The bus voltage fell below its cut-out, and is not back at its cut-in.",
    Cause.TANK_HOT: "The tank reached its cut-out temperature, and is not back down at its cut-in.",
    Cause.DRAIN_LIMIT: "The bank was drained above the limit for too long, and the rest is not over.",
    Cause.DUTY_LIMIT: "This run, or this day, has used up its on-time.",
    Cause.BELOW_CUT_IN: "There is no surplus: the state of charge has not reached the cut-in.",
    Cause.CONFIRMING: "The state of charge is at or above the cut-in, and has not been so for long enough yet.",
    Cause.MIN_OFF_DWELL: "There is demand, but the relay has not been off for its minimum time.",
    Cause.BELOW_CUT_OUT: "The state of charge fell below the cut-out: the surplus has ended.",
    Cause.SURPLUS: "On: the state of charge reached the cut-in and has not fallen below the cut-out.",
    Cause.HAND: "On by hand, until the time given with the request.",
    Cause.MIN_ON_DWELL: "On: the surplus has ended, but the relay has not been on for its minimum time.",
    Cause.STOPPING: "The service is ending; it drove the relay off first.",
}


class Outlook(NamedTuple):
    """What would move the relay to `position`: the condition in words, and when (monotonic s; NaN: not known)."""

    position: Position
    condition: str
    at: float


def cause_name(cause: Cause) -> str:
    """Return the published name, such as `below_cut_in`."""
    return cause.name.lower()


def outlook(controller: Controller) -> Outlook:
    """Return what would change the relay next, as far as it can be known."""
    if controller.position == Position.ON:
        return _outlook_on(controller)
    condition, at = _OFF_CONDITIONS.get(controller.cause, _wait_for_surplus)(controller)
    return Outlook(Position.ON, condition, at)


def _outlook_on(controller: Controller) -> Outlook:
    limits, since = controller.setup.limits, controller.law_memory.relay_since
    permissives = controller.setup.permissives
    ends = [(since + permissives.max_on_s, f"it has been on for {permissives.max_on_s:g} s")]
    if controller.cause == Cause.MIN_ON_DWELL:
        ends.append((since + limits.min_on_s, "its minimum on-time is over"))
    if controller.selector == Selector.HAND:
        ends.append((controller.hand_until, "the time by hand is over"))
    if controller.setup.spans:
        ends.append((controller.window_changes_at, "the daylight window closes"))
    known = [end for end in ends if not is_missing(end[0]) and end[0] < NEVER]
    at, words = min(known, default=(MISSING, ""))
    condition = f"state of charge below {limits.cut_out_percent:g} %"
    if controller.selector == Selector.HAND:
        condition = f"state of charge below the floor, {limits.floor_percent:g} %"
    condition += ", or a permissive no longer holds, or data are lost"
    return Outlook(Position.OFF, f"{words}; sooner at {condition}" if words else condition, at)


def _wait_for_surplus(controller: Controller) -> tuple[str, float]:
    limits = controller.setup.limits
    words = f"state of charge at or above {limits.cut_in_percent:g} %"
    return (f"{words} for {limits.confirm_s:g} s" if limits.confirm_s else words), MISSING


def _after_data(controller: Controller) -> tuple[str, float]:
    if controller.selector == Selector.HAND:
        return "live data arrive", MISSING
    return f"live data arrive, and then {_wait_for_surplus(controller)[0]}", MISSING


def _after_reset(controller: Controller) -> tuple[str, float]:
    fault = {Lockout.CONTACT_CLOSED: "the contact is closed although commanded off", Lockout.PIN_FAULT: "the pin fails"}
    return f"a person looks ({fault.get(controller.lockout, 'fault')}) and resets the lockout", MISSING


def _after_selector(_controller: Controller) -> tuple[str, float]:
    return "the selector is set to auto or hand", MISSING


def _above_floor(controller: Controller) -> tuple[str, float]:
    return f"state of charge at or above {controller.setup.limits.cut_in_percent:g} % (now below the floor)", MISSING


def _in_window(controller: Controller) -> tuple[str, float]:
    return "the daylight window opens, and there is surplus then", controller.window_changes_at


def _voltage(controller: Controller) -> tuple[str, float]:
    return f"bus voltage at or above {controller.setup.permissives.voltage_cut_in_v:g} V", MISSING


def _tank(controller: Controller) -> tuple[str, float]:
    return f"tank at or below {controller.setup.permissives.tank_cut_in_c:g} degC", MISSING


def _rested(controller: Controller) -> tuple[str, float]:
    at = controller.permissive_memory.drained_at + controller.setup.permissives.drain_rest_s
    return "the rest after the drain is over", at


def _new_day(controller: Controller) -> tuple[str, float]:
    return "a new day begins", controller.permitted.deadline


def _confirmed(controller: Controller) -> tuple[str, float]:
    at = controller.law_memory.above_since + controller.setup.limits.confirm_s
    return f"state of charge stays at or above {controller.setup.limits.cut_in_percent:g} %", at


def _dwelt(controller: Controller) -> tuple[str, float]:
    return "its minimum off-time is over", controller.law_memory.relay_since + controller.setup.limits.min_off_s


_OFF_CONDITIONS = {
    Cause.STARTING: _after_data,
    Cause.DATA_LOST: _after_data,
    Cause.LOCKOUT: _after_reset,
    Cause.SELECTOR_OFF: _after_selector,
    Cause.BELOW_FLOOR: _above_floor,
    Cause.OUTSIDE_WINDOW: _in_window,
    Cause.VOLTAGE_LOW: _voltage,
    Cause.TANK_HOT: _tank,
    Cause.DRAIN_LIMIT: _rested,
    Cause.DUTY_LIMIT: _new_day,
    Cause.CONFIRMING: _confirmed,
    Cause.MIN_OFF_DWELL: _dwelt,
}
