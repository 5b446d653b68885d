"""The whole boat as one step function: panels, charger, house, bank, monitor, element and tank.

Pure, without a clock, without a law: the relay's position comes in. Arguments and results are floats, ints, bools and
named tuples of them, so that `step` is compiled as it stands, together with the control law.

How a step is solved
--------------------
Within a step everything that comes in is constant. The slow polarisation and the tank are first order and are solved
exactly; the bus voltage is the root of a quadratic. The rest voltage is taken on the mean of the step, on the line of
its curve at the beginning: where the curve is steep, above 99 %, a value held over the step would swing about the
charger's set point in a bank of little resistance. Steps are at most 10 s (a test shows that halving it moves the
energy by less than 0.1 %). The books are
kept in the same terms, so they close to rounding, whatever the step:

    offered  = curtailed + converter loss + house + cable + element + into the bank
    into the bank = stored + ohmic + polarisation + charge lost in charging
    element  = kept in the tank + lost to the room + drawn

Sign: current and power into the bank are positive, as in the telemetry.
"""

import math
from enum import IntEnum
from typing import NamedTuple

SECONDS_PER_HOUR = 3600.0
# Longest step for which the figures above hold (s).
LONGEST_STEP_S = 10.0


class Stage(IntEnum):
    """Stage of the solar charger."""

    BULK = 0  # delivers all available power
    ABSORPTION = 1  # holds the absorption voltage
    FLOAT = 2  # holds the float voltage
    RESTING = 3  # off until the voltage has dropped


class Bank(NamedTuple):
    """The bank. `rest_charge`, `rest_v`: its rest-voltage curve (0 to 1, rising; V of the whole bank).

    `charge_efficiency`: part of the charge put in that can be taken out. `slow_ohm`, `slow_s`: resistance of the
    polarisation and its time constant. `self_discharge_per_s`: part of the capacity lost by itself.
    """

    capacity_ah: float
    rest_charge: tuple[float, ...]
    rest_v: tuple[float, ...]
    ohm: float
    slow_ohm: float
    slow_s: float
    charge_efficiency: float
    self_discharge_per_s: float


class Monitor(NamedTuple):
    """The battery monitor: counts current, with an error; synchronises at what it takes for full.

    `offset_a`: error of its current. `capacity_ah`, `charge_efficiency`: what it believes of the bank. It takes that
    for full at or above `full_v` with less than `full_a` into it for `full_s` (NaN `full_v`: it never synchronises).
    """

    offset_a: float
    capacity_ah: float
    charge_efficiency: float
    full_v: float
    full_a: float
    full_s: float


class Charger(NamedTuple):
    """The solar charger. `float_v` NaN: it rests when full instead. `tail_a` NaN: absorption ends by time alone.

    Absorption ends after `absorption_s` at the set point, or below `tail_a` into the bank. From float or rest it goes
    back to bulk once the bus has been below `rebulk_v` for `rebulk_s`, and with `begins_daily` every night, too.
    """

    absorption_v: float
    absorption_s: float
    tail_a: float
    float_v: float
    rebulk_v: float
    rebulk_s: float
    limit_a: float
    efficiency: float
    begins_daily: bool = False


class Heater(NamedTuple):
    """Element, its cable, and the tank. The thermostat opens at `opens_c` and closes again at `closes_c`.

    `capacity_j_k`: heat capacity of the water. `volume_l`: how much there is. `loss_w_k`: standing loss.
    """

    element_ohm: float
    cable_ohm: float
    opens_c: float
    closes_c: float
    capacity_j_k: float
    volume_l: float
    loss_w_k: float


class Plant(NamedTuple):
    """Everything on the boat's bus."""

    bank: Bank
    monitor: Monitor
    charger: Charger
    heater: Heater


class PlantState(NamedTuple):
    """State of the plant. `charge`: true state of charge (0 to 1). `counted`: the monitor's (0 to 1).

    `slow_v`: the polarisation. `in_stage_s`: how long the charger has held its stage, or (resting or floating) how long
    the bus has been low. `full_for_s`: how long the monitor has seen "full".
    """

    charge: float
    slow_v: float
    stage: Stage
    in_stage_s: float
    counted: float
    full_for_s: float
    tank_c: float
    thermostat_closed: bool


