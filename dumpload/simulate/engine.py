"""Plant and control law together, step by step: the daemon's own `decide` sees telemetry and works the relay.

Pure, and compiled as it stands (`compiled_steps`). The relay moves on the grid of the steps: a deadline within a step
takes effect at its end, as it would at most a step later on a boat.
"""

import math
import sys
from collections.abc import Callable
from typing import Any, NamedTuple

from dumpload.core.contact import Feedback
from dumpload.core.controller import ControllerSettings, Event, Kind, State, decide, remember
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Position, Selector
from dumpload.core.signals import Signal
from dumpload.core.window import LocalTime
from dumpload.physics import plant as plant_module
from dumpload.physics.plant import Flows, Plant, PlantState, Surroundings
from dumpload.physics.plant import step as step_plant
from dumpload.replay import arrays
from dumpload.replay.arrays import find_place, local_at, wake_at
from dumpload.replay.compiled import CORE
from dumpload.replay.compiler import Group, compile_group

# Columns of `daily`, in this order: Wh, litres, seconds, counts and extremes.
OFFERED, CURTAILED, CONVERTER, HOUSE, UNSERVED, CABLE, ELEMENT, FROM_BANK = range(8)
BANK_IN, BANK_STORED, BANK_OHMIC, BANK_SLOW, BANK_CHARGING = range(8, 13)
TANK_STORED, TANK_LOST, TANK_DRAWN, WANTED_L, WARM_L = range(13, 18)
SWITCH_ONS, ON_S, GROWTH_S, HOTTEST, LOWEST, SHOWN_WRONG, SYNCHRONISED = range(18, 25)
COLUMNS = 25

# Water between these temperatures is where legionella grow (see `physics.scald`).
GROWTH_FROM_C, GROWTH_TO_C = 20.0, 45.0


class Telemetry(NamedTuple):
    """How the gateway publishes: every `every_steps` steps, each value rounded to its own resolution (0: not rounded).

    `voltage_noise_v`, `power_noise_w`: standard deviation of what is added before that. The charge is counted: it
    drifts (see `physics.plant.Monitor`) and has no noise.
    """

    every_steps: int
    charge_step_percent: float
    voltage_step_v: float
    power_step_w: float
    temperature_step_c: float
    voltage_noise_v: float
    power_noise_w: float


class Boat(NamedTuple):
    """State carried from one step to the next."""

    plant: PlantState
    law: State


class Outside(NamedTuple):
    """Inputs as arrays with one entry for every `steps` steps: W offered, W of the house, litres.

    `drawn_l`: litres to draw over the whole entry. `day`: row of `daily`. `around_c`, `cold_c`, `wanted_c`: temperature
    around the tank, of the water that comes in, and of the water that is wanted.
    """

    steps: int
    offered_w: Any
    house_w: Any
    drawn_l: Any
    day: Any
    around_c: float
    cold_c: float
    wanted_c: float


class Clock(NamedTuple):
    """The step's length (s), and the Unix time at which t is 0."""

    step_s: float
    began: float


def rounded(value: float, to: float) -> float:
    """Round a value to the resolution of a meter."""
    return math.floor(value / to + 0.5) * to if to > 0.0 else value


def sample(t: float, wall: float, signal: Signal, value: float) -> Event:
    """Return a live sample that is measured as it arrives."""
    return Event(t, wall, Kind.SAMPLE, signal, value, t, Selector.AUTO, MISSING, Feedback.UNKNOWN, False)


def tell(
    settings: ControllerSettings, telemetry: Telemetry, boat: Boat, flows: Flows, noise: Any, t: float, wall: float,
    local: LocalTime,
) -> State:  # fmt: skip
    """Return the law's state after one message of the gateway, the state of charge decided last.

    `noise`: what is added to voltage and to power, in their standard deviations.
    """
    law = boat.law
    if not is_missing(settings.max_age_s[Signal.BATTERY_VOLTAGE + 0]):
        volts = rounded(flows.bus_v + telemetry.voltage_noise_v * noise[0], telemetry.voltage_step_v)
        law = remember(settings, law, sample(t, wall, Signal.BATTERY_VOLTAGE, volts))
    if not is_missing(settings.max_age_s[Signal.BATTERY_POWER + 0]):
        watts = rounded(flows.bank.in_w + telemetry.power_noise_w * noise[1], telemetry.power_step_w)
        law = remember(settings, law, sample(t, wall, Signal.BATTERY_POWER, watts))
    if not is_missing(settings.max_age_s[Signal.TANK_TEMPERATURE + 0]):
        celsius = rounded(boat.plant.tank_c, telemetry.temperature_step_c)
        law = remember(settings, law, sample(t, wall, Signal.TANK_TEMPERATURE, celsius))
    percent = min(100.0, max(0.0, rounded(100.0 * boat.plant.counted, telemetry.charge_step_percent)))
    after, _ = decide(settings, law, sample(t, wall, Signal.STATE_OF_CHARGE, percent), local)
    return after


