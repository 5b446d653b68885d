"""Bank, charger, monitor, tank and control law through a recorded course, step by step; compiled as it stands.

What came from outside is the record's: the power that bank and load had together, or while the charger throttled what
they could have had. The boat that is forecast differs from the recorded one only in what its relay does, so wherever
both are in the same state the record itself is taken (`anchored`).

What does not change in a course is in brackets: compiled, it is reckoned once. Such divisions took an eighth of a step.
"""

import math
import sys
from collections.abc import Callable
from typing import Any, NamedTuple

from dumpload.core import law as law_module
from dumpload.core import permissive as permissive_module
from dumpload.core.controller import ControllerSettings
from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.law import Inputs, Memory, Position, Selector, put_relay
from dumpload.core.law import start as start_law
from dumpload.core.law import step as apply_law
from dumpload.core.permissive import PermissiveInputs, PermissiveMemory, first_failed
from dumpload.core.permissive import remember as remember_permissives
from dumpload.core.permissive import start as start_permissives
from dumpload.core.window import HOUR_S
from dumpload.replay.compiled import CORE
from dumpload.replay.compiler import Group, compile_group

# What is added up for each day, in the order of the columns: Wh, s, counts, Wh, Wh, percent, Wh, s; and the water's
# temperature in the evening (degC; 0: not known).
ENERGY, ON_S, SWITCH_ONS, CURTAILED, FROM_BANK, LOWEST, UNSEEN_WH, APART_S, EVENING_C = range(9)
COLUMNS = 9
EVENING_S = 18 * 3600.0

# Stage of the charger.
BULK, FLOAT, RESTING = 0, 1, 2

# The boats are in the same state within this much: charge and offset (percent), load (part), and where the voltage
# model may be set right by the record's own voltage (percent of charge apart, V).
WANTED_C, SAME_WH = 40.0, 40.0
SAME_PERCENT, SAME_LOAD, NEAR_PERCENT, MOST_BIAS_V, STEEP_FROM = 0.03, 0.08, 3.0, 0.15, 98.5


class Ship(NamedTuple):
    """Parameters: charger, bank, monitor, element, tank.

    `rest_v`: rest voltage on a grid of tenths of a percent. `in_per_ah`, `out_per_ah`: percent of charge.
    """

    absorption_v: float
    float_v: float
    restart_v: float
    restart_s: float
    absorption_s: float
    tail_a: float
    counts_pauses: bool
    begins_daily: bool
    ohm: float
    slow_ohm: float
    hysteresis_v: float
    side_per_percent: float
    in_per_ah: float
    out_per_ah: float
    charge_step: float
    resyncs: bool
    resync_at: float
    element_ohm: float
    band_wh: float
    most_wh: float
    opens_c: float
    wh_per_k: float
    loss_w_k: float
    around_c: float
    cold_c: float
    rest_v: Any


class Course(NamedTuple):
    """What was recorded, an entry of each array for every `substeps` steps of `step_s`; see `model`.

    `slow_keep`: part of the slow current that a step leaves.
    `net_w`: power of bank and load together where the charger did not throttle. `extra`, `drift`: percent of charge and
    of the monitor's offset, in a step. `bias_v`: by how much the voltage model is wrong. `stage`: -1 unknown, or the
    charger's. `day`: row of `daily`.
    """

    step_s: float
    slow_keep: float
    substeps: int
    known: Any
    throttled: Any
    stage: Any
    sun_up: Any
    power_w: Any
    load_w: Any
    volts: Any
    shown_charge: Any
    house_w: Any
    charge: Any
    offset: Any
    extra: Any
    drift: Any
    bias_v: Any
    draw_w: Any
    missing_wh: Any
    relay_on: Any
    day: Any


class Hours(NamedTuple):
    """The local time of every entry under some settings: within the window, number of the day, its beginning (s)."""

    inside: Any
    day: Any
    day_began_at: Any


class Afloat(NamedTuple):
    """State carried from step to step. `side`: of the voltage's hysteresis, from -1 (discharged) to 1 (charged)."""

    charge: float
    offset: float
    volts: float
    slow_a: float
    side: float
    stage: int
    held_s: float
    low_s: float
    missing_wh: float
    closed: bool


class Flow(NamedTuple):
    """Power flows of a step: into the bank, into the load, and unused (W)."""

    power_w: float
    load_w: float
    curtailed_w: float
    unseen: bool
    coincides: bool


