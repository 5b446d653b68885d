"""The other boat: bank, charger, tank, monitor and telemetry, in explicit steps of five seconds, with the law inside.

Written without a look at the program's own plant, and by other means. Bank: a rest curve of sums of exponentials and a
logistic, two Thevenin RC pairs, hysteresis between charge and discharge, charge counted with coulombic losses; the
charge may pass "full" a little, as the set point pushes it. Charger: a source of current that follows a voltage.
Tank: two nodes of water, the element in the lower one. All of it is compiled as a whole.
"""

from typing import Any, NamedTuple

import numba
import numpy as np
from bench.proof import rule as law
from bench.proof.rule import Rule
from bench.proof.sky import STEP_S, Floats

BULK, ABSORPTION, DONE = 0, 1, 2
# Columns of a record, in the order in which they are written.
COLUMNS = (
    "time", "state_of_charge", "battery_voltage", "battery_power", "solar_power", "load_power", "tank_temperature",
    "relay",
)  # fmt: skip
# What a run comes to.
SUMS = (
    "energy_wh", "switch_ons", "on_time_s", "offered_wh", "solar_wh", "house_wh", "battery_wh", "charge_ah",
    "element_wh", "tank_lost_wh", "drawn_wh", "tank_wh", "thermostat_open_s", "lowest", "resyncs", "times_done",
    "stored_ah",
)  # fmt: skip


class Bank(NamedTuple):
    """Eight cells in series. Ah as it really is, ohm and s of the whole bank, V of hysteresis."""

    capacity_ah: float = 274.0
    series_ohm: float = 0.0075
    quick_ohm: float = 0.004
    quick_s: float = 45.0
    slow_ohm: float = 0.007
    slow_s: float = 1_500.0
    hysteresis_v: float = 0.09
    hysteresis_rate: float = 40.0
    efficiency: float = 0.996
    leak_a: float = 0.02
    starts_at: float = 0.62


class Charger(NamedTuple):
    """Set points as they really are (V), A, s. `stops`: gives nothing once full. `absorbs`: holds its set point."""

    absorption_v: float = 28.41
    float_v: float = 27.02
    most_a: float = 58.0
    efficiency: float = 0.97
    absorbs: bool = True
    absorption_s: float = 5_400.0
    tail_a: float = 0.0
    stops: bool = False
    rebulk_v: float = 26.2
    rebulk_s: float = 60.0
    daily: bool = True


class Tank(NamedTuple):
    """Element and cable (ohm), litres in the lower and upper node, W/K lost and between, the thermostat's degrees."""

    element_ohm: float = 1.94
    cable_ohm: float = 0.035
    lower_l: float = 22.0
    upper_l: float = 18.0
    loss_w_k: float = 1.1
    between_w_k: float = 3.0
    opens_c: float = 69.0
    closes_c: float = 63.0
    around_c: float = 17.0
    cold_c: float = 11.0
    gauge_upper: float = 0.5


class Monitor(NamedTuple):
    """Counts charge (gain, A of offset, efficiency it assumes, Ah it was set to), and when it says 100."""

    gain: float = 0.002
    offset_a: float = 0.0
    efficiency: float = 0.99
    capacity_ah: float = 280.0
    resyncs: bool = True
    full_v: float = 28.2
    full_a: float = 11.0
    full_s: float = 120.0


class Telemetry(NamedTuple):
    """Steps and noise of what is published every `every_s`, and of what is kept every `keeps_s`.

    `keeps_changes`: the sample after which the relay changed is kept too, as the program's own history does.
    """

    every_s: int = 5
    keeps_s: int = 60
    keeps_changes: bool = False
    soc_step: float = 0.1
    volts_noise: float = 0.006
    watts_noise: float = 2.5
    solar_gain: float = 1.004
    load_gain: float = 0.997


class Boat(NamedTuple):
    """All of it."""

    bank: Bank = Bank()
    charger: Charger = Charger()
    tank: Tank = Tank()
    monitor: Monitor = Monitor()
    telemetry: Telemetry = Telemetry()


class Cells(NamedTuple):
    """State of the bank: charge (part of capacity), V over the RC pairs, hysteresis (-1 to 1)."""

    charge: float
    quick_v: float
    slow_v: float
    side: float


class Stage(NamedTuple):
    """State of the charger: stage, since when (s), for how long the bus is low or the tail small (s), night seen."""

    stage: int
    since: float
    low_s: float
    tail_s: float
    was_dark: bool


class Water(NamedTuple):
    """State of the tank: degC below and above, thermostat closed."""

    lower_c: float
    upper_c: float
    closed: bool


class Counter(NamedTuple):
    """State of the monitor: percent, and for how long the bank looks full (s)."""

    percent: float
    full_s: float
    resyncs: int


