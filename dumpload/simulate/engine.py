"""Plant and control law together, step by step: the daemon's own `decide` sees telemetry and works the relay.

Pure, and written to be compiled as it stands. The relay moves on the grid of the steps: a deadline within a step takes
effect at its end, as it would at most a step later on a boat.
"""

import math
from typing import Any, NamedTuple

from dumpload.core.controller import ControllerSettings, Event, Kind, State, decide, remember
from dumpload.core.freshness import is_missing
from dumpload.core.law import Position
from dumpload.core.signals import Signal
from dumpload.core.window import LocalTime
from dumpload.physics.plant import Flows, Plant, PlantState, Surroundings
from dumpload.physics.plant import step as step_plant

# What is added up for each day, in the order of the columns of `daily`: Wh, litres, counts and extremes.
OFFERED, CURTAILED, ELEMENT, CABLE, FROM_BANK, HOUSE, UNSERVED, WANTED_L, WARM_L, SWITCH_ONS, ON_S, HOTTEST, LOWEST = (
    range(13)
)
COLUMNS = 13


class Telemetry(NamedTuple):
    """What the gateway publishes: every `every_steps` steps, each value rounded to a step of its own (0: as it is)."""

    every_steps: int
    charge_step_percent: float
    voltage_step_v: float
    power_step_w: float
    temperature_step_c: float


class Boat(NamedTuple):
    """Everything that goes on from one step to the next."""

    plant: PlantState
    law: State


class Outside(NamedTuple):
    """What comes from outside, one entry a step: W offered, W of the house, degC of the air, litres wanted.

    `cold_c`, `wanted_c`: temperature of the water that comes in, and of the water that is wanted.
    """

    offered_w: Any
    house_w: Any
    air_c: Any
    drawn_l: Any
    cold_c: float
    wanted_c: float


class Clock(NamedTuple):
    """The step's length (s) and where it begins: `t` 0 is Unix time `began`. `locals_`: local time, part by part."""

    step_s: float
    began: float
    locals_: Any
    day_of_step: Any


def rounded(value: float, to: float) -> float:
    """Return a value as a meter with that resolution shows it."""
    return math.floor(value / to + 0.5) * to if to > 0.0 else value


def sample(t: float, wall: float, signal: Signal, value: float) -> Event:
    """Return a live sample that is measured as it arrives."""
    return Event(t, wall, Kind.SAMPLE, signal, value, t)


def tell(
    settings: ControllerSettings,
    telemetry: Telemetry,
    boat: Boat,
    flows: Flows,
    t: float,
    wall: float,
    local: LocalTime,
) -> State:
    """Return the law's state after one message of the gateway, the state of charge decided last."""
    law, load_w = boat.law, flows.cable_w + flows.element_w
    used_w = flows.offered_w - flows.curtailed_w
    if not is_missing(settings.max_age_s[Signal.BATTERY_VOLTAGE + 0]):
        volts = rounded(flows.bus_v, telemetry.voltage_step_v)
        law = remember(settings, law, sample(t, wall, Signal.BATTERY_VOLTAGE, volts))
    if not is_missing(settings.max_age_s[Signal.BATTERY_POWER + 0]):
        watts = rounded(flows.bank.in_w, telemetry.power_step_w)
        law = remember(settings, law, sample(t, wall, Signal.BATTERY_POWER, watts))
    if not is_missing(settings.max_age_s[Signal.SOLAR_POWER + 0]):
        law = remember(settings, law, sample(t, wall, Signal.SOLAR_POWER, rounded(used_w, telemetry.power_step_w)))
    if not is_missing(settings.max_age_s[Signal.LOAD_POWER + 0]) and load_w > 0.0:
        law = remember(settings, law, sample(t, wall, Signal.LOAD_POWER, rounded(load_w, telemetry.power_step_w)))
    if not is_missing(settings.max_age_s[Signal.TANK_TEMPERATURE + 0]):
        celsius = rounded(boat.plant.tank_c, telemetry.temperature_step_c)
        law = remember(settings, law, sample(t, wall, Signal.TANK_TEMPERATURE, celsius))
    percent = min(100.0, max(0.0, rounded(100.0 * boat.plant.counted, telemetry.charge_step_percent)))
    after, _ = decide(settings, law, sample(t, wall, Signal.STATE_OF_CHARGE, percent), local)
    return after


def wake(settings: ControllerSettings, law: State, t: float, began: float, local: LocalTime) -> State:
    """Return the law's state after every deadline up to `t` (s); `local` is the local time now."""
    while law.deadline < t:
        due = law.deadline
        law, _ = decide(settings, law, Event(due, began + due, Kind.WAKE), local)
    return law


def add_up(row: Any, boat: Boat, flows: Flows, around: Surroundings, was_on: bool, step_s: float) -> None:
    """Add one step to its day's row."""
    hours = step_s / 3600.0
    load_w = flows.element_w + flows.cable_w
    row[OFFERED] += flows.offered_w * hours
    row[CURTAILED] += flows.curtailed_w * hours
    row[ELEMENT] += flows.element_w * hours
    row[CABLE] += flows.cable_w * hours
    row[FROM_BANK] += min(load_w, max(0.0, -flows.bank.in_w)) * hours
    row[HOUSE] += flows.house_w * hours
    row[UNSERVED] += flows.unserved_w * hours
    row[WANTED_L] += around.drawn_l
    row[WARM_L] += flows.tank.warm_l
    is_on = boat.law.law.position == Position.ON
    row[SWITCH_ONS] += 1.0 if is_on and not was_on else 0.0
    row[ON_S] += step_s if was_on else 0.0
    row[HOTTEST] = max(row[HOTTEST], boat.plant.tank_c)
    row[LOWEST] = min(row[LOWEST], 100.0 * boat.plant.charge)


def run_steps(
    plant: Plant,
    settings: ControllerSettings,
    telemetry: Telemetry,
    boat: Boat,
    outside: Outside,
    clock: Clock,
    heated: bool,
    daily: Any,
) -> Boat:
    """Run every step of `outside`, adding up into `daily` (a row a day, `COLUMNS` columns); return the boat at the end.

    `heated` False: the relay is never closed, whatever the law says, to see what is wasted without a load.
    """
    segment = 0
    for number in range(len(outside.offered_w)):
        t = (number + 1) * clock.step_s
        wall = clock.began + t
        while segment < len(clock.locals_) - 1 and not wall < clock.locals_[segment].valid_until:
            segment += 1
        local = clock.locals_[segment]
        around = Surroundings(
            outside.offered_w[number],
            outside.house_w[number],
            outside.air_c[number],
            outside.cold_c,
            outside.drawn_l[number],
            outside.wanted_c,
        )
        was_on = heated and boat.law.law.position == Position.ON
        after, flows = step_plant(plant, boat.plant, around, was_on, clock.step_s)
        law = wake(settings, boat.law, t, clock.began, local)
        boat = Boat(after, law)
        if number % telemetry.every_steps == 0:
            boat = Boat(after, tell(settings, telemetry, boat, flows, t, wall, local))
        add_up(daily[clock.day_of_step[number]], boat, flows, around, was_on, clock.step_s)
    return boat