def rest_at(ship: Ship, charge: float) -> tuple[float, float]:
    """Return the rest voltage at a charge (percent), and by how much it rises for a percent."""
    place = min(max(charge, 0.0), 100.0) * 10.0
    index = min(int(place), 999)
    slope = ship.rest_v[index + 1] - ship.rest_v[index]
    return ship.rest_v[index] + slope * (place - index), 10.0 * slope


def set_point(ship: Ship, stage: int) -> float:
    """Return the charger's set point (V)."""
    return ship.float_v if stage == FLOAT else ship.absorption_v


def heat(ship: Ship, now: Afloat, draw_w: float, load_w: float, step_s: float) -> Afloat:
    """Return the state with the tank after a step: the heat that is missing, and whether the thermostat is closed."""
    # What is constant in a course is in brackets, here and below: compiled, it is computed once. Divisions took an
    # eighth of a step.
    celsius = ship.opens_c - now.missing_wh * (1.0 / ship.wh_per_k)
    warm = min(1.0, max(0.0, (celsius - ship.cold_c) * (1.0 / (WANTED_C - ship.cold_c))))
    asked_w = ship.loss_w_k * (celsius - ship.around_c) + draw_w * warm
    missing = min(now.missing_wh + (asked_w - load_w) * (step_s / HOUR_S), ship.most_wh)
    closed = missing > 0.0 if now.closed else missing >= ship.band_wh
    return Afloat(
        now.charge, now.offset, now.volts, now.slow_a, now.side, now.stage, now.held_s, now.low_s, missing, closed
    )


def load_at(ship: Ship, course: Course, entry: int, now: Afloat, is_on: bool) -> float:
    """Return the load's power (W): as recorded if the recorded relay was on and its tank as warm."""
    if not is_on:
        return 0.0
    if course.relay_on[entry] and abs(now.missing_wh - course.missing_wh[entry]) < SAME_WH:
        volts = now.volts / course.volts[entry]
        recorded_w: float = course.load_w[entry] * volts * volts
        return recorded_w
    return now.volts * now.volts / ship.element_ohm if now.closed else 0.0


def bias_at(course: Course, entry: int, now: Afloat) -> float:
    """Return what to add to the voltage of the model: the record's own difference, where the boats are near enough."""
    near = abs(now.charge - course.charge[entry]) < NEAR_PERCENT
    steep = now.charge > STEEP_FROM or course.charge[entry] > STEEP_FROM
    if not near or (steep and course.stage[entry] != now.stage):
        return 0.0
    bias_v: float = course.bias_v[entry]
    return min(MOST_BIAS_V, max(-MOST_BIAS_V, bias_v))


def move(
    ship: Ship, course: Course, entry: int, now: Afloat, net_w: float, load_w: float, anchored: bool
) -> tuple[Afloat, Flow]:
    """Advance bank and charger by one step with that load."""
    step_s = course.step_s
    apart = abs(now.charge - course.charge[entry]) + abs(now.offset - course.offset[entry])
    same_load = abs(load_w - course.load_w[entry]) <= SAME_LOAD * max(load_w, course.load_w[entry])
    if anchored and same_load and apart < SAME_PERCENT:
        return follow(ship, course, entry, now, net_w, load_w)
    want_w, least_w = net_w - load_w, -course.house_w[entry] - load_w
    emf_v, most_w = acceptance(ship, course, entry, now)
    at_set_point = most_w < want_w and now.stage != RESTING
    power_w = least_w if now.stage == RESTING else max(min(want_w, most_w), least_w) if at_set_point else want_w
    amps = power_w / now.volts
    volts = emf_v + ship.ohm * amps  # above the set point, too, where the bank alone holds it there
    at_set_point = at_set_point and power_w > least_w
    if at_set_point:
        volts = set_point(ship, now.stage)
    stage, held_s, low_s = next_stage(ship, now, at_set_point, volts, amps, step_s)
    charge, offset, slow_a, side = count(ship, course, entry, now, amps, at_set_point)
    unseen = course.throttled[entry] and not at_set_point and now.stage != RESTING
    after = Afloat(charge, offset, volts, slow_a, side, stage, held_s, low_s, now.missing_wh, now.closed)
    return after, Flow(power_w, load_w, max(0.0, want_w - power_w), unseen, False)


