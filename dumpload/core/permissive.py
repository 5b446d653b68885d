"""The permissives: conditions that must hold for the load to run. Numbers in, numbers out, like the law.

Each has its own memory (hysteresis or a timer). A permissive whose signal is not live vetoes as `data_lost` and
forgets: what it knew of the bank or the tank is no longer known, so it starts from "does not hold".
A limit that is not configured is NaN and holds always.
"""

from typing import NamedTuple

from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.law import Cause, Position

# Adding up on-times in floating point may miss the day's budget by this much.
BUDGET_TOLERANCE_S = 1e-6


class PermissiveLimits(NamedTuple):
    """The configured limits: V, degC, W, s. NaN where not configured."""

    voltage_cut_out_v: float = MISSING
    voltage_cut_in_v: float = MISSING
    tank_cut_out_c: float = MISSING
    tank_cut_in_c: float = MISSING
    drain_limit_w: float = MISSING
    drain_limit_s: float = MISSING
    drain_rest_s: float = MISSING
    max_on_s: float = MISSING
    max_on_per_day_s: float = MISSING


# Only a short cut is taken on equality with this. It must never decide anything: a NaN that is another object, and any
# NaN in compiled code, is unequal to itself, and the long way round then gives the same.
NO_LIMITS = PermissiveLimits()


class PermissiveMemory(NamedTuple):
    """What the permissives remember.

    `voltage_held`, `tank_held`: inside the hysteresis band, whether the permissive held last.
    `drain_since`: since when the bank is drained above the limit; `drained_at`: when that tripped (NaN: not).
    `on_time_s`: on-time counted for the local day numbered `day`, up to `counted_at`. `day_ends_at`: when the clock, as
    it was then, would show midnight; the day itself may be a later one, if the clock was set back or is not set yet.
    """

    voltage_held: bool
    tank_held: bool
    drain_since: float
    drained_at: float
    on_time_s: float
    counted_at: float
    day: int
    day_ends_at: float


class PermissiveInputs(NamedTuple):
    """What is true at `t` (s): measured values (NaN unless live), the relay, and the local day.

    `inside_window`, `window_changes_at`: the daylight window now, and when that changes (s, same clock as `t`).
    `day`, `day_began_at`, `day_ends_at`: the local calendar day, and its midnights on the clock of `t`.
    """

    t: float
    battery_voltage_v: float
    tank_temperature_c: float
    battery_power_w: float
    position: Position
    relay_since: float
    inside_window: bool
    window_changes_at: float
    day: int
    day_began_at: float
    day_ends_at: float


class Permission(NamedTuple):
    """The first permissive that does not hold (NONE: all hold), and the next moment at which one may change."""

    cause: Cause
    deadline: float


def start(t: float, on_time_s: float = 0.0, day: int = -1) -> PermissiveMemory:
    """Return the memory at start: nothing is known to hold, `on_time_s` counted on the local day numbered `day`."""
    return PermissiveMemory(False, False, MISSING, MISSING, on_time_s, t, day, NEVER)


def voltage_holds(limits: PermissiveLimits, is_held: bool, volts: float) -> bool:
    """Return whether the bus voltage permits: from at or above the cut-in until strictly below the cut-out."""
    return volts >= limits.voltage_cut_in_v or (is_held and volts >= limits.voltage_cut_out_v)


def tank_holds(limits: PermissiveLimits, is_held: bool, celsius: float) -> bool:
    """Return whether the tank permits: from at or below the cut-in until at or above the cut-out."""
    return celsius <= limits.tank_cut_in_c or (is_held and celsius < limits.tank_cut_out_c)


def drain(limits: PermissiveLimits, memory: PermissiveMemory, inputs: PermissiveInputs) -> tuple[float, float]:
    """Return (drain_since, drained_at) after looking at the battery power (W, charging positive)."""
    t, power = inputs.t, inputs.battery_power_w
    over = -power > limits.drain_limit_w
    since = memory.drain_since if over else MISSING
    if over and is_missing(since):
        since = t
    tripped_at = memory.drained_at
    # Trips once the bank has been drained above the limit for `drain_limit_s`; the rest runs from the trip, and longer
    # while the drain goes on: another load that pulls the bank down may do so for hours.
    if is_missing(tripped_at):
        return since, t if over and t >= since + limits.drain_limit_s else MISSING
    # Rest counts only while the power is known and not over the limit: a meter that dies in the middle of a drain would
    # else end the rest by its silence.
    rested = t >= tripped_at + limits.drain_rest_s and not over and not is_missing(power)
    return since, MISSING if rested else tripped_at


def is_new_day(memory: PermissiveMemory, inputs: PermissiveInputs) -> bool:
    """Return whether the day's budget is renewed: a later day, or a midnight that the clock came to by itself."""
    # A clock set back does not renew it. Nor does one that is set from 1970 to the day of which an earlier run had
    # counted: the board has no clock of its own, and the day of that run is remembered until the network brings the
    # time.
    return inputs.day > memory.day or inputs.t >= memory.day_ends_at