class Surroundings(NamedTuple):
    """Inputs of one step: W offered by the panels, W of the house, hot water drawn.

    `drawn_l`: litres of mixed water taken in the step, at `wanted_c` or as warm as there is.
    """

    offered_w: float
    house_w: float
    around_c: float
    cold_c: float
    drawn_l: float
    wanted_c: float


class BankFlows(NamedTuple):
    """Bank in one step: current into it (A), its power at the bus, and where that went (mean W)."""

    amps: float
    in_w: float
    stored_w: float
    ohmic_w: float
    slow_w: float
    charging_loss_w: float


class TankFlows(NamedTuple):
    """Tank after a step: temperature, heat stored, lost and drawn (mean W), and litres drawn warm enough."""

    celsius: float
    stored_w: float
    loss_w: float
    drawn_w: float
    warm_l: float


class Flows(NamedTuple):
    """Power flows of one step (mean W). `unserved_w`: house load that could not be supplied."""

    offered_w: float
    curtailed_w: float
    converter_w: float
    house_w: float
    unserved_w: float
    cable_w: float
    element_w: float
    bus_v: float
    bank: BankFlows
    tank: TankFlows
    resynced: bool


class Bus(NamedTuple):
    """The solved bus: voltage, power of the charger and of the house, and whether the charger holds its set point."""

    volts: float
    charger_w: float
    house_w: float
    at_set_point: bool


def rest_line(bank: Bank, charge: float) -> tuple[float, float]:
    """Return the rest voltage at a charge (0 to 1), and by how much it rises with the charge (V)."""
    xs, ys = bank.rest_charge, bank.rest_v
    index = 1
    while index < len(xs) - 1 and charge > xs[index]:
        index += 1
    slope_v = (ys[index] - ys[index - 1]) / (xs[index] - xs[index - 1])
    return ys[index - 1] + slope_v * (charge - xs[index - 1]), slope_v


def volts_at(emf_v: float, ohm: float, siemens: float, watts: float) -> float:
    """Return the bus voltage V at which `watts` go into a bank (EMF behind `ohm`) and a conductance beside it.

    V (V - E) / R + G V² = P; the larger root. NaN where the bank cannot give that much.
    """
    square, pull = 1.0 / ohm + siemens, emf_v / ohm
    root = pull * pull + 4.0 * square * watts  # no `**`: the C library's pow may round otherwise than a product
    return (pull + math.sqrt(root)) / (2.0 * square) if root >= 0.0 else math.nan


def solve_bus(plant: Plant, state: PlantState, emf_v: float, ohm: float, siemens: float, around: Surroundings) -> Bus:
    """Solve the bus: at the charger's set point if there is enough power, else at the voltage where power balances."""
    charger, house_w = plant.charger, around.house_w
    set_v = set_point_v(charger, state.stage)
    available_w = around.offered_w * charger.efficiency
    if state.charge <= 0.0 and available_w < house_w:  # the battery management blocks discharge of an empty bank
        house_w = 0.0
    if not math.isnan(set_v):
        needed_w = set_v * (set_v - emf_v) / ohm + siemens * set_v * set_v + house_w
        available_w = min(available_w, charger.limit_a * set_v)
        if available_w >= needed_w:
            if needed_w >= 0.0:
                return Bus(set_v, needed_w, house_w, True)
            available_w = 0.0  # the bank alone is above the set point, so the charger delivers nothing
    else:
        available_w = 0.0
    volts = volts_at(emf_v, ohm, siemens, available_w - house_w)
    if math.isnan(volts):  # beyond the bank's maximum power, so the house is cut off
        house_w = 0.0
        volts = volts_at(emf_v, ohm, siemens, available_w)
    return Bus(volts, available_w, house_w, False)


def set_point_v(charger: Charger, stage: Stage) -> float:
    """Return the voltage that the charger regulates to; NaN while it is off."""
    if stage == Stage.RESTING:
        return math.nan
    return charger.float_v if stage == Stage.FLOAT else charger.absorption_v


