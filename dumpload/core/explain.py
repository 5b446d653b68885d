"""The words a person reads: what every cause means, and what would change the relay and when.

Words only: nothing is decided here.
"""

from collections.abc import Callable, Iterator
from typing import NamedTuple

from dumpload.core.controller import Controller, Lockout
from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.permissive import BUDGET_TOLERANCE_S

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
    """What would move the relay to `position`: the condition, as a clause, and a moment (monotonic s; NaN: not known).

    To go on, it is not before `at`, by the bank alone (a request by hand may come sooner); to go off, it is at `at`
    at the latest, as things stand.
    """

    position: Position
    condition: str
    at: float


class Clause(NamedTuple):
    """One condition in words, and when it comes true (monotonic s; NaN: not known)."""

    words: str
    at: float = MISSING


_NOTHING = Clause("")


def cause_name(cause: Cause) -> str:
    """Return the published name, such as `below_cut_in`."""
    return cause.name.lower()


def outlook(controller: Controller, t: float) -> Outlook:
    """Return what would change the relay after `t` (monotonic s), as far as it can be known."""
    position, words, at = _outlook_on(controller) if controller.position == Position.ON else _outlook_off(controller)
    return Outlook(position, words, at if at > t else MISSING)


def _outlook_off(controller: Controller) -> Outlook:
    if controller.cause == Cause.STOPPING:
        return Outlook(Position.ON, "the service is started again", MISSING)
    lifted = _VETO_LIFTED.get(controller.cause, _no_veto)(controller)
    wanting = [clause for clause in (lifted, _demanded(controller)) if clause.words]
    dwelt_at = controller.law_memory.relay_since + controller.setup.limits.min_off_s
    at = max([dwelt_at, *(clause.at for clause in wanting if not is_missing(clause.at))])
    words = [clause.words for clause in wanting] or ["its minimum off-time is over"]
    return Outlook(Position.ON, ", and ".join(words), at)


def _outlook_on(controller: Controller) -> Outlook:
    if controller.cause == Cause.LOCKOUT:  # it could not be driven off
        return Outlook(Position.OFF, "a person opens the isolator: the pin could not be driven off", MISSING)
    limits = controller.setup.limits
    ends = [end for end in _ends(controller) if end.at < NEVER]
    first = min(ends, key=lambda end: end.at, default=_NOTHING)
    least = f"{limits.cut_out_percent:g} %"
    if controller.cause in (Cause.HAND, Cause.MIN_ON_DWELL):  # these yield to a veto only
        least = f"the floor, {limits.floor_percent:g} %"
    words = [first.words, f"the state of charge falls below {least}", "a permissive no longer holds", "data are lost"]
    return Outlook(Position.OFF, ", or ".join(filter(None, words)), first.at)


def _ends(controller: Controller) -> Iterator[Clause]:
    """Yield why the load goes off by itself, and when (NaN or NEVER: it does not)."""
    limits, permissives = controller.setup.limits, controller.setup.permissives
    since, memory = controller.law_memory.relay_since, controller.permissive_memory
    yield Clause(f"it has been on for {permissives.max_on_s:g} s", since + permissives.max_on_s)
    budget_ends_at = memory.counted_at + permissives.max_on_per_day_s - memory.on_time_s
    if budget_ends_at < controller.day_ends_at:
        yield Clause("the on-time of this day is used up", budget_ends_at)
    if controller.cause == Cause.MIN_ON_DWELL:
        yield Clause("its minimum on-time is over", since + limits.min_on_s)
    if controller.cause == Cause.HAND and not controller.law_memory.surplus:
        yield Clause("the time by hand is over", max(controller.hand_until, since + limits.min_on_s))
    yield Clause("the daylight window closes", controller.window_changes_at)


def _demanded(controller: Controller) -> Clause:
    """Return what is wanting for demand: nothing by hand, or while the surplus lasts."""
    limits, memory = controller.setup.limits, controller.law_memory
    if controller.selector == Selector.OFF:
        return Clause("the selector is set to auto or hand")
    if controller.selector == Selector.HAND or memory.surplus:
        return _NOTHING
    if not is_missing(memory.above_since):
        words = f"the state of charge stays at or above {limits.cut_in_percent:g} %"
        return Clause(words, memory.above_since + limits.confirm_s)
    words = f"the state of charge is at or above {limits.cut_in_percent:g} %"
    return Clause(f"{words} for {limits.confirm_s:g} s" if limits.confirm_s else words)


def _no_veto(_controller: Controller) -> Clause:
    return _NOTHING


def _data_arrived(_controller: Controller) -> Clause:
    return Clause("live data arrive")


def _reset(controller: Controller) -> Clause:
    fault = {Lockout.CONTACT_CLOSED: "the contact is closed although commanded off", Lockout.PIN_FAULT: "the pin fails"}
    return Clause(f"a person looks ({fault[controller.lockout]}) and resets the lockout")


def _above_floor(controller: Controller) -> Clause:
    if controller.selector != Selector.HAND:
        return _NOTHING  # the cut-in, which demand waits for, is higher
    return Clause(f"the state of charge is at or above the floor, {controller.setup.limits.floor_percent:g} %")


def _window_open(controller: Controller) -> Clause:
    return Clause("the daylight window opens", controller.window_changes_at)


def _voltage_back(controller: Controller) -> Clause:
    return Clause(f"the bus voltage is at or above {controller.setup.permissives.voltage_cut_in_v:g} V")


def _tank_cooled(controller: Controller) -> Clause:
    return Clause(f"the tank is at or below {controller.setup.permissives.tank_cut_in_c:g} degC")


def _rested(controller: Controller) -> Clause:
    at = controller.permissive_memory.drained_at + controller.setup.permissives.drain_rest_s
    return Clause("the rest after the drain is over", at)


def _duty_renewed(controller: Controller) -> Clause:
    left_s = controller.setup.permissives.max_on_per_day_s - controller.permissive_memory.on_time_s
    if left_s <= BUDGET_TOLERANCE_S:
        return Clause("a new day begins", controller.day_ends_at)
    return _NOTHING  # that run is over: the dwell is all there is


_VETO_LIFTED: dict[Cause, Callable[[Controller], Clause]] = {
    Cause.STARTING: _data_arrived,
    Cause.DATA_LOST: _data_arrived,
    Cause.LOCKOUT: _reset,
    Cause.BELOW_FLOOR: _above_floor,
    Cause.OUTSIDE_WINDOW: _window_open,
    Cause.VOLTAGE_LOW: _voltage_back,
    Cause.TANK_HOT: _tank_cooled,
    Cause.DRAIN_LIMIT: _rested,
    Cause.DUTY_LIMIT: _duty_renewed,
}
