"""A boat under the law through a few synthetic days, for the tests of the simulation: no weather file, no pvlib."""

from typing import Any

import numpy as np
from judged import settings
from surveyed import BARGE

from dumpload.config.to_core import controller_setup
from dumpload.core.window import Schedule
from dumpload.replay.arrays import local_times_between
from dumpload.simulate.boat import installed
from dumpload.simulate.engine import COLUMNS, LOWEST, Boat, Clock, Outside

BEGAN = 1_749_945_600.0  # 2025-06-15 00:00 UTC
SIGNALS = {
    f"telemetry.{name}.topic": f"barge/{name}"
    for name in ("battery_voltage", "battery_power", "load_power", "tank_temperature")
}


def days_of(days: int, seed: int) -> tuple[Any, Any, Any]:
    """Return W offered, W of the house and litres drawn for every minute: a sun behind clouds, a night, two draws."""
    minute = np.arange(days * 1440)
    hour, draw = minute / 60 % 24, np.random.default_rng(seed)
    sun = np.maximum(0.0, np.sin((hour - 6) / 12 * np.pi))
    clouds = np.repeat(draw.uniform(0.1, 1.0, len(minute) // 10), 10)
    drawn = np.where((minute % 1440 == 420) | (minute % 1440 == 1140), 15.0, 0.0)
    return 1400 * sun * clouds, 60.0 + 90.0 * (hour > 18), drawn


def sail(
    run: Any, keys: dict[str, Any], days: int = 1, *, seed: int = 1, step_s: float = 10.0, heated: bool = True,
    charge: float = 0.9, sun_w: Any = None, noise: Any = None,
) -> tuple[Boat, Any]:  # fmt: skip
    """Return the boat at the end of some days, and the daily sums.

    `sun_w`: W offered, minute by minute. `noise`: of the telemetry, drawn with the seed if None.
    """
    chosen = settings({**BARGE, **SIGNALS, **keys})
    boat = installed(chosen, step_s)
    schedule: Schedule = controller_setup(chosen).schedule()
    offered, house, drawn = days_of(days, seed)
    offered = offered if sun_w is None else sun_w
    day = np.arange(days * 1440) // 1440
    around = Outside(round(60 / step_s), offered, house, drawn, day, 18.0, 10.0, 40.0)
    daily = np.zeros((days, COLUMNS))
    daily[:, LOWEST] = np.inf
    start = Boat(boat.start.plant._replace(charge=charge, counted=charge), boat.start.law)
    locals_ = local_times_between(schedule, BEGAN, BEGAN + days * 86_400.0)
    noise = np.random.default_rng(seed).standard_normal((997, 2)) if noise is None else noise
    end = run(boat.plant, boat.law, boat.telemetry, start, around, Clock(step_s, BEGAN), locals_, noise, heated, 0,
              days * 1440, daily)  # fmt: skip
    return end, daily