def count_on_time(memory: PermissiveMemory, inputs: PermissiveInputs) -> float:
    """Return the on-time (s) of the current local day up to now."""
    is_new = is_new_day(memory, inputs)
    base = 0.0 if is_new else memory.on_time_s
    if inputs.position != Position.ON:
        return base
    since = max(memory.counted_at, inputs.day_began_at) if is_new else memory.counted_at
    return base + max(0.0, inputs.t - since)


def remember(limits: PermissiveLimits, memory: PermissiveMemory, inputs: PermissiveInputs) -> PermissiveMemory:
    """Return the memory after looking at the inputs."""
    # Comparisons with NaN are false: a signal that is not live is "not held", and when it comes back it has to pass the
    # cut-in, not only the cut-out. What the bank did meanwhile nobody has seen.
    drain_since, drained_at = drain(limits, memory, inputs)
    return PermissiveMemory(
        voltage_holds(limits, memory.voltage_held, inputs.battery_voltage_v),
        tank_holds(limits, memory.tank_held, inputs.tank_temperature_c),
        drain_since,
        drained_at,
        count_on_time(memory, inputs),
        inputs.t,
        inputs.day if is_new_day(memory, inputs) else memory.day,
        inputs.day_ends_at,
    )


def duty_used_up(limits: PermissiveLimits, memory: PermissiveMemory, inputs: PermissiveInputs) -> bool:
    """Return whether this run, or this day, has used up its on-time."""
    run_over = inputs.position == Position.ON and inputs.t >= inputs.relay_since + limits.max_on_s
    return run_over or memory.on_time_s >= limits.max_on_per_day_s - BUDGET_TOLERANCE_S


def first_failed(limits: PermissiveLimits, memory: PermissiveMemory, inputs: PermissiveInputs) -> Cause:
    """Return the first permissive that does not hold, in the order of the law, or NONE."""
    if not inputs.inside_window:
        return Cause.OUTSIDE_WINDOW
    measured = (
        (limits.voltage_cut_out_v, inputs.battery_voltage_v, memory.voltage_held, Cause.VOLTAGE_LOW),
        (limits.tank_cut_out_c, inputs.tank_temperature_c, memory.tank_held, Cause.TANK_HOT),
        (limits.drain_limit_w, inputs.battery_power_w, is_missing(memory.drained_at), Cause.DRAIN_LIMIT),
    )
    for limit, value, holds, cause in measured:
        if is_missing(limit):
            continue
        if is_missing(value):
            return Cause.DATA_LOST
        if not holds:
            return cause
    return Cause.DUTY_LIMIT if duty_used_up(limits, memory, inputs) else Cause.NONE


def next_change(limits: PermissiveLimits, memory: PermissiveMemory, inputs: PermissiveInputs) -> float:
    """Return the next moment (s) at which a permissive may change by itself (NEVER: only an event can change one)."""
    t = inputs.t
    moment = earlier(NEVER, inputs.window_changes_at, t)
    if limits == NO_LIMITS:
        return moment
    moment = earlier(moment, memory.drain_since + limits.drain_limit_s, t)
    moment = earlier(moment, memory.drained_at + limits.drain_rest_s, t)
    if not is_missing(limits.max_on_per_day_s):
        moment = earlier(moment, inputs.day_ends_at, t)
    if inputs.position == Position.ON:
        moment = earlier(moment, inputs.relay_since + limits.max_on_s, t)
        moment = earlier(moment, t + (limits.max_on_per_day_s - memory.on_time_s), t)
    return moment


def earlier(best: float, moment: float, t: float) -> float:
    """Return the earlier of `best` and `moment`, if that is still to come at `t` (s). One that is NaN never is."""
    return moment if t < moment < best else best


def step(
    limits: PermissiveLimits, memory: PermissiveMemory, inputs: PermissiveInputs
) -> tuple[PermissiveMemory, Permission]:
    """Look at every permissive once; return the new memory and what it permits."""
    if limits == NO_LIMITS:
        return look_at_window(memory, inputs)
    after = remember(limits, memory, inputs)
    return after, Permission(first_failed(limits, after, inputs), next_change(limits, after, inputs))


def look_at_window(memory: PermissiveMemory, inputs: PermissiveInputs) -> tuple[PermissiveMemory, Permission]:
    """Return what `step` would return with no limit configured: the fast path of most boats."""
    on_time_s, day = count_on_time(memory, inputs), inputs.day if is_new_day(memory, inputs) else memory.day
    after = PermissiveMemory(False, False, MISSING, MISSING, on_time_s, inputs.t, day, inputs.day_ends_at)
    cause = Cause.NONE if inputs.inside_window else Cause.OUTSIDE_WINDOW
    return after, Permission(cause, next_change(NO_LIMITS, after, inputs))