def next_stage(charger: Charger, state: PlantState, bus: Bus, bank_a: float, step_s: float) -> tuple[Stage, float]:
    """Return the charger's stage after a step, and the time counted towards its end (s)."""
    stage, passed_s = state.stage, state.in_stage_s
    if stage == Stage.FLOAT or stage == Stage.RESTING:
        low_s = passed_s + step_s if bus.volts < charger.rebulk_v else 0.0
        return (Stage.BULK, 0.0) if low_s >= charger.rebulk_s else (stage, low_s)
    if not bus.at_set_point:  # clouds or a load pause the absorption timer, they do not reset it
        return stage, passed_s
    passed_s += step_s
    if passed_s >= charger.absorption_s or bank_a < charger.tail_a:
        return (Stage.RESTING if math.isnan(charger.float_v) else Stage.FLOAT), 0.0
    return Stage.ABSORPTION, passed_s


def count(monitor: Monitor, state: PlantState, bus_v: float, bank_a: float, step_s: float) -> tuple[float, float, bool]:
    """Return the monitor's charge after a step, how long it has seen "full" (s), and whether it just synchronised."""
    amps = bank_a + monitor.offset_a
    kept = amps * monitor.charge_efficiency if amps > 0.0 else amps
    counted = state.counted + kept * step_s / (SECONDS_PER_HOUR * monitor.capacity_ah)
    seen_full = bus_v >= monitor.full_v and amps < monitor.full_a  # a NaN voltage is never reached
    full_for_s = state.full_for_s + step_s if seen_full else 0.0
    resynced = seen_full and full_for_s >= monitor.full_s and counted < 1.0
    if full_for_s >= monitor.full_s and seen_full:
        counted = 1.0
    return min(1.0, max(0.0, counted)), full_for_s, resynced


def heat_tank(heater: Heater, tank_c: float, element_w: float, around: Surroundings, step_s: float) -> TankFlows:
    """Return the tank after a step: exact for constant power and surroundings, the draw at the end of it.

    T(t) = Te + (T0 - Te) exp(-t UA / C) with Te = Ta + P / UA.
    """
    if heater.loss_w_k > 0.0:
        end_c = around.around_c + element_w / heater.loss_w_k
        shrink = math.exp(-step_s * heater.loss_w_k / heater.capacity_j_k)
        heated_c = end_c + (tank_c - end_c) * shrink
    else:
        heated_c = tank_c + element_w * step_s / heater.capacity_j_k
    loss_w = element_w - heater.capacity_j_k * (heated_c - tank_c) / step_s
    cooled_c, warm_l = draw(heater, heated_c, around)
    stored_w = heater.capacity_j_k * (cooled_c - tank_c) / step_s
    drawn_w = heater.capacity_j_k * (heated_c - cooled_c) / step_s
    return TankFlows(cooled_c, stored_w, loss_w, drawn_w, warm_l)


def draw(heater: Heater, tank_c: float, around: Surroundings) -> tuple[float, float]:
    """Return the tank's temperature after the draw, and how many litres of it were warm enough; exact.

    The cold that comes in mixes with what is left. While the tank is warm enough, every litre of mixed water takes the
    same heat, so T falls on a straight line; from there on the tank's own water is drawn, and T - Tc shrinks by
    exp(-litres / volume).
    """
    if around.drawn_l <= 0.0 or tank_c <= around.cold_c:
        return tank_c, 0.0
    warm_l, wanted_k = 0.0, around.wanted_c - around.cold_c
    if tank_c > around.wanted_c:
        warm_l = min(around.drawn_l, (tank_c - around.wanted_c) * heater.volume_l / wanted_k)
        tank_c -= warm_l * wanted_k / heater.volume_l
    if warm_l < around.drawn_l:
        rest_l = around.drawn_l - warm_l
        tank_c = around.cold_c + (tank_c - around.cold_c) * math.exp(-rest_l / heater.volume_l)
    return tank_c, warm_l


def thermostat(heater: Heater, closed: bool, tank_c: float) -> bool:
    """Return whether the thermostat is closed at this temperature."""
    if tank_c >= heater.opens_c:
        return False
    return closed or tank_c <= heater.closes_c


