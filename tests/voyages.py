"""Sixty days of a simulated boat as a record, and what other settings would truly have done.

For the closed-loop replay. The plant is that of `dumpload simulate`; clouds, house and taps change from minute to
minute. The forecast was tuned on these boats, so they prove nothing about another one.
"""

import sys
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from judged import settings
from surveyed import BARGE

from dumpload.config.to_core import controller_setup
from dumpload.core.law import Position
from dumpload.physics import plant as plant_module
from dumpload.physics.plant import step as step_plant
from dumpload.replay import arrays
from dumpload.replay.arrays import find_place, local_at, local_times_between
from dumpload.replay.compiled import CORE
from dumpload.replay.compiler import Group, compile_group
from dumpload.simulate import engine
from dumpload.simulate.boat import installed
from dumpload.simulate.engine import Boat, Clock, rounded, surroundings, tell, wake

STEP_S = 10.0
DAY_STEPS = 8640
SIGNALS = {
    f"telemetry.{name}.topic": f"barge/{name}"
    for name in ("battery_voltage", "battery_power", "load_power", "solar_power", "tank_temperature")
}
COLUMNS = ("state_of_charge", "battery_voltage", "battery_power", "load_power", "solar_power", "tank_temperature")


class World(NamedTuple):
    """One boat: the keys of its settings that differ from the barge's, its weather, and how it is recorded.

    `cloud_s`: how long a cloud lasts at least. `shades`: where something stands before the sun: from and to which hour
    of true time, what part of the light it leaves, and over how many hours it comes and goes.
    """

    keys: dict[str, Any]
    weather: str = "greensboro"
    first_day: int = 100
    days: int = 60
    seed: int = 1
    row_s: float = 60.0
    power_gain: float = 1.0
    panels: float = 1.0
    litres: float = 40.0
    monitor_gain: float = 1.0
    house: float = 1.0
    cloud_s: float = 120.0
    shades: tuple[tuple[float, float, float, float], ...] = ()


class Truth(NamedTuple):
    """What a run came to: per local day Wh into the load, Wh curtailed, switch-ons, s on."""

    energy_wh: Any
    curtailed_wh: Any
    switch_ons: Any
    on_s: Any


