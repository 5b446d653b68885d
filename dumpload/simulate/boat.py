"""Settings to the plant of a simulation; every value assumed for a missing setting is noted.

Plates are never assumed: without panels, bank, element and tank there is nothing to simulate.
"""

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from dumpload.check.facts import CABLE_RUN, cable_ohm, element_ohm, has
from dumpload.check.tank import LOSS, tank_loss_w_k
from dumpload.config.model import Settings, flat
from dumpload.config.to_core import controller_setup
from dumpload.config.types import parse_draw
from dumpload.core.controller import ControllerSettings, Lockout
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Selector
from dumpload.core.signals import Signal
from dumpload.core.state import fresh
from dumpload.physics.bank import LIFEPO4_OCV, counter_drift_percent
from dumpload.physics.plant import Bank, Charger, Heater, Monitor, Plant, PlantState, Stage
from dumpload.physics.water import heat_capacity_j_k
from dumpload.replay.arrays import with_floats
from dumpload.simulate.engine import Boat, Telemetry

# Common practice, no source, unless said otherwise: per cell (V), per Ah of the bank (A), and so on.
ABSORPTION_CELL_V, FLOAT_CELL_V, REBULK_CELL_V, BELOW_CELL_V = 3.55, 3.375, 3.3, 0.025
ABSORPTION_S, REBULK_S, FULL_S, FULL_A_PER_AH = 3600.0, 60.0, 180.0, 0.04
CHARGER_EFFICIENCY, BANK_EFFICIENCY, COUNTER_EFFICIENCY, COUNTER_OFFSET_A = 0.96, 0.995, 0.99, 0.02
CELL_MOHM_AT_100_AH, SLOW_PART, SLOW_S = 1.5, 0.5, 600.0
SELF_DISCHARGE_PER_MONTH = 0.02
THERMOSTAT_BAND_K, HOUSE_W, LITRES_A_DAY, NIGHT_H = 8.0, 60.0, 30.0, 15.0
COLD_C, AROUND_C, OPENS_C, WANTED_C, LOSS_W_K = 10.0, 15.0, 65.0, 40.0, 1.1
START_CHARGE = 0.6
MESSAGES_S, TEMPERATURE_STEP_C, CHARGE_STEP_PERCENT = 10.0, 0.5, 0.1
NO_LIMIT_A = 1e6
# Most of the bank's charge that may move in one step.
MOST_CHARGE_A_STEP = 0.005
DAY_HOURS = range(7, 23)

NEEDED = (
    ("solar.peak_w or solar.strings", ("solar.peak_w", "solar.strings")),
    ("battery.capacity_ah", ("battery.capacity_ah",)),
    ("battery.cells or battery.nominal_v", ("battery.cells", "battery.nominal_v")),
    ("load.rated_w", ("load.rated_w",)),
    ("load.rated_v", ("load.rated_v",)),
    ("tank.volume_l", ("tank.volume_l",)),
)
LIFEPO4_NOMINAL_V = 3.2


class BoatError(Exception):
    """The settings are incomplete for a simulation; the message names what is missing."""


class Assumption(NamedTuple):
    """A setting that is missing, and the value used instead."""

    key: str
    text: str


class KnownBoat:
    """Settings by key; a default used for a missing one is noted."""

    def __init__(self, values: Mapping[str, Any]) -> None:
        self.values = values
        self.assumed: list[Assumption] = []

    def number(self, key: str, otherwise: float, unit: str = "", why: str = "") -> float:
        """Return a setting; if missing, note and return `otherwise`."""
        if key in self.values:
            return float(self.values[key])
        self.note(key, f"{otherwise:g}{f' {unit}' if unit else ''}{f', {why}' if why else ''}")
        return otherwise

    def note(self, key: str, text: str) -> None:
        """Note an assumption."""
        self.assumed.append(Assumption(key, text))