def acceptance(ship: Ship, course: Course, entry: int, now: Afloat) -> tuple[float, float]:
    """Return the bank's voltage without current, and the most power it takes at the charger's set point (W)."""
    rest_v, slope = rest_at(ship, now.charge)
    emf_v = rest_v + ship.slow_ohm * now.slow_a + ship.hysteresis_v * now.side + bias_at(course, entry, now)
    rise = slope * (ship.in_per_ah * course.step_s / HOUR_S)
    set_v = set_point(ship, now.stage)
    # A full bank takes no more, however low its rest voltage was fitted: 10 of 13 kWh of surplus once went nowhere.
    room_w = now.volts * (100.0 - now.charge) * (HOUR_S / (ship.in_per_ah * course.step_s))
    return emf_v, min(set_v * (set_v - emf_v) / (ship.ohm + rise), room_w)


def follow(ship: Ship, course: Course, entry: int, now: Afloat, net_w: float, load_w: float) -> tuple[Afloat, Flow]:
    """Return what was recorded, since the boats are in the same state and their loads are the same."""
    power_w = course.power_w[entry]
    stage = course.stage[entry] if course.stage[entry] >= 0 else now.stage
    held_s = now.held_s if stage == now.stage else 0.0
    if stage == BULK and (course.throttled[entry] or (ship.counts_pauses and held_s > 0.0)):
        held_s += course.step_s
    if stage == BULK and not course.sun_up[entry]:
        held_s = 0.0
    volts = course.volts[entry]
    keep = course.slow_keep
    amps = power_w / volts
    slow_a = keep * now.slow_a + (1.0 - keep) * amps
    side = turned(ship, now.side, percent_of(ship, amps, course.step_s))
    near = abs(now.missing_wh - course.missing_wh[entry]) < SAME_WH
    missing_wh = course.missing_wh[entry] if near else now.missing_wh
    after = Afloat(
        course.charge[entry], course.offset[entry], volts, slow_a, side, stage, held_s, 0.0, missing_wh, now.closed
    )
    return after, Flow(power_w, load_w, max(0.0, net_w - load_w - power_w), False, True)


def next_stage(
    ship: Ship, now: Afloat, at_set_point: bool, volts: float, amps: float, step_s: float
) -> tuple[int, float, float]:
    """Return the charger's stage after a step, how long it has held absorption, and how long the bus has been low."""
    if now.stage != BULK:
        low_s = now.low_s + step_s if volts < ship.restart_v else 0.0
        return (BULK, 0.0, 0.0) if low_s >= ship.restart_s else (now.stage, now.held_s, low_s)
    if not at_set_point and not (ship.counts_pauses and now.held_s > 0.0):
        return BULK, now.held_s, 0.0
    held_s = now.held_s + step_s
    if held_s >= ship.absorption_s or (at_set_point and amps < ship.tail_a):
        return (RESTING if math.isnan(ship.float_v) else FLOAT), 0.0, 0.0
    return BULK, held_s, 0.0


def count(
    ship: Ship, course: Course, entry: int, now: Afloat, amps: float, at_set_point: bool
) -> tuple[float, float, float, float]:
    """Return true charge, offset of the monitor, slow current and side of the hysteresis after a step."""
    moved = percent_of(ship, amps, course.step_s)
    charge = min(100.0, now.charge + moved + course.extra[entry])
    offset = now.offset + course.drift[entry]
    if ship.resyncs and at_set_point and now.stage == BULK and charge >= ship.resync_at:
        offset = 100.0 - charge
    offset = min(offset, 100.0 - charge)
    keep = course.slow_keep
    return charge, offset, keep * now.slow_a + (1.0 - keep) * amps, turned(ship, now.side, moved)


def percent_of(ship: Ship, amps: float, step_s: float) -> float:
    """Return the charge (percent) that a current brings in a step."""
    return (ship.in_per_ah if amps > 0.0 else ship.out_per_ah) * amps * (step_s / HOUR_S)


def turned(ship: Ship, side: float, moved: float) -> float:
    """Return the side of the hysteresis after so many percent of charge have flowed."""
    part = min(1.0, ship.side_per_percent * abs(moved))
    return side + part * ((1.0 if moved > 0.0 else -1.0) - side)


def shown(ship: Ship, charge: float, offset: float) -> float:
    """Return the monitor's state of charge (percent)."""
    percent = charge + offset
    if ship.charge_step > 0.0:
        percent = math.floor(percent / ship.charge_step + 0.5) * ship.charge_step
    return min(100.0, max(0.0, percent))


def judge(
    law: ControllerSettings, memory: Memory, kept: PermissiveMemory, inputs: PermissiveInputs, percent: float
) -> tuple[Memory, PermissiveMemory]:
    """Return the memory of the daemon's own law and permissives after one evaluation."""
    kept = remember_permissives(law.permissives, kept, inputs)
    cause = first_failed(law.permissives, kept, inputs)
    looked = Inputs(inputs.t, percent, inputs.t, True, Selector.AUTO, False, cause)
    return apply_law(law.limits, memory, looked).memory, kept