@numba.njit(cache=True)
def rest_v(charge: float) -> float:
    """Return the rest voltage of one cell, from memory of the usual shape of LiFePO4: steep ends, one step between."""
    low = -0.24 * np.exp(-charge / 0.035) - 0.07 * np.exp(-charge / 0.15)
    middle = 0.033 / (1.0 + np.exp(-(charge - 0.62) / 0.035))
    return 3.262 + 0.045 * charge + low + middle + 0.16 * np.exp((charge - 1.0) / 0.0065)


@numba.njit(cache=True)
def source_v(bank: Bank, cells: Cells) -> float:
    """Return what the bank would stand at without current in its series resistance (V)."""
    return 8.0 * rest_v(cells.charge) + cells.quick_v + cells.slow_v + bank.hysteresis_v * cells.side


@numba.njit(cache=True)
def charge_bank(bank: Bank, cells: Cells, amps: float, dt: float) -> Cells:
    """Return the bank after `dt` (s) at a current (A, charging positive)."""
    kept = amps * (bank.efficiency if amps > 0.0 else 1.0) - bank.leak_a
    part = 1.0 / (3_600.0 * bank.capacity_ah)
    towards = 1.0 if amps > 0.0 else -1.0
    return Cells(
        cells.charge + kept * part * dt,
        cells.quick_v + (amps * bank.quick_ohm - cells.quick_v) * dt / bank.quick_s,
        cells.slow_v + (amps * bank.slow_ohm - cells.slow_v) * dt / bank.slow_s,
        cells.side + bank.hysteresis_rate * abs(amps) * part * dt * (towards - cells.side),
    )


@numba.njit(cache=True)
def wanted_a(charger: Charger, stage: Stage, source: float, series_ohm: float, out_a: float) -> float:
    """Return the current that would bring the bus to the set point of the stage (A)."""
    if stage.stage == DONE and charger.stops:
        return 0.0
    if not charger.absorbs and stage.stage == BULK:
        return charger.most_a
    set_v = charger.float_v if stage.stage == DONE else charger.absorption_v
    return max((set_v - source) / series_ohm + out_a, 0.0)


@numba.njit(cache=True)
def next_stage(charger: Charger, stage: Stage, t: float, volts: float, bank_a: float, sun_w: float, dt: float) -> Stage:
    """Return the charger's stage after a step that ended at `t` (s)."""
    low_s = stage.low_s + dt if volts < charger.rebulk_v else 0.0
    is_tail = stage.stage == ABSORPTION and volts >= charger.absorption_v - 0.05 and bank_a < charger.tail_a
    tail_s = stage.tail_s + dt if is_tail else 0.0
    was_dark = sun_w < 2.0 or (stage.was_dark and sun_w < 15.0)
    if charger.daily and stage.was_dark and not was_dark:
        return Stage(BULK, t, 0.0, 0.0, False)
    if stage.stage == BULK and volts >= charger.absorption_v - 0.015:
        return Stage(ABSORPTION if charger.absorbs else DONE, t, 0.0, 0.0, was_dark)
    if stage.stage == ABSORPTION and (t >= stage.since + charger.absorption_s or tail_s >= 90.0):
        return Stage(DONE, t, 0.0, 0.0, was_dark)
    if stage.stage == DONE and low_s >= charger.rebulk_s:
        return Stage(BULK, t, 0.0, 0.0, was_dark)
    return Stage(stage.stage, stage.since, low_s, tail_s, was_dark)


@numba.njit(cache=True)
def warm_tank(tank: Tank, water: Water, heat_w: float, tapped_l: float, dt: float) -> tuple[Water, float, float]:
    """Return the tank after a step, the heat lost to around and the heat drawn, counted from the cold water (J)."""
    per_litre = 4_180.0
    upper, lower = water.upper_c, water.lower_c
    hot_l = tapped_l
    if upper > 40.0:
        hot_l = tapped_l * (40.0 - tank.cold_c) / (upper - tank.cold_c)
    drawn = hot_l * per_litre * (upper - tank.cold_c)
    share = tank.upper_l / (tank.upper_l + tank.lower_l)
    lost_upper = tank.loss_w_k * share * (upper - tank.around_c) * dt
    lost_lower = tank.loss_w_k * (1.0 - share) * (lower - tank.around_c) * dt
    # Warm water rises by itself, and only conduction takes heat down.
    across = (250.0 if lower > upper else tank.between_w_k) * (lower - upper) * dt
    moved = hot_l * per_litre * (lower - upper)
    upper += (across + moved - lost_upper) / (per_litre * tank.upper_l)
    lower += (heat_w * dt - across - lost_lower - hot_l * per_litre * (lower - tank.cold_c)) / (
        per_litre * tank.lower_l
    )
    felt = 0.7 * lower + 0.3 * upper
    closed = felt < tank.opens_c if water.closed else felt <= tank.closes_c
    return Water(lower, upper, closed), lost_upper + lost_lower, drawn