class Meter(NamedTuple):
    """How finely the gateway publishes voltage and power, and the standard deviation of their noise; our choice."""

    voltage_step_v: float = 0.01
    voltage_noise_v: float = 0.01
    power_step_w: float = 1.0
    power_noise_w: float = 3.0


METER = Meter()


class Needs(NamedTuple):
    """The house and the taps: W in each hour of the local day, and litres at 40 degC by minute of it."""

    hourly_w: tuple[float, ...]
    draws: tuple[tuple[int, float], ...]
    around_c: float
    cold_c: float
    wanted_c: float


class Installed(NamedTuple):
    """The boat as simulated, and the assumptions made about it."""

    plant: Plant
    law: ControllerSettings
    telemetry: Telemetry
    start: Boat
    needs: Needs
    strings: tuple[tuple[float, float, float], ...]
    assumed: tuple[Assumption, ...]


def installed(settings: Settings, step_s: float, meter: Meter = METER) -> Installed:
    """Return the boat of the settings, for steps of `step_s` (s).

    Raises:
        BoatError: a setting is missing that cannot be assumed.
    """
    known = KnownBoat(flat(settings))
    missing = [setting for setting, keys in NEEDED if not any(known.values.get(key) for key in keys)]
    if missing:
        msg = f"{missing[0]}: expected to be set for a simulation" + _also(missing[1:])
        raise BoatError(msg)
    chemistry = known.values.get("battery.chemistry")
    if chemistry not in (None, "lifepo4"):
        msg = f'battery.chemistry = "{chemistry}": expected "lifepo4"; no rest voltage is known for other cells'
        raise BoatError(msg)
    strings = _strings(known)
    bank, cells = bank_of(known)
    charger = charger_of(known, cells)
    plant = Plant(bank, monitor_of(known, charger, bank.capacity_ah, cells), charger, heater_of(known))
    needs = needs_of(known)
    if needs.cold_c >= WANTED_C:
        msg = f"tank.cold_c = {needs.cold_c:g}: expected below {WANTED_C:g}, the temperature of mixed water at the tap"
        raise BoatError(msg)
    _check_size(bank, strings, step_s)
    telemetry = telemetry_of(known, step_s, meter)
    start = Boat(
        PlantState(START_CHARGE, 0.0, Stage.BULK, 0.0, START_CHARGE, 0.0, needs.around_c, True),
        fresh(0.0, Selector.AUTO, Lockout.NONE, 0.0, -1),
    )
    return Installed(plant, law_of(settings), telemetry, start, needs, strings, tuple(known.assumed))


def _check_size(bank: Bank, strings: tuple[tuple[float, float, float], ...], step_s: float) -> None:
    """Refuse a bank that the panels would fill within minutes, because the time step is too long for it."""
    most_a = sum(peak_w for peak_w, *_ in strings) / bank.rest_v[0]
    least_ah = most_a * step_s / 3600.0 / MOST_CHARGE_A_STEP
    if bank.capacity_ah < least_ah:
        msg = (
            f"battery.capacity_ah = {bank.capacity_ah:g}: expected at least {least_ah:.3g} Ah with panels of this size"
        )
        raise BoatError(msg)


def _also(others: list[str]) -> str:
    return f"; and {', '.join(others)}" if others else ""


def _strings(known: KnownBoat) -> tuple[tuple[float, float, float], ...]:
    strings = known.values.get("solar.strings")
    if strings:
        return tuple((string["peak_w"], string["tilt_deg"], string["azimuth_deg"]) for string in strings)
    known.note("solar.strings", "one string, flat")
    return ((float(known.values["solar.peak_w"]), 0.0, 180.0),)


