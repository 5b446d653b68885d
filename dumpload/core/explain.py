"""The texts a person reads: what every cause means, and what would change the relay and when."""

from collections.abc import Callable, Iterator
from typing import NamedTuple

from dumpload.core.controller import ControllerSettings, Lockout, State
from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.permissive import BUDGET_TOLERANCE_S
from dumpload.core.text import duration

MEANINGS: dict[Cause, str] = {
    Cause.STARTING: "No valid state of charge since the start.",
    Cause.DATA_LOST: "No valid state of charge, or another required signal is lost.",
    Cause.LOCKOUT: "Locked out: contact closed although commanded off, or pin failure. Inspect, then reset.",
    Cause.SELECTOR_OFF: "Switched off by the selector.",
    Cause.BELOW_FLOOR: "State of charge below the floor.",
    Cause.OUTSIDE_WINDOW: "Outside the daylight window.",
    Cause.VOLTAGE_LOW: "Battery voltage fell below its cut-out and has not recovered to its cut-in.",
    Cause.TANK_HOT: "The tank reached its cut-out temperature and has not cooled to its cut-in.",
    Cause.DRAIN_LIMIT: "Stopped because the battery was supplying too much. Pausing.",
    Cause.DUTY_LIMIT: "Run-time limit reached, for this run or for today.",
    Cause.BELOW_CUT_IN: "No surplus: the state of charge has not reached the cut-in.",
    Cause.CONFIRMING: "Charge is high enough; confirming.",
    Cause.MIN_OFF_DWELL: "Waiting out the minimum off time.",
    Cause.BELOW_CUT_OUT: "The surplus has ended: the state of charge fell below the cut-out.",
    Cause.SURPLUS: "On: the state of charge reached the cut-in and has not fallen below the cut-out.",
    Cause.HAND: "On: running by hand, for the time requested.",
    Cause.MIN_ON_DWELL: "On: no more demand; waiting out the minimum on time.",
    Cause.HAND_OVER: "The run by hand has ended, and there is no surplus.",
    Cause.STOPPING: "Shutting down; relay switched off.",
}


class Outlook(NamedTuple):
    """What would move the relay to `position`: the condition, as a clause, and a moment (monotonic s; NaN: not known).

    To go on, it is not before `at`, by the battery alone (a request by hand may come sooner); to go off, it is at `at`
    at the latest, if nothing else changes.
    """

    position: Position
    condition: str
    at: float


class Clause(NamedTuple):
    """One condition as text, and when it comes true (monotonic s; NaN: not known)."""

    text: str
    at: float = MISSING


_NOTHING = Clause("")


def cause_name(cause: Cause) -> str:
    """Return the published name, such as `below_cut_in`."""
    return cause.name.lower()


def outlook(settings: ControllerSettings, state: State, t: float) -> Outlook:
    """Return what would change the relay after `t` (monotonic s), as far as it can be known."""
    position, text, at = (
        _outlook_on(settings, state) if state.position == Position.ON else _outlook_off(settings, state)
    )
    return Outlook(position, text, at if at > t else MISSING)


def _outlook_off(settings: ControllerSettings, state: State) -> Outlook:
    if state.cause == Cause.STOPPING:
        return Outlook(Position.ON, "the service is started again", MISSING)
    lifted = _VETO_LIFTED.get(state.cause, _no_veto)(settings, state)
    wanting = [clause for clause in (lifted, _demanded(settings, state)) if clause.text]
    dwelt_at = state.law.relay_since + settings.limits.min_off_s
    at = max([dwelt_at, *(clause.at for clause in wanting if not is_missing(clause.at))])
    conditions = [clause.text for clause in wanting] or ["the minimum off time is over"]
    return Outlook(Position.ON, ", and ".join(conditions), at)