def charge_bank(bank: Bank, state: PlantState, volts: float, step_s: float) -> tuple[float, float, BankFlows]:
    """Return charge and polarisation after a step at this bus voltage, and the bank's books.

    The polarisation v follows dv/dt = (I R - v) / tau, exactly: its mean over the step and its end are taken.
    """
    rest_v, slope_v = rest_line(bank, state.charge)
    emf_v, ohm = behind(bank, state, step_s)
    amps = (volts - emf_v) / ohm
    rising_ohm = rising(bank, slope_v, step_s)
    slow_mean_v = emf_v - rest_v + (ohm - bank.ohm - rising_ohm) * amps
    rest_v += rising_ohm * amps
    end_v = amps * bank.slow_ohm
    slow_v = end_v + (state.slow_v - end_v) * math.exp(-step_s / bank.slow_s)
    lost_a = amps * (1.0 - bank.charge_efficiency) if amps > 0.0 else 0.0
    lost_a += bank.self_discharge_per_s * bank.capacity_ah * SECONDS_PER_HOUR
    charge = state.charge + (amps - lost_a) * step_s / (SECONDS_PER_HOUR * bank.capacity_ah)
    books = BankFlows(
        amps, volts * amps, rest_v * (amps - lost_a), bank.ohm * amps * amps, slow_mean_v * amps, rest_v * lost_a
    )
    return charge, slow_v, books


def rising(bank: Bank, slope_v: float, step_s: float) -> float:
    """Return the resistance (ohm) that the rise of the rest voltage up to the middle of a step amounts to."""
    return slope_v * step_s / (2.0 * SECONDS_PER_HOUR * bank.capacity_ah)


def behind(bank: Bank, state: PlantState, step_s: float) -> tuple[float, float]:
    """Return EMF (V) and resistance (ohm) of the bank as the bus meets it, on the mean of a step.

    Part of the polarisation acts as EMF and part as resistance: with m = tau/dt (1 - exp(-dt/tau)) its mean is
    m v + (1 - m) R I.
    """
    rest_v, slope_v = rest_line(bank, state.charge)
    mean = bank.slow_s / step_s * (1.0 - math.exp(-step_s / bank.slow_s))
    return rest_v + mean * state.slow_v, bank.ohm + bank.slow_ohm * (1.0 - mean) + rising(bank, slope_v, step_s)


def step(
    plant: Plant, state: PlantState, around: Surroundings, relay_on: bool, step_s: float
) -> tuple[PlantState, Flows]:
    """Advance the plant by `step_s` (s, above 0) with the relay where it is; return the new state and what happened."""
    heater = plant.heater
    closed = thermostat(heater, state.thermostat_closed, state.tank_c)
    is_fed = relay_on and closed and state.charge > 0.0
    siemens = 1.0 / (heater.element_ohm + heater.cable_ohm) if is_fed else 0.0
    emf_v, ohm = behind(plant.bank, state, step_s)
    bus = solve_bus(plant, state, emf_v, ohm, siemens, around)

    charge, slow_v, bank = charge_bank(plant.bank, state, bus.volts, step_s)
    stage, in_stage_s = next_stage(plant.charger, state, bus, bank.amps, step_s)
    if plant.charger.begins_daily and around.offered_w <= 0.0:
        stage, in_stage_s = Stage.BULK, 0.0
    counted, full_for_s, resynced = count(plant.monitor, state, bus.volts, bank.amps, step_s)
    load_a = siemens * bus.volts
    element_w = load_a * load_a * heater.element_ohm
    tank = heat_tank(heater, state.tank_c, element_w, around, step_s)

    used_w = bus.charger_w / plant.charger.efficiency
    curtailed_w, converter_w, unserved_w = (
        around.offered_w - used_w,
        used_w - bus.charger_w,
        around.house_w - bus.house_w,
    )
    cable_w = load_a * load_a * heater.cable_ohm
    flows = Flows(
        around.offered_w, curtailed_w, converter_w, bus.house_w, unserved_w, cable_w, element_w,
        bus.volts, bank, tank, resynced,
    )  # fmt: skip
    return PlantState(charge, slow_v, stage, in_stage_s, counted, full_for_s, tank.celsius, closed), flows