@numba.njit(cache=True)
def count(monitor: Monitor, counter: Counter, amps: float, volts: float, dt: float) -> Counter:
    """Return what the monitor has counted after a step. It never shows less than 0 or more than 100."""
    seen = amps * (1.0 + monitor.gain) + monitor.offset_a
    seen *= monitor.efficiency if seen > 0.0 else 1.0
    percent = min(max(counter.percent + seen * dt / (36.0 * monitor.capacity_ah), 0.0), 100.0)
    is_full = monitor.resyncs and volts >= monitor.full_v and 0.0 < amps < monitor.full_a
    full_s = counter.full_s + dt if is_full else 0.0
    if full_s >= monitor.full_s:
        return Counter(100.0, full_s, counter.resyncs + (1 if percent < 100.0 else 0))
    return Counter(percent, full_s, counter.resyncs)


@numba.njit(cache=True)
def show(value: float, step: float, noise: float) -> float:
    """Return a value as it is published: with noise, in steps."""
    return np.round((value + noise * np.random.standard_normal()) / step) * step


class Now(NamedTuple):
    """State of the whole boat. `volts`: the bus at the last step; `is_shut`: the house is cut off."""

    cells: Cells
    stage: Stage
    water: Water
    counter: Counter
    memory: law.Memory
    volts: float
    is_shut: bool


class Flow(NamedTuple):
    """What flows in a step: bus (V) and currents (A); into the bank positive."""

    volts: float
    solar_a: float
    house_a: float
    load_a: float
    bank_a: float


class Seen(NamedTuple):
    """What is published at one moment."""

    soc: float
    volts: float
    watts: float
    solar_w: float
    load_w: float
    tank_c: float


@numba.njit(cache=True)
def begin(boat: Boat) -> Now:
    """Return the boat at the beginning: the bank as it starts, a cool tank, a monitor that is a little off."""
    bank = boat.bank
    cells = Cells(bank.starts_at, 0.0, 0.0, -1.0)
    return Now(
        cells,
        Stage(BULK, 0.0, 0.0, 0.0, True),
        Water(20.0, 22.0, True),
        Counter(100.0 * bank.starts_at + 1.5, 0.0, 0),
        law.begin(0.0),
        source_v(bank, cells),
        False,
    )


@numba.njit(cache=True)
def flow_of(boat: Boat, now: Now, have_w: float, house_w: float) -> Flow:
    """Return what flows in a step. Load and house draw by the bus of the step before, five seconds ago."""
    house_a = 0.0 if now.is_shut else house_w / now.volts
    is_heating = now.memory.on and now.water.closed
    load_a = now.volts / (boat.tank.element_ohm + boat.tank.cable_ohm) if is_heating else 0.0
    source = source_v(boat.bank, now.cells)
    wish_a = wanted_a(boat.charger, now.stage, source, boat.bank.series_ohm, house_a + load_a)
    solar_a = min(have_w / now.volts, boat.charger.most_a, wish_a)
    bank_a = solar_a - house_a - load_a
    return Flow(source + boat.bank.series_ohm * bank_a, solar_a, house_a, load_a, bank_a)


@numba.njit(cache=True)
def publish(boat: Boat, now: Now, flow: Flow) -> Seen:
    """Return what is published after a step."""
    telemetry, volts = boat.telemetry, flow.volts
    gauge = boat.tank.gauge_upper * now.water.upper_c + (1.0 - boat.tank.gauge_upper) * now.water.lower_c
    noise = telemetry.watts_noise
    return Seen(
        show(now.counter.percent, telemetry.soc_step, 0.0),
        show(volts, 0.01, telemetry.volts_noise),
        show(volts * flow.bank_a * (1.0 + boat.monitor.gain), 1.0, noise),
        max(show(volts * flow.solar_a * telemetry.solar_gain, 1.0, noise / 2 if flow.solar_a > 0.0 else 0.0), 0.0),
        show(volts * flow.load_a * telemetry.load_gain, 1.0, 0.6 if flow.load_a > 0.0 else 0.0),
        show(gauge, 0.1, 0.05),
    )