def law_of(settings: Settings) -> ControllerSettings:
    """Return the law's settings for telemetry that never fails and a contact that never sticks."""
    law = with_floats(controller_setup(settings).settings)
    published = (Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE, Signal.BATTERY_POWER, Signal.TANK_TEMPERATURE)
    ages = [max(age, 6 * MESSAGES_S) if signal in published else MISSING for signal, age in enumerate(law.max_age_s)]
    ages = [MISSING if is_missing(limit_s) else age for age, limit_s in zip(ages, law.max_age_s, strict=True)]
    return ControllerSettings(law.limits, law.permissives, tuple(ages), MISSING)


def bank_of(known: KnownBoat) -> tuple[Bank, int]:
    """Return the bank, and its cells in series."""
    values = known.values
    if "battery.chemistry" not in values:
        known.note("battery.chemistry", "lifepo4")
    cells = int(values.get("battery.cells") or round(values["battery.nominal_v"] / LIFEPO4_NOMINAL_V))
    if "battery.cells" not in values:
        known.note("battery.cells", f"{cells}, from battery.nominal_v")
    capacity_ah = float(values["battery.capacity_ah"])
    guess_mohm = CELL_MOHM_AT_100_AH * cells * 100.0 / capacity_ah
    ohm = known.number("battery.resistance_mohm", float(f"{guess_mohm:.3g}"), "mohm", "common practice") / 1000.0
    known.note("bank", f"{100 * BANK_EFFICIENCY:g} % charge efficiency; "
               f"{100 * SELF_DISCHARGE_PER_MONTH:g} % self-discharge a month; "
               f"polarisation of {SLOW_PART:g} times its resistance within {SLOW_S:g} s")  # fmt: skip
    charges, volts = zip(*LIFEPO4_OCV, strict=True)
    bank = Bank(
        capacity_ah, tuple(map(float, charges)), tuple(cells * volt for volt in volts), ohm, SLOW_PART * ohm, SLOW_S,
        BANK_EFFICIENCY, SELF_DISCHARGE_PER_MONTH / (30 * 86_400.0),
    )  # fmt: skip
    return bank, cells


def charger_of(known: KnownBoat, cells: int) -> Charger:
    """Return the solar charger."""
    absorption_v = known.number("solar.absorption_v", ABSORPTION_CELL_V * cells, "V")
    float_v = math.nan
    if not known.values["solar.stops_when_full"]:
        float_v = known.number("solar.float_v", min(FLOAT_CELL_V * cells, absorption_v), "V")
    if "solar.charger_a" not in known.values:
        known.note("solar.charger_a", "no limit")
    known.note("charger", f"{100 * CHARGER_EFFICIENCY:g} % efficiency")
    return Charger(
        absorption_v=absorption_v,
        absorption_s=known.number("solar.absorption_s", ABSORPTION_S, "s"),
        tail_a=float(known.values.get("solar.tail_a", math.nan)),
        float_v=float_v,
        rebulk_v=known.number("solar.rebulk_v", min(REBULK_CELL_V * cells, absorption_v - cells * BELOW_CELL_V), "V"),
        rebulk_s=known.number("solar.rebulk_s", REBULK_S, "s"),
        limit_a=float(known.values.get("solar.charger_a", NO_LIMIT_A)),
        efficiency=CHARGER_EFFICIENCY,
        begins_daily=bool(known.values["solar.begins_daily"]),
    )


def monitor_of(known: KnownBoat, charger: Charger, capacity_ah: float, cells: int) -> Monitor:
    """Return the battery monitor; its offset makes it read high, the worse direction."""
    full_a = float(f"{FULL_A_PER_AH * capacity_ah:.3g}")
    day = counter_drift_percent(COUNTER_OFFSET_A, capacity_ah)
    return Monitor(
        offset_a=known.number("battery.counter_offset_a", COUNTER_OFFSET_A, "A", f"{day:.2g} % a day, common practice"),
        capacity_ah=capacity_ah,
        charge_efficiency=known.number("battery.counter_efficiency", COUNTER_EFFICIENCY),
        full_v=known.number("battery.counter_full_v", charger.absorption_v - BELOW_CELL_V * cells, "V"),
        full_a=known.number("battery.counter_full_a", full_a, "A"),
        full_s=known.number("battery.counter_full_s", FULL_S, "s"),
    )


