"""The control law once more, written from the design's section 2 and from nothing else: plain scalars, for the plant.

`tests/test_proof_bench.py` holds it against the program itself. It knows as much of the law as a world needs, where
data are always live, nobody touches the selector, and every time is a multiple of the telemetry's period.
"""

from typing import NamedTuple

import numba
import numpy as np

NAN = np.nan


class Rule(NamedTuple):
    """The settings that the pairs vary: percent, seconds, seconds of the local day, V, W. NaN: not set."""

    cut_in: float = 97.0
    cut_out: float = 93.0
    floor: float = 50.0
    confirm_s: float = 30.0
    min_on_s: float = 300.0
    min_off_s: float = 300.0
    opens_s: float = 9 * 3_600.0
    closes_s: float = 17 * 3_600.0
    volts_out: float = NAN
    volts_in: float = NAN
    drain_w: float = NAN
    drain_s: float = 60.0
    rest_s: float = 900.0


class Memory(NamedTuple):
    """What the law remembers; moments in s, NaN: none."""

    latch: bool
    above_since: float
    on: bool
    since: float
    volts_held: bool
    over_since: float
    tripped_at: float


@numba.njit(cache=True)
def begin(t: float) -> Memory:
    """Return the memory of a start at `t` (s)."""
    return Memory(False, NAN, False, t, False, NAN, NAN)


@numba.njit(cache=True)
def latch_of(rule: Rule, latch: bool, above_since: float, t: float, soc: float) -> tuple[bool, float]:
    """Return the surplus latch, and since when the charge is above the cut-in."""
    if soc < rule.cut_out:
        return False, NAN
    if soc < rule.cut_in:
        return latch, NAN
    since = t if np.isnan(above_since) else above_since
    return latch or t >= since + rule.confirm_s, since


@numba.njit(cache=True)
def drain_of(rule: Rule, over_since: float, tripped_at: float, t: float, watts: float) -> tuple[float, float]:
    """Return since when the bank is drained above the limit, and when that tripped."""
    is_over = -watts > rule.drain_w
    since = (t if np.isnan(over_since) else over_since) if is_over else NAN
    if np.isnan(tripped_at):
        return since, t if is_over and t >= since + rule.drain_s else NAN
    return since, NAN if t >= tripped_at + rule.rest_s and not is_over else tripped_at


@numba.njit(cache=True)
def judge(rule: Rule, memory: Memory, t: float, second: float, soc: float, volts: float, watts: float) -> Memory:
    """Return the memory after one look at time `t`, `second` of the local day: percent, V, W (charging positive)."""
    latch, above_since = latch_of(rule, memory.latch, memory.above_since, t, soc)
    held = volts >= rule.volts_in or (memory.volts_held and volts >= rule.volts_out)
    over_since, tripped_at = drain_of(rule, memory.over_since, memory.tripped_at, t, watts)
    is_vetoed = soc < rule.floor or not rule.opens_s <= second < rule.closes_s
    is_vetoed = is_vetoed or (not np.isnan(rule.volts_out) and not held)
    is_vetoed = is_vetoed or (not np.isnan(rule.drain_w) and not np.isnan(tripped_at))
    on = memory.on
    if is_vetoed or (on and not latch and t >= memory.since + rule.min_on_s):
        on = False
    elif not on and latch and t >= memory.since + rule.min_off_s:
        on = True
    since = memory.since if on == memory.on else t
    return Memory(latch, above_since, on, since, held, over_since, tripped_at)