def record_steps(
    plant: Any, law: Any, telemetry: Any, boat: Any, outside: Any, clock: Any, locals_: Any, heated: Any, every: Any,
    rows: Any, daily: Any,
) -> Any:  # fmt: skip
    """Run all of it; a row of what is measured every so many steps."""
    place = 0
    for number in range(len(outside.offered_w)):
        t = (number + 1) * clock.step_s
        wall = clock.began + t
        place = find_place(locals_, wall, place)
        local = local_at(locals_, place)
        closed = heated and boat.law.law.position == Position.ON
        around = surroundings(outside, number)
        after, flows = step_plant(plant, boat.plant, around, closed, clock.step_s)
        then = Boat(after, wake(law, boat.law, t, clock.began, local))
        if number % telemetry.every_steps == 0:
            then = Boat(after, tell(law, telemetry, then, flows, (0.0, 0.0), t, wall, local))
        now_on = then.law.law.position == Position.ON
        load_w = flows.element_w + flows.cable_w
        row = daily[outside.day[number]]
        row[0] += load_w * clock.step_s / 3600.0
        row[1] += flows.curtailed_w * clock.step_s / 3600.0
        row[2] += 1.0 if now_on and boat.law.law.position == Position.OFF else 0.0
        row[3] += clock.step_s if closed else 0.0
        if number % every == 0:
            out = rows[number // every]
            out[0] = min(100.0, max(0.0, rounded(100.0 * after.counted, telemetry.charge_step_percent)))
            out[1] = rounded(flows.bus_v, telemetry.voltage_step_v)
            out[2] = rounded(flows.bank.in_w, telemetry.power_step_w)
            out[3] = rounded(load_w, telemetry.power_step_w)
            out[4] = rounded(flows.offered_w - flows.curtailed_w - flows.converter_w, telemetry.power_step_w)
            out[5] = rounded(after.tank_c, telemetry.temperature_step_c)
            out[6] = 1.0 if closed else 0.0
            out[7] = 100.0 * after.charge
        boat = then
    return boat


@cache
def _compiled() -> Any:
    modules = (*CORE, arrays, plant_module, engine, sys.modules[__name__])
    (run,) = compile_group(Group("voyage", "the plant of the tests", modules, (record_steps,)), print)
    return run


@cache
def _sun(weather: str, first_day: int, days: int, seed: int, cloud_s: float = 120.0) -> tuple[Any, float]:
    """Return W of a 1.4 kW string for every step, with clouds, and where the days begin (Unix s)."""
    if weather == "made up":  # needs no pvlib: days of twelve hours behind clouds of ten minutes
        hour = (np.arange(days * DAY_STEPS) + 0.5) * STEP_S / 3600.0 % 24
        cloud = np.repeat(np.random.default_rng(seed).choice([0.25, 1.0], days * 144, p=[0.4, 0.6]), 60)
        return 1300.0 * np.maximum(0.0, np.sin((hour - 6) / 12 * np.pi)) ** 1.2 * cloud, 1_743_465_600.0  # an equinox
    from dumpload.simulate.weather import Panels, offered_w, typical_year

    year, place = typical_year(weather)
    watts = offered_w(year, place, [Panels(1400.0, 10.0, 180.0)])
    year = year._replace(times=year.times + place.longitude_deg / 15.0 * 3600.0)  # noon at 12:00 UTC
    begin = np.floor(year.times[0] / 86_400) * 86_400 + first_day * 86_400.0
    t = begin + (np.arange(days * DAY_STEPS) + 0.5) * STEP_S
    hours = int(24 * round(len(watts) / 24))
    table = watts[:hours].reshape(-1, 24)
    near = np.stack([np.roll(table, shift, axis=0) for shift in range(-15, 16)])
    clear = np.interp(t, year.times[:hours], near.max(axis=0).ravel())
    mean = np.interp(t, year.times, watts)
    part = np.clip((mean / np.maximum(clear, 1.0) - 0.2) / 0.8, 0.0, 1.0)
    draw = np.random.default_rng(seed)
    size = round(cloud_s / STEP_S)
    blocks = -(-len(t) // size)
    level = np.empty(blocks)  # a slow random walk in [0, 1] decides between sun and cloud
    keep, x = 0.85 ** (cloud_s / 120.0), 0.0
    for i in range(blocks):
        x = keep * x + (1.0 - keep * keep) ** 0.5 * draw.standard_normal()
        level[i] = x
    from math import erf

    uniform = np.array([0.5 * (1 + erf(v / 2**0.5)) for v in level])
    sunny = np.repeat(uniform, size)[: len(t)] < part
    return np.where(sunny, clear, 0.2 * clear + 0.0 * mean), float(begin)


def shaded(offered: Any, shades: Any) -> Any:
    """Return what is left of the sun (W, in steps from midnight) behind what stands before it."""
    hour = (np.arange(len(offered)) + 0.5) * STEP_S / 3600.0 % 24
    for begin, end, left, over_h in shades:
        dark = np.clip((hour - begin) / over_h, 0.0, 1.0) * np.clip((end - hour) / over_h, 0.0, 1.0)
        offered = offered * (1.0 - (1.0 - left) * dark)
    return offered


def _needs(world: World, steps: int) -> tuple[Any, Any]:
    """Return W of the house and litres drawn in every step."""
    draw = np.random.default_rng(world.seed + 1000)
    hour = (np.arange(steps) * STEP_S / 3600.0) % 24
    house = 35.0 + 45.0 * ((hour > 18) & (hour < 23)) + 20.0 * ((hour > 7) & (hour < 9))
    at = 0
    while at < steps:  # a fridge
        on, off = int(draw.uniform(60, 150)), int(draw.uniform(150, 350))
        house[at : at + on] += 55.0
        at += on + off
    litres = np.zeros(steps)
    for day in range(steps // DAY_STEPS):
        for _ in range(draw.poisson(3)):
            begin = day * DAY_STEPS + int(draw.uniform(7, 22) * 360)
            house[begin : begin + int(draw.uniform(6, 30))] += draw.uniform(150, 700)
        for begin_h, share in ((7.5, 0.4), (13.0, 0.15), (19.5, 0.45)):
            begin = day * DAY_STEPS + int((begin_h + draw.uniform(-1, 1)) * 360)
            litres[begin] += world.litres * share * draw.gamma(3.0) / 3.0
    return world.house * house, litres


def chosen(world: World, keys: dict[str, Any]) -> Any:
    """Return the settings of a world's boat, with keys changed."""
    place = {
        "greensboro": (36.1, -79.95),
        "sand-point": (55.32, -160.52),
        "miami": (25.8, -80.27),
        "made up": (40.0, 0.0),
    }[world.weather]
    where = {"solar.latitude": place[0], "solar.longitude": 0.0}
    fixed = {k: v for k, v in BARGE.items() if not k.startswith("driver.") and not k.startswith("contact.")}
    return settings({**fixed, **SIGNALS, **where, **world.keys, **keys})


def sail_on(world: World, keys: dict[str, Any], *, heated: bool = True) -> tuple[Any, Truth, float]:
    """Return rows of `COLUMNS`, relay and true charge; the truth by day; and when it began (Unix s)."""
    told = chosen(world, keys)
    boat = installed(told, STEP_S)
    plant = boat.plant
    if world.monitor_gain != 1.0:
        plant = plant._replace(
            monitor=plant.monitor._replace(capacity_ah=plant.monitor.capacity_ah * world.monitor_gain)
        )
    offered, began = _sun(world.weather, world.first_day, world.days, world.seed, world.cloud_s)
    offered = shaded(offered, world.shades)
    steps = len(offered)
    house, litres = _needs(world, steps)
    day = np.arange(steps) // DAY_STEPS
    around = engine.Outside(1, world.panels * offered, house, litres, day, 16.0, 10.0, 40.0)
    every = round(world.row_s / STEP_S)
    rows, daily = np.zeros((-(-steps // every), 8)), np.zeros((world.days, 4))
    locals_ = local_times_between(controller_setup(told).schedule(), began, began + steps * STEP_S)
    start = Boat(boat.start.plant._replace(charge=0.7, counted=0.7), boat.start.law)
    _compiled()(plant, boat.law, boat.telemetry, start, around, Clock(STEP_S, began), locals_, heated, every, rows,
                daily)  # fmt: skip
    rows[:, 2:5] *= world.power_gain
    return rows, Truth(*daily.T), began


def write_csv(path: Path, rows: Any, began: float, row_s: float, signals: Any = COLUMNS) -> None:
    """Write rows as a record with its relay."""
    columns = [COLUMNS.index(name) for name in signals]
    t = began + STEP_S + np.arange(len(rows)) * row_s
    with path.open("w") as file:
        file.write(",".join(("time", *signals, "relay")) + "\n")
        for at, row in zip(t, rows, strict=True):
            file.write(f"{at:.0f}," + ",".join(f"{row[c]:g}" for c in columns) + f",{row[6]:.0f}\n")


# Seven boats to tune on: chargers that float, that stop when full, that end by tail; monitors that seldom synchronise.
WORLDS = {
    "float": World({}, seed=1),
    "tail": World({"solar.tail_a": 8, "solar.absorption_s": 14400, "battery.counter_step_percent": 1,
                   "battery.counter_offset_a": 0.15}, first_day=30, seed=2, litres=80.0, house=1.8),
    "stop": World({"solar.stops_when_full": True, "solar.rebulk_v": 26.6}, first_day=150, seed=3, row_s=30.0,
                   panels=0.6, house=1.5, litres=70.0),
    "small": World({"battery.capacity_ah": 160, "battery.resistance_mohm": 11, "load.rated_w": 500}, first_day=200,
                   seed=4, litres=90.0, panels=0.7),
    "drift": World({"battery.counter_offset_a": 0.25, "battery.counter_full_a": 2, "battery.counter_full_s": 3000,
                    "solar.absorption_s": 1800}, first_day=60, seed=5),
    "north": World({"load.rated_w": 450}, weather="sand-point", first_day=120, seed=6, litres=120.0),
    "hold": World({"solar.absorption_v": 27.6, "solar.float_v": 27.6, "battery.counter_full_v": 27.4,
                   "battery.counter_efficiency": 0.97}, weather="miami", first_day=20, seed=7),
}  # fmt: skip

# Seven more: trees, masts and houses before the sun, clouds shorter than rows, more sun than can be used, and little.
_STOPS = {"solar.stops_when_full": True, "solar.rebulk_v": 26.6}
SHADED = {
    "pm": World({}, seed=11, shades=((14.0, 22.0, 0.15, 0.5),), panels=1.1, litres=60.0, cloud_s=60.0),
    "pm stop": World(_STOPS, first_day=70, seed=12, shades=((12.5, 22.0, 0.3, 2.5),), litres=60.0, cloud_s=30.0,
                     row_s=30.0),
    "am": World({}, first_day=250, seed=13, shades=((2.0, 11.5, 0.2, 1.0),), litres=80.0, cloud_s=40.0, house=1.3),
    "mast": World({"solar.tail_a": 8, "solar.absorption_s": 7200}, first_day=200, seed=14, litres=70.0, cloud_s=20.0,
                  shades=((11.0, 11.6, 0.4, 0.1), (13.2, 13.9, 0.3, 0.1), (15.5, 16.0, 0.2, 0.1))),
    "rich": World({}, first_day=150, seed=15, panels=1.6, house=0.7, litres=80.0),
    "pm late": World({"battery.capacity_ah": 200, "battery.resistance_mohm": 9}, "miami", first_day=120, seed=16,
                     shades=((15.0, 22.0, 0.05, 0.3),), panels=0.9, house=1.2, litres=90.0, cloud_s=60.0),
    "scarce": World({}, first_day=330, seed=17, panels=0.9, house=0.9, litres=50.0, cloud_s=60.0),
}  # fmt: skip

# Three whose charger stops at its set point at once, and what the monitor then shows depends on the sun of the day.
AT_ONCE = {
    "at once": World({**_STOPS, "solar.absorption_s": 0}, first_day=150, seed=21, litres=60.0, house=1.2),
    "at once b": World({**_STOPS, "solar.absorption_s": 0, "battery.resistance_mohm": 10}, first_day=190, seed=22,
                       litres=90.0, panels=0.8, house=1.6),
    "at once c": World({**_STOPS, "solar.absorption_s": 0, "solar.rebulk_v": 26.9}, "miami", first_day=60, seed=23,
                       litres=50.0, house=0.8),
}  # fmt: skip

# Three whose charger does not begin anew in the morning: it stays off, or floats, until the bus is low, for days if
# nothing is on.
NOT_DAILY = {
    "not daily": World({**_STOPS, "solar.begins_daily": False}, first_day=150, seed=24, litres=70.0, house=0.6),
    "not daily b": World({**_STOPS, "solar.begins_daily": False, "solar.absorption_s": 0, "solar.rebulk_v": 26.4},
                         "miami", first_day=100, seed=25, litres=90.0, house=0.8, panels=0.8, row_s=30.0),
    "floats on": World({"solar.begins_daily": False, "solar.rebulk_v": 26.1, "battery.counter_step_percent": 1},
                       first_day=90, seed=26, litres=60.0, house=0.7),
}  # fmt: skip

# Pairs of settings: of the record, and to be forecast.
BASE: dict[str, Any] = {"permissive.window": ("09:00-17:00",)}
PAIRS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "lower cut-in": ({}, {"control.cut_in_percent": 92, "control.cut_out_percent": 85}),
    "higher cut-in": ({}, {"control.cut_in_percent": 98.5, "control.cut_out_percent": 96}),
    "narrow": ({}, {"control.cut_in_percent": 96, "control.cut_out_percent": 95}),
    "from low": ({"control.cut_in_percent": 90, "control.cut_out_percent": 80}, {}),
    "short window": ({}, {"permissive.window": ("11:00-15:00",)}),
    "long window": ({"permissive.window": ("11:00-14:00",)}, {"permissive.window": ("08:00-19:00",)}),
    "dwells": ({}, {"control.min_on_s": 1200, "control.min_off_s": 1200, "control.confirm_s": 300}),
    "voltage": ({}, {"permissive.voltage_cut_in": 27.8, "permissive.voltage_cut_out": 26.4}),
    "drain": ({}, {"permissive.drain_limit_w": 100}),
    "day limit": ({"permissive.max_on_per_day_s": 7200}, {}),
}

# And pairs that ask about more than the record shows, or about what clouds do between its rows.
FAR_PAIRS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "drain 50": ({}, {"permissive.drain_limit_w": 50}),
    "drain 250": ({}, {"permissive.drain_limit_w": 250}),
    "drain 150/300": ({}, {"permissive.drain_limit_w": 150, "permissive.drain_limit_s": 300,
                           "permissive.drain_rest_s": 1800}),
    "drain 30/20": ({}, {"permissive.drain_limit_w": 30, "permissive.drain_limit_s": 20,
                         "permissive.drain_rest_s": 300}),
    "drain low": ({}, {"control.cut_in_percent": 90, "control.cut_out_percent": 84, "permissive.drain_limit_w": 80}),
    "drain taken away": ({"permissive.drain_limit_w": 100}, {}),
    "drain lowered": ({"permissive.drain_limit_w": 100}, {"permissive.drain_limit_w": 30}),
    "far low": ({"control.cut_in_percent": 97, "control.cut_out_percent": 93},
                {"control.cut_in_percent": 70, "control.cut_out_percent": 55}),
    "far high": ({"control.cut_in_percent": 80, "control.cut_out_percent": 70},
                 {"control.cut_in_percent": 98, "control.cut_out_percent": 95}),
    "night": ({}, {"permissive.window": ("00:00-24:00",)}),
    "lower far": ({}, {"control.cut_in_percent": 85, "control.cut_out_percent": 60}),
    "tight": ({"control.cut_in_percent": 98, "control.cut_out_percent": 96},
              {"control.cut_in_percent": 88, "control.cut_out_percent": 75}),
}  # fmt: skip