def add_up(row: Any, flow: Flow, on: bool, begun: bool, charge: float, step_s: float) -> None:
    """Add one step to its day's row; `begun`: at its end the relay closed."""
    hours = step_s / HOUR_S
    row[SWITCH_ONS] += 1.0 if begun else 0.0
    row[ENERGY] += flow.load_w * hours
    row[CURTAILED] += flow.curtailed_w * hours
    row[FROM_BANK] += min(flow.load_w, max(0.0, -flow.power_w)) * hours
    if on:
        row[ON_S] += step_s
        row[LOWEST] = min(row[LOWEST], charge)
    if flow.unseen:
        row[UNSEEN_WH] += flow.load_w * hours
    if not flow.coincides:
        row[APART_S] += step_s


def sail(
    ship: Ship, law: ControllerSettings, course: Course, hours: Hours, net_w: Any, heated: bool, anchored: bool,
    daily: Any,
) -> Afloat:  # fmt: skip
    """Run the whole course under some settings, adding up into `daily`; `heated` False: the relay never closes."""
    memory, kept = start_law(0.0), start_permissives(0.0)
    now = as_recorded(course, 0, course.volts[0], 0.0, 0.0, True)
    for entry in range(len(course.known)):
        row = daily[course.day[entry]]
        if not course.known[entry]:
            now, memory = adrift(course, entry, now, memory)
            continue
        now = begun_anew(ship, course, entry, now)
        for sub in range(course.substeps):
            t = (entry * course.substeps + sub + 1) * course.step_s
            is_on = heated and memory.position == Position.ON
            load_w = load_at(ship, course, entry, now, is_on)
            now, flow = move(ship, course, entry, now, net_w[entry], load_w, anchored)
            now = heat(ship, now, course.draw_w[entry], load_w, course.step_s)
            percent = course.shown_charge[entry] if flow.coincides else shown(ship, now.charge, now.offset)
            celsius = ship.opens_c - now.missing_wh * (1.0 / ship.wh_per_k)
            inputs = PermissiveInputs(
                t, now.volts, celsius, flow.power_w, memory.position, memory.relay_since, hours.inside[entry], NEVER,
                hours.day[entry], hours.day_began_at[entry], NEVER,
            )  # fmt: skip
            memory, kept = judge(law, memory, kept, inputs, percent)
            begun = heated and memory.position == Position.ON and not is_on
            add_up(row, flow, is_on, begun, now.charge, course.step_s)
            if t - course.step_s < hours.day_began_at[entry] + EVENING_S <= t:
                row[EVENING_C] = celsius
    return now


def adrift(course: Course, entry: int, now: Afloat, memory: Memory) -> tuple[Afloat, Memory]:
    """Return state and memory after an entry of which the record says nothing: the load is off, and both boats one."""
    t = (entry + 1) * course.substeps * course.step_s
    since = t if memory.position == Position.ON else memory.relay_since
    _, _, _, newest, _, _, _ = memory
    lost = put_relay(Memory(False, MISSING, MISSING, newest, Position.OFF, since, False), Position.OFF, since)
    volts = now.volts if is_missing(course.volts[entry]) else course.volts[entry]
    return as_recorded(course, entry, volts, now.slow_a, now.side, now.closed), lost


def as_recorded(course: Course, entry: int, volts: float, slow_a: float, side: float, closed: bool) -> Afloat:
    """Return the state with charge, offset and tank of the recorded boat, and its charger in bulk."""
    charge, offset, missing_wh = course.charge[entry], course.offset[entry], course.missing_wh[entry]
    return Afloat(charge, offset, volts, slow_a, side, BULK, 0.0, 0.0, missing_wh, closed)


def begun_anew(ship: Ship, course: Course, entry: int, now: Afloat) -> Afloat:
    """Return the state with the charger in bulk, as every night."""
    if not ship.begins_daily or course.sun_up[entry]:
        return now
    return Afloat(now.charge, now.offset, now.volts, now.slow_a, now.side, BULK, 0.0, 0.0, now.missing_wh, now.closed)


def compiled_sail(say: Callable[[str], None] = lambda _line: None) -> Callable[..., Any]:
    """Return `sail` compiled with the law; slow the first time on a computer."""
    assert law_module in CORE  # noqa: S101
    assert permissive_module in CORE  # noqa: S101
    (run,) = compile_group(Group("course", "bank and control law", (*CORE, sys.modules[__name__]), (sail,), False), say)
    return run