def wake(settings: ControllerSettings, law: State, t: float, began: float, local: LocalTime) -> State:
    """Return the law's state after every deadline up to `t` (s); `local` is the local time now."""
    while law.deadline < t:
        law, _ = decide(settings, law, wake_at(law.deadline, -began), local)
    return law


def add_up(row: Any, before: Boat, boat: Boat, flows: Flows, drawn_l: float, step_s: float) -> None:
    """Add one step to its day's row."""
    hours = step_s / 3600.0
    load_w = flows.element_w + flows.cable_w
    was_on, is_on = before.law.law.position == Position.ON, boat.law.law.position == Position.ON
    row[FROM_BANK] += min(load_w, max(0.0, -flows.bank.in_w)) * hours
    row[WANTED_L] += drawn_l
    row[WARM_L] += flows.tank.warm_l
    row[SWITCH_ONS] += 1.0 if is_on and not was_on else 0.0
    row[ON_S] += step_s if was_on else 0.0
    row[GROWTH_S] += step_s if GROWTH_FROM_C <= boat.plant.tank_c < GROWTH_TO_C else 0.0
    row[HOTTEST] = max(row[HOTTEST], boat.plant.tank_c)
    row[LOWEST] = min(row[LOWEST], 100.0 * boat.plant.charge)
    row[SHOWN_WRONG] = max(row[SHOWN_WRONG], 100.0 * abs(boat.plant.counted - boat.plant.charge))
    row[SYNCHRONISED] = max(row[SYNCHRONISED], 1.0 if flows.resynced else 0.0)
    add_energy(row, flows, hours)


def add_energy(row: Any, flows: Flows, hours: float) -> None:
    """Add one step's energy (Wh): everything that came in, and where it went."""
    row[OFFERED] += flows.offered_w * hours
    row[CURTAILED] += flows.curtailed_w * hours
    row[CONVERTER] += flows.converter_w * hours
    row[HOUSE] += flows.house_w * hours
    row[UNSERVED] += flows.unserved_w * hours
    row[CABLE] += flows.cable_w * hours
    row[ELEMENT] += flows.element_w * hours
    row[BANK_IN] += flows.bank.in_w * hours
    row[BANK_STORED] += flows.bank.stored_w * hours
    row[BANK_OHMIC] += flows.bank.ohmic_w * hours
    row[BANK_SLOW] += flows.bank.slow_w * hours
    row[BANK_CHARGING] += flows.bank.charging_loss_w * hours
    row[TANK_STORED] += flows.tank.stored_w * hours
    row[TANK_LOST] += flows.tank.loss_w * hours
    row[TANK_DRAWN] += flows.tank.drawn_w * hours


def run_steps(
    plant: Plant, settings: ControllerSettings, telemetry: Telemetry, boat: Boat, outside: Outside, clock: Clock,
    locals_: Any, noise: Any, heated: bool, begin: int, end: int, daily: Any,
) -> Boat:  # fmt: skip
    """Run the entries of `outside` from `begin` to `end`, adding up into `daily`; return the boat at the end.

    `locals_`: the local times (`LocalTimes`). `noise`: a row a message, which begin again after the last (see `tell`).
    `daily`: a row a day, `COLUMNS` columns. `heated` False: the relay is never closed, whatever the law says, to see
    what is wasted without a load.
    """
    place = 0
    for number in range(begin * outside.steps, end * outside.steps):
        t = (number + 1) * clock.step_s
        wall = clock.began + t
        place = find_place(locals_, wall, place)
        local = local_at(locals_, place)
        entry = number // outside.steps
        around = surroundings(outside, entry)
        is_closed = heated and boat.law.law.position == Position.ON
        after, flows = step_plant(plant, boat.plant, around, is_closed, clock.step_s)
        then = Boat(after, wake(settings, boat.law, t, clock.began, local))
        if number % telemetry.every_steps == 0:
            row = noise[number // telemetry.every_steps % len(noise)]
            then = Boat(after, tell(settings, telemetry, then, flows, row, t, wall, local))
        add_up(daily[outside.day[entry]], boat, then, flows, around.drawn_l, clock.step_s)
        boat = then
    return boat


def surroundings(outside: Outside, entry: int) -> Surroundings:
    """Return the inputs of each step of one entry."""
    return Surroundings(
        outside.offered_w[entry],
        outside.house_w[entry],
        outside.around_c,
        outside.cold_c,
        outside.drawn_l[entry] / outside.steps,
        outside.wanted_c,
    )


def compiled_steps(say: Callable[[str], None] = lambda _line: None) -> Callable[..., Any]:
    """Return `run_steps` compiled with plant and law; slow the first time on a computer."""
    modules = (*CORE, arrays, plant_module, sys.modules[__name__])
    (run,) = compile_group(Group("boat", "plant and control law", modules, (run_steps,)), say)
    return run
