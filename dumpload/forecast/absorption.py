"""Identification of absorption: how long it holds, what ends it, and whether its pauses count."""

import math
from typing import NamedTuple

import numpy as np

from dumpload.forecast.evidence import Flags
from dumpload.forecast.runs import Run, closed_up, runs_of
from dumpload.forecast.seen import Seen, since

# Absorption pauses for clouds no longer than this, and ends if float or rest follow for longer than this (s).
PAUSE_S, ENDED_S = 1800.0, 240.0
# A stop within so few entries of the first contact with the set point comes without absorption.
AT_ONCE_ENTRIES = 2.5
# Absorption is longer than the time at its set point by more entries than this where it paused; whole ones needed.
PAUSED_ENTRIES, LEAST_WHOLE = 3.0, 3


class Absorption(NamedTuple):
    """One absorption: its entries, how long it held (s), and the current at its end; `ended`: float or rest followed.

    `passed_s`: time from its beginning until then. `is_full`: it left the bank full.
    """

    run: Run
    held_s: float
    passed_s: float
    amps: float
    ended: bool
    is_full: bool


def holds_of(seen: Seen, absorbing: Flags, after: Flags) -> list[Absorption]:
    """Return all absorptions."""
    holds = []
    for run in runs_of(closed_up(absorbing, round(PAUSE_S / seen.step_s))):
        inside = np.flatnonzero(absorbing[run.begin : run.end]) + run.begin
        tail = float(np.min(seen.amps[inside[-3:]]))
        later = after[run.end : run.end + round(PAUSE_S / seen.step_s)]
        until = run.entries + (int(later.argmax()) if later.any() else 0)
        held_s, passed_s = len(inside) * seen.step_s, until * seen.step_s
        holds.append(Absorption(run, held_s, passed_s, tail, bool(later.sum() * seen.step_s > ENDED_S), False))
    ends = [hold.amps for hold in holds if hold.ended]
    most = max(0.02 * seen.capacity_ah, 1.3 * float(np.median(ends)) if ends else 0.0)
    return [hold._replace(is_full=hold.amps <= most) for hold in holds]


def end_of_absorption(seen: Seen, holds: list[Absorption]) -> tuple[float, float, bool]:
    """Return the time (s) or the tail current (A) that ends absorption, whichever varies less from day to day.

    And whether its pauses count.
    """
    ended = [hold for hold in holds if hold.ended]
    if len(ended) < 2:
        return math.inf, math.nan, False
    times, tails = np.array([hold.held_s for hold in ended]), np.array([hold.amps for hold in ended])
    time_s, tail_a = float(np.median(times)), float(np.median(tails))
    # Where no absorption that ended was longer than rows can tell, the charger stops at the set point at once. The bus
    # also comes within reach of it without a stop, so those say nothing: one forecast was three times the truth.
    if time_s <= AT_ONCE_ENTRIES * seen.step_s:
        return 0.0, math.nan, False
    if max((hold.held_s for hold in holds if not hold.ended), default=0.0) > 1.3 * time_s:
        return math.inf, math.nan, False  # it holds for longer than what looked like an end: that was a cloud
    varies_time = np.subtract(*np.quantile(times, (0.75, 0.25))) / max(time_s, 2 * seen.step_s)
    varies_tail = np.subtract(*np.quantile(tails, (0.75, 0.25))) / max(tail_a, 1.0)
    if varies_time <= max(0.25, varies_tail) or tail_a < 0.002 * seen.capacity_ah:
        if _counts_pauses(seen, ended):
            return float(np.median([hold.passed_s for hold in ended])), math.nan, True
        return time_s, math.nan, False
    return float(times.max()), tail_a, False


def _counts_pauses(seen: Seen, ended: list[Absorption]) -> bool:
    """Return whether absorptions with pauses end as long after their beginning as others, pauses included.

    One charger was off for an hour that the forecast gave its sun to: 5 % too much heat.
    """
    paused = [hold for hold in ended if hold.passed_s - hold.held_s > PAUSED_ENTRIES * seen.step_s]
    whole = [hold.held_s for hold in ended if hold.passed_s - hold.held_s <= PAUSED_ENTRIES * seen.step_s]
    if not paused:
        return False
    held, passed = (np.array(times) for times in zip(*((hold.held_s, hold.passed_s) for hold in paused), strict=True))
    if len(whole) >= LEAST_WHOLE:
        usual = float(np.median(whole))
        return bool(np.abs(passed - usual).mean() < np.abs(held - usual).mean())
    return bool(len(paused) >= LEAST_WHOLE and passed.std() < held.std())


def timed_out(seen: Seen, holds: list[Absorption], absorption_s: float) -> Flags:
    """Return where the charger is off because its time was over, which it may have been under a cloud."""
    resting, is_off = np.zeros(len(seen.volts), np.bool_), seen.is_off
    for hold in holds:
        over = hold.run.begin + round(absorption_s / seen.step_s) + 1
        end = over + int(np.argmin(np.append(is_off[over:], False)))
        resting[over:end] = True
    return resting & (seen.height > 0.0) & since(absorbed(seen, holds), seen.height)


def absorbed(seen: Seen, holds: list[Absorption]) -> Flags:
    """Return the entries of the absorptions."""
    inside = np.zeros(len(seen.volts), np.bool_)
    for hold in holds:
        inside[hold.run.begin : hold.run.end] = True
    return inside