@numba.njit(cache=True)
def advance(boat: Boat, now: Now, flow: Flow, t: float, sun_w: float, tapped_l: float) -> tuple[Now, float, float]:
    """Return the boat after a step that ends at `t` (s), and what the tank lost and gave (J)."""
    dt = float(STEP_S)
    heat_w = flow.load_a * flow.load_a * boat.tank.element_ohm
    water, lost, drawn = warm_tank(boat.tank, now.water, heat_w, tapped_l, dt)
    cells = charge_bank(boat.bank, now.cells, flow.bank_a, dt)
    counter = count(boat.monitor, now.counter, flow.bank_a, flow.volts, dt)
    stage = next_stage(boat.charger, now.stage, t, flow.volts, flow.bank_a, sun_w, dt)
    # The house is cut off before the bank is empty, as its management would.
    is_shut = cells.charge < 0.04 or (now.is_shut and cells.charge < 0.12)
    return Now(cells, stage, water, counter, now.memory, flow.volts, is_shut), lost, drawn


@numba.njit(cache=True)
def add_up(boat: Boat, now: Now, flow: Flow, have_w: float, sums: Floats) -> None:
    """Add a step to the sums."""
    hours = STEP_S / 3_600.0
    sums[0] += flow.volts * flow.load_a * hours
    sums[2] += STEP_S if now.memory.on else 0.0
    sums[3] += have_w * hours
    sums[4] += flow.volts * flow.solar_a * hours
    sums[5] += flow.volts * flow.house_a * hours
    sums[6] += flow.volts * flow.bank_a * hours
    sums[7] += (flow.bank_a * (boat.bank.efficiency if flow.bank_a > 0.0 else 1.0) - boat.bank.leak_a) * hours
    sums[8] += flow.load_a * flow.load_a * boat.tank.element_ohm * hours
    sums[12] += STEP_S if now.memory.on and not now.water.closed else 0.0
    sums[13] = min(sums[13], now.cells.charge)


@numba.njit(cache=True)
def heat_wh(tank: Tank, water: Water) -> float:
    """Return the heat in the tank, counted from 0 degC."""
    return (tank.lower_l * water.lower_c + tank.upper_l * water.upper_c) * 4_180.0 / 3_600.0


@numba.njit(cache=True)
def decide(rule: Rule, memory: law.Memory, t: float, seen: Seen, allowed: bool) -> law.Memory:
    """Return what the law makes of a sample; where the load may not run, the relay stays off."""
    after = law.judge(rule, memory, t, t % 86_400.0, seen.soc, seen.volts, seen.watts)
    return after if allowed else law.begin(t)


@numba.njit(cache=True)
def run(
    boat: Boat, rule: Rule, sun_w: Floats, house_w: Floats, tapped_l: Floats, seed: int, allowed: bool
) -> tuple[Floats, Floats]:
    """Return the record (rows of `COLUMNS`, time in s from the beginning) and the `SUMS` of a boat under a rule.

    `allowed`: the load may run; what would have been wasted without it comes from a run in which it may not.
    The noise is drawn in the same order whatever the rule does.
    """
    np.random.seed(seed)
    rows, kept = np.empty((len(sun_w) * STEP_S // boat.telemetry.keeps_s + 40_000, len(COLUMNS))), 0
    sums = np.zeros(len(SUMS))
    sums[13] = 1.0
    now = begin(boat)
    sums[11], sums[16] = -heat_wh(boat.tank, now.water), -now.cells.charge * boat.bank.capacity_ah
    for step in range(len(sun_w)):
        t = float(step * STEP_S)
        have_w = sun_w[step] * boat.charger.efficiency
        flow = flow_of(boat, now, have_w, house_w[step])
        if step * STEP_S % boat.telemetry.every_s == 0:
            seen = publish(boat, now, flow)
            memory = decide(rule, now.memory, t, seen, allowed)
            is_changed = memory.on != now.memory.on
            now = Now(now.cells, now.stage, now.water, now.counter, memory, now.volts, now.is_shut)
            sums[1] += 1.0 if memory.on and is_changed else 0.0
            if step * STEP_S % boat.telemetry.keeps_s == 0 or (boat.telemetry.keeps_changes and is_changed):
                relay = 1.0 if memory.on else 0.0
                rows[kept] = np.array(
                    [t, seen.soc, seen.volts, seen.watts, seen.solar_w, seen.load_w, seen.tank_c, relay]
                )
                kept += 1
        add_up(boat, now, flow, have_w, sums)
        was = now.stage.stage
        now, lost, drawn = advance(boat, now, flow, t + STEP_S, sun_w[step], tapped_l[step])
        sums[9] += lost / 3_600.0
        sums[10] += drawn / 3_600.0
        sums[15] += 1.0 if now.stage.stage == DONE and was != DONE else 0.0
    sums[11] += heat_wh(boat.tank, now.water)
    sums[14], sums[16] = float(now.counter.resyncs), sums[16] + now.cells.charge * boat.bank.capacity_ah
    return rows[:kept], sums


def totals(sums: Floats) -> dict[str, Any]:
    """Return the sums by name."""
    return dict(zip(SUMS, (float(value) for value in sums), strict=True))