def _outlook_on(settings: ControllerSettings, state: State) -> Outlook:
    if state.cause == Cause.LOCKOUT:  # it could not be driven off
        return Outlook(Position.OFF, "a person opens the isolator, because the pin could not be driven off", MISSING)
    limits = settings.limits
    ends = [end for end in _ends(settings, state) if end.at < NEVER]
    first = min(ends, key=lambda end: end.at, default=_NOTHING)
    least = f"{limits.cut_out_percent:g} %"
    if state.cause in (Cause.HAND, Cause.MIN_ON_DWELL):  # these yield to a veto only
        least = f"the floor, {limits.floor_percent:g} %"
    conditions = [first.text, f"the state of charge falls below {least}", "a limit is reached", "data are lost"]
    return Outlook(Position.OFF, ", or ".join(filter(None, conditions)), first.at)


def _ends(settings: ControllerSettings, state: State) -> Iterator[Clause]:
    """Yield the conditions that switch the heater off, and when (NaN or NEVER: it does not)."""
    limits, permissives = settings.limits, settings.permissives
    since, memory = state.law.relay_since, state.permissives
    if not is_missing(permissives.max_on_s):
        yield Clause(f"it has been on for {duration(permissives.max_on_s)}", since + permissives.max_on_s)
    budget_ends_at = memory.counted_at + permissives.max_on_per_day_s - memory.on_time_s
    if budget_ends_at < state.day_ends_at:
        yield Clause("the on-time of today is used up", budget_ends_at)
    if state.cause == Cause.MIN_ON_DWELL:
        yield Clause("the minimum on time is over", since + limits.min_on_s)
    if state.cause == Cause.HAND and not state.law.surplus:
        yield Clause("the run by hand is over", max(state.known.hand_until, since + limits.min_on_s))
    yield Clause("the daylight window closes", state.window_changes_at)


def _demanded(settings: ControllerSettings, state: State) -> Clause:
    """Return the condition missing for demand: none by hand, or while the surplus lasts."""
    limits, memory = settings.limits, state.law
    if state.selector == Selector.OFF:
        return Clause("the selector is set to auto or hand")
    if state.selector == Selector.HAND or memory.surplus:
        return _NOTHING
    if not is_missing(memory.above_since):
        text = f"the state of charge stays at or above {limits.cut_in_percent:g} %"
        return Clause(text, memory.heard_at + limits.confirm_s)
    text = f"the state of charge is at or above {limits.cut_in_percent:g} %"
    return Clause(f"{text} for {limits.confirm_s:g} s" if limits.confirm_s else text)


def _no_veto(_settings: ControllerSettings, _state: State) -> Clause:
    return _NOTHING


def _data_arrived(_settings: ControllerSettings, _state: State) -> Clause:
    return Clause("valid data arrive")


def _reset(_settings: ControllerSettings, state: State) -> Clause:
    fault = {Lockout.CONTACT_CLOSED: "contact closed although commanded off", Lockout.PIN_FAULT: "pin failure"}
    return Clause(f"the fault ({fault[state.lockout]}) is inspected and the lockout is reset")


def _above_floor(settings: ControllerSettings, state: State) -> Clause:
    if state.selector != Selector.HAND:
        # The cut-in, which demand waits for, is higher.
        return _NOTHING
    return Clause(f"the state of charge is at or above the floor, {settings.limits.floor_percent:g} %")


def _window_open(_settings: ControllerSettings, state: State) -> Clause:
    return Clause("the daylight window opens", state.window_changes_at)


def _voltage_back(settings: ControllerSettings, _state: State) -> Clause:
    return Clause(f"the battery voltage is at or above {settings.permissives.voltage_cut_in_v:g} V")


def _tank_cooled(settings: ControllerSettings, _state: State) -> Clause:
    return Clause(f"the tank is at or below {settings.permissives.tank_cut_in_c:g} °C")


def _rested(settings: ControllerSettings, state: State) -> Clause:
    at = state.permissives.drained_at + settings.permissives.drain_rest_s
    return Clause("the pause after the drain is over", at)


def _duty_renewed(settings: ControllerSettings, state: State) -> Clause:
    left_s = settings.permissives.max_on_per_day_s - state.permissives.on_time_s
    if left_s <= BUDGET_TOLERANCE_S:
        return Clause("a new day begins", state.day_ends_at)
    # That run is over: the dwell is all there is.
    return _NOTHING


_VETO_LIFTED: dict[Cause, Callable[[ControllerSettings, State], Clause]] = {
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