def heater_of(known: KnownBoat) -> Heater:
    """Return the element, its cable and the tank."""
    opens_c = known.number("tank.target_c", OPENS_C, "degC")
    known.note("thermostat", f"closes {THERMOSTAT_BAND_K:g} K below that")
    loss_w_k = LOSS_W_K
    if all(key in known.values for key in LOSS[:2]):
        loss_w_k = tank_loss_w_k(known.values)
    else:
        known.note("tank.loss_kwh_per_day", f"{LOSS_W_K:g} W/K")
    cable = cable_ohm(known.values) if has(known.values, CABLE_RUN) else 0.0
    if not cable:
        known.note("wiring.length_m", "no cable resistance")
    volume_l = float(known.values["tank.volume_l"])
    heat = heat_capacity_j_k(volume_l, 10.0, 60.0)
    return Heater(element_ohm(known.values), cable, opens_c, opens_c - THERMOSTAT_BAND_K, heat, volume_l, loss_w_k)


def needs_of(known: KnownBoat) -> Needs:
    """Return the house load and the hot water drawn."""
    return Needs(
        hourly_w=_hourly_w(known),
        draws=_draws(known),
        around_c=known.number("tank.around_c", AROUND_C, "degC"),
        cold_c=known.number("tank.cold_c", COLD_C, "degC"),
        wanted_c=WANTED_C,
    )


def _hourly_w(known: KnownBoat) -> tuple[float, ...]:
    if "house.hourly_w" in known.values:
        return tuple(map(float, known.values["house.hourly_w"]))
    if "house.day_w" in known.values:
        day_w, night_w = float(known.values["house.day_w"]), float(known.values["house.night_w"])
        return tuple(day_w if hour in DAY_HOURS else night_w for hour in range(24))
    watts, why = HOUSE_W, ""
    if "battery.night_wh" in known.values:
        watts, why = known.values["battery.night_wh"] / NIGHT_H, f": battery.night_wh in {NIGHT_H:g} h"
    known.note("house", f"{watts:.3g} W at all hours{why}")
    return (float(watts),) * 24


def _draws(known: KnownBoat) -> tuple[tuple[int, float], ...]:
    if texts := known.values.get("tank.draws"):
        return tuple(map(parse_draw, texts))
    litres, why = LITRES_A_DAY, ""
    if "tank.people" in known.values and "tank.litres_per_person" in known.values:
        litres, why = (
            known.values["tank.people"] * known.values["tank.litres_per_person"],
            ": people x litres_per_person",
        )
    known.note("tank.draws", f"{litres:g} l a day at {WANTED_C:g} degC, half at 07:00 and half at 19:00{why}")
    return (7 * 60, litres / 2.0), (19 * 60, litres / 2.0)


def telemetry_of(known: KnownBoat, step_s: float, meter: Meter) -> Telemetry:
    """Return how finely and how often the gateway publishes, and with how much noise."""
    charge = known.number("battery.counter_step_percent", CHARGE_STEP_PERCENT, "%")
    known.note("telemetry", f"a message every {MESSAGES_S:g} s, voltage to {meter.voltage_step_v:g} V with noise of "
               f"{meter.voltage_noise_v:g} V (standard deviation), power to {meter.power_step_w:g} W with noise of "
               f"{meter.power_noise_w:g} W, temperature to {TEMPERATURE_STEP_C:g} degC; no losses")  # fmt: skip
    every = max(1, round(MESSAGES_S / step_s))
    return Telemetry(
        every, charge, meter.voltage_step_v, meter.power_step_w, TEMPERATURE_STEP_C, meter.voltage_noise_v,
        meter.power_noise_w,
    )  # fmt: skip
