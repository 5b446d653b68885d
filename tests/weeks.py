"""Two invented weeks of the barge as its daemon records them: one with sun, then one with a dull Tuesday and a gap.

The controller is the real one, and its relay acts on the barge: what it takes comes out of panels and battery.
"""

import math
from pathlib import Path

from recorded import Recorded, write
from world import LIMITS, setup

from dumpload.core.law import Position
from dumpload.core.signals import Signal
from dumpload.demo.barge import Barge, advance

# Monday 2025-06-09 00:00 UTC.
BEGIN = 1_749_427_200.0
DAY_S, EVERY_S = 86_400, 300.0
MAX_AGE_S = 900.0
KEYS = {
    "name": "barge",
    "load.rated_w": 300,
    "load.rated_v": 24,
    "tank.volume_l": 40,
    "tank.target_c": 60,
    "battery.capacity_ah": 280,
    "battery.nominal_v": 25.6,
    "battery.throttle_percent": 98,
    "permissive.window": ["09:00-17:00"],
    "telemetry.state_of_charge.max_age_s": MAX_AGE_S,
    **{key: value
       for name in ("battery_voltage", "battery_power", "load_power", "solar_power", "tank_temperature")
       for key, value in ((f"telemetry.{name}.topic", f"barge/{name}"), (f"telemetry.{name}.max_age_s", MAX_AGE_S))},
}  # fmt: skip
# How much sun each day has, of a clear one; on the second Tuesday too little, and the second Wednesday has a gap.
SUN = (0.9, 1.0, 0.8, 0.9, 1.0, 0.7, 0.9, 0.8, 0.12, 0.5, 1.0, 0.9, 0.6, 0.9)
GAP_DAY, GAP_H = 9, (9.0 + 10 / 60, 15.0 + 40 / 60)


def sun_w(second: float) -> float:
    day, hour = int(second // DAY_S), second % DAY_S / 3600
    up = math.sin(math.pi * (hour - 5) / 16) if 5 < hour < 21 else 0.0
    return 900 * SUN[day % len(SUN)] * up**1.5


def lived(days: int = 14) -> Recorded:
    """Live through it, a message of everything every five minutes: every minute, the tests took four times as long."""
    world = Recorded(setup(LIMITS, max_age_s=MAX_AGE_S, window=("09:00-17:00",)), wall=BEGIN)
    barge, tank_c = Barge(70.0), 25.0
    for number in range(int(days * DAY_S / EVERY_S)):
        second = number * EVERY_S
        is_on = world.position == Position.ON
        barge = advance(barge, EVERY_S, sun_w(second), heater_on=is_on)
        evening = 18 < second % DAY_S / 3600 < 22
        barge = barge._replace(charge_percent=barge.charge_percent - (0.05 * EVERY_S / 60 if evening else 0.0))
        tank_c += barge.heater_w * EVERY_S / 3600 / (40 * 1.163) - (tank_c - 15) * EVERY_S / 120_000
        world.wait(EVERY_S)
        if second // DAY_S == GAP_DAY and GAP_H[0] <= second % DAY_S / 3600 < GAP_H[1]:
            continue
        world.measure(Signal.BATTERY_VOLTAGE, round(barge.volts, 2))
        world.measure(Signal.BATTERY_POWER, round(barge.bank_w))
        world.measure(Signal.LOAD_POWER, round(barge.heater_w))
        world.measure(Signal.SOLAR_POWER, round(barge.panels_w))
        world.measure(Signal.TANK_TEMPERATURE, round(min(tank_c, 75.0), 1))
        world.soc(round(barge.charge_percent, 1))
    return world


def write_weeks(path: Path) -> Path:
    """Write the history of both weeks."""
    return write(path, lived())
