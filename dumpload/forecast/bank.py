"""Identification of the bank and its monitor: counting, true charge, drift, resync, voltage."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from dumpload.core.window import HOUR_S
from dumpload.forecast.evidence import Floats
from dumpload.forecast.runs import runs_of
from dumpload.physics.bank import LIFEPO4_OCV

# How sure the plate is of the capacity before the record is looked at (part), and a monitor of its current (A).
PLATE_SURE, OFFSET_A = 0.1, 0.5
# A stretch over which the monitor's count is compared with the current (s), and below which charge (percent).
STRETCH_S, COUNTED_BELOW = 2 * HOUR_S, 98.0
# A count that jumps by more than this within a few minutes has been synchronised (percent).
JUMP = 0.4
# Time constant of the slow polarisation (s): common practice, no source; between 300 and 1200 s it matters little.
SLOW_S = 600.0
# A cell's voltage lies higher after charging than after discharging, and changes sides as charge flows: the hysteresis
# with one state of Plett (Journal of Power Sources 134, 2004; from memory). Parts that change sides with a percent of
# charge, of which the record's best is taken, and by what part it has to be better than none.
SIDES_PER_PERCENT, BETTER = (0.1, 0.2, 0.4, 0.8), 0.95
# Charge (percent) at which the rest voltage is fitted.
KNOTS = (
    0.0,
    20.0,
    40.0,
    55.0,
    65.0,
    72.0,
    78.0,
    84.0,
    88.0,
    92.0,
    95.0,
    97.0,
    98.0,
    98.6,
    99.0,
    99.3,
    99.6,
    99.8,
    100.0,
)


class Counting(NamedTuple):
    """How the monitor counts: percent for an Ah in and out; percent an hour by itself. `error`: of the Ah (part)."""

    in_per_ah: float
    out_per_ah: float
    per_hour: float
    error: float


class SeenMonitor(NamedTuple):
    """The monitor as seen. `offset`: percent by which it shows too much, at every entry; `rate`: its drift (percent/s).

    `resync_share`: part of the full charges after which it showed full; NaN: none was seen. `resync_at`: true charge
    (percent) at which it does.
    """

    counting: Counting
    charge: Floats
    offset: Floats
    rate: Floats
    resync_share: float
    resync_at: float
    worst_drift: float


class Voltage(NamedTuple):
    """The bus voltage: rest voltage on a grid of tenths of a percent, resistance, and that of the slow polarisation.

    `hysteresis_v`: by how much the voltage lies higher after charging, and lower after discharging; `side_per_percent`:
    what part of it changes with a percent of charge.
    """

    rest_v: Floats
    ohm: float
    slow_ohm: float
    hysteresis_v: float
    side_per_percent: float
    noise_v: float


def counting_of(
    step_s: float, shown_charge: Floats, amps: Floats, capacity_ah: float, charge_step: float = 0.0
) -> Counting:
    """Return how the monitor counts, by least squares over stretches below full; the plate is what to begin with.

    A charge in whole percent moves by steps. Taken for synchronisations, they left only the stretches in which it
    stayed: a bank of 280 Ah seemed to have 377.
    """
    hours = step_s / HOUR_S
    length = max(1, round(STRETCH_S / step_s))
    rows, deltas = [], []
    for begin in range(0, len(shown_charge) - length, length):
        part, flow = shown_charge[begin : begin + length + 1], amps[begin : begin + length]
        if not (np.isfinite(part).all() and np.isfinite(flow).all()):
            continue
        biggest = max(JUMP, 1.5 * _biggest(flow, hours, capacity_ah)) + charge_step
        if part.max() > COUNTED_BELOW or np.abs(np.diff(part)).max() > biggest:
            continue
        rows.append((flow[flow > 0].sum() * hours, -flow[flow < 0].sum() * hours, length * hours))
        deltas.append(part[-1] - part[0])
    plate = 100.0 / capacity_ah
    prior = np.array([plate, plate, 0.0])
    sure = np.array([PLATE_SURE * plate, PLATE_SURE * plate, OFFSET_A * plate])
    design = np.array(rows).reshape(-1, 3) * np.array([1.0, -1.0, 1.0])
    weight = 1.0 / math.hypot(0.2, charge_step / math.sqrt(6.0))  # both ends are rounded
    normal = design.T @ design * weight**2 + np.diag(1.0 / sure**2)
    fit = np.linalg.solve(normal, design.T @ np.array(deltas) * weight**2 + prior / sure**2)
    spread = np.sqrt(np.linalg.inv(normal)[1, 1])
    return Counting(float(fit[0]), float(fit[1]), float(fit[2]), float(spread / plate))


def _biggest(flow: Floats, hours: float, capacity_ah: float) -> float:
    return float(np.abs(flow).max() * hours * 100.0 / capacity_ah)


def monitor_of(
    step_s: float, shown_charge: Floats, amps: Floats, counting: Counting, full: Sequence[int], charge_step: float
) -> SeenMonitor:
    """Return true charge and the monitor's offset: both are known where the bank was full, and in between by current.

    What the current leaves open between two full charges is laid evenly over the time between them.
    """
    moved = np.concatenate([[0.0], np.cumsum(moved_percent(step_s, amps, counting))])
    moved = (moved[1:] + moved[:-1]) / 2.0
    charge, rates = _anchored(moved, full, shown_charge)
    offset, rate = np.zeros(len(shown_charge)), np.zeros(len(shown_charge))
    resynced = []
    for begin, end in zip(
        (0, *[entry + 1 for entry in full]), (*[entry + 1 for entry in full], len(shown_charge)), strict=True
    ):
        part = slice(begin, end)
        offset[part], rate[part] = _offset(step_s, shown_charge[part] - charge[part], shown_charge[part])
    for entry in full:
        near = slice(max(0, entry - round(2 * HOUR_S / step_s)), entry + round(2 * HOUR_S / step_s))
        resynced.append(bool(np.nanmax(shown_charge[near]) >= 100.0 - max(0.06, 0.51 * charge_step)))
    share = float(np.mean(resynced)) if resynced else math.nan
    worst = float(np.max(np.abs(rates)) * 86_400.0 / step_s) if len(rates) else math.nan
    return SeenMonitor(counting, charge, offset, rate, share, _resync_at(shown_charge, charge, charge_step), worst)


def _anchored(moved: Floats, full: Sequence[int], shown_charge: Floats) -> tuple[Floats, Floats]:
    """Return the charge (percent), and what was left open in each entry between the full charges."""
    if not full:
        known = np.isfinite(shown_charge)
        return moved + float(np.median(shown_charge[known] - moved[known])), np.empty(0)
    at = np.array(full)
    open_ = 100.0 - moved[at]
    rates = np.diff(open_) / np.maximum(np.diff(at), 1)
    mean = (open_[-1] - open_[0]) / max(1, at[-1] - at[0])
    number = np.arange(len(moved))
    left = np.interp(number, at, open_)
    left = np.where(number < at[0], open_[0] - mean * (at[0] - number), left)
    left = np.where(number > at[-1], open_[-1] + mean * (number - at[-1]), left)
    return moved + left, rates


def _offset(step_s: float, wrong: Floats, shown_charge: Floats) -> tuple[Floats, Floats]:
    """Return the offset and its rate (percent/s) over one time between full charges, on a straight line."""
    number = np.arange(len(wrong))
    good = np.isfinite(wrong) & (shown_charge < 99.9)  # (a count stops at 100)
    if good.sum() * step_s < 4 * HOUR_S:
        level = float(np.median(wrong[good])) if good.any() else 0.0
        return np.full(len(wrong), level), np.zeros(len(wrong))
    x = number[good] - number[good].mean()
    slope = float((x * wrong[good]).sum() / max(1.0, float((x * x).sum())))
    line = float(wrong[good].mean()) + slope * (number - number[good].mean())
    return line, np.full(len(wrong), slope / step_s)


def _resync_at(shown_charge: Floats, charge: Floats, charge_step: float) -> float:
    """Return the charge at which the monitor came to show 100 (percent)."""
    top = shown_charge >= 100.0 - max(0.05, charge_step / 2)
    begun = [run.begin for run in runs_of(top) if run.begin > 0]
    if not begun:
        return 100.0
    return float(np.clip(np.median(charge[begun]), 99.0, 99.98))


class _Line(NamedTuple):
    """Parts of the voltage by least squares, the last that of the hysteresis, and how far off the line usually is."""

    parts: Floats
    side_per_percent: float
    off_v: float


def voltage_of(
    step_s: float, volts: Floats, amps: Floats, charge: Floats, counting: Counting, cells: int, plate_ohm: float,
    full_v: float,
) -> Voltage:  # fmt: skip
    """Return rest voltage and resistances, by least squares; the cells' usual curve is what to begin with.

    `full_v`: the charger's set point, at which the bank rests when full, by the meaning of full.
    """
    good = np.isfinite(volts) & np.isfinite(amps) & (charge > KNOTS[0]) & (charge <= 100.2)
    u, knots = np.clip(charge[good], KNOTS[0], 100.0), np.array(KNOTS)
    hats = np.stack([np.interp(u, knots, row) for row in np.eye(len(knots))], axis=1)
    plain = np.column_stack([hats, amps[good], slow_amps(step_s, amps)[good]])
    usual = [usual_rest_v(knot, cells) for knot in KNOTS]
    prior = np.array([*usual, plate_ohm, plate_ohm / 2, 0.0])
    sure = np.array([0.02 * cells] * len(knots) + [plate_ohm, plate_ohm, 0.01 * cells])
    lines = []
    for rate in (0.0, *SIDES_PER_PERCENT):
        side = sides(step_s, amps, counting, rate)[good]
        lines.append(_fitted(np.column_stack([plain, side]), volts[good], prior, sure, rate))
    line = min(lines[1:], key=lambda one: one.off_v)
    if line.parts[-1] <= 0.0 or line.off_v > BETTER * lines[0].off_v:
        line = lines[0]
    ohm, slow_ohm, hysteresis_v = (float(part) for part in line.parts[-3:])
    rest = np.maximum.accumulate(np.minimum(line.parts[: len(knots)], full_v - hysteresis_v))
    rest[-1] = full_v - hysteresis_v
    grid = np.linspace(0.0, 100.0, 1001)
    return Voltage(
        np.interp(grid, knots, rest), max(1e-4, ohm), max(0.0, slow_ohm), hysteresis_v, line.side_per_percent,
        line.off_v,
    )  # fmt: skip


def _fitted(design: Floats, volts: Floats, prior: Floats, sure: Floats, rate: float) -> _Line:
    fit: Floats = prior
    weight: Floats = np.ones_like(volts)
    for _ in range(3):  # robust: what lies far off weighs less
        scaled = design * weight[:, None]
        normal = scaled.T @ design / 0.02**2 / 50.0 + np.diag(1.0 / sure**2)
        fit = np.asarray(np.linalg.solve(normal, scaled.T @ volts / 0.02**2 / 50.0 + prior / sure**2), np.float64)
        weight = 1.0 / np.maximum(1.0, np.abs(volts - design @ fit) / 0.05)
    return _Line(fit, rate, float(np.median(np.abs(volts - design @ fit))))


def expected_v(voltage: Voltage, charge: Floats, amps: Floats, counting: Counting, step_s: float) -> Floats:
    """Return the bus voltage that the fit expects in every entry."""
    rest_v = np.interp(np.clip(charge, 0.0, 100.0), np.linspace(0.0, 100.0, 1001), voltage.rest_v)
    side = sides(step_s, amps, counting, voltage.side_per_percent)
    moved_v = voltage.ohm * amps + voltage.slow_ohm * slow_amps(step_s, amps) + voltage.hysteresis_v * side
    return np.asarray(rest_v + moved_v, np.float64)


def moved_percent(step_s: float, amps: Floats, counting: Counting) -> Floats:
    """Return the charge that a current brings in each entry (percent); none where it is not known."""
    flow = np.where(np.isfinite(amps), amps, 0.0) * step_s / HOUR_S
    return np.asarray(np.where(flow > 0.0, counting.in_per_ah, counting.out_per_ah) * flow, np.float64)


def sides(step_s: float, amps: Floats, counting: Counting, side_per_percent: float) -> Floats:
    """Return on which side of its hysteresis the voltage is: 1 after charging, -1 after discharging; 0 without one."""
    moved = moved_percent(step_s, amps, counting)
    keep, side, now = np.maximum(0.0, 1.0 - side_per_percent * np.abs(moved)), np.empty(len(amps)), 0.0
    for at, (kept, towards) in enumerate(zip(keep.tolist(), np.sign(moved).tolist(), strict=True)):
        now = kept * now + (1.0 - kept) * towards
        side[at] = now
    return side


def usual_rest_v(percent: float, cells: int) -> float:
    """Return the rest voltage of a bank of such cells."""
    charges, volts = zip(*LIFEPO4_OCV, strict=True)
    return cells * float(np.interp(percent / 100.0, charges, volts))


def slow_amps(step_s: float, amps: Floats) -> Floats:
    """Return the current that the slow polarisation follows: a first-order mean."""
    keep = math.exp(-step_s / SLOW_S)
    slow, now = np.empty(len(amps)), 0.0
    for at, flow in enumerate(np.where(np.isfinite(amps), amps, 0.0).tolist()):
        now = keep * now + (1.0 - keep) * flow
        slow[at] = now
    return slow
