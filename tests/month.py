"""An invented month of the barge, as a table: sun and clouds, house loads, a bank, a tank that only cools. Fixed seed.

Run it to get one: python tests/month.py FILE.csv [DAYS [SECONDS]]
"""

import math
import random
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from dumpload.demo.barge import Barge, advance

# 2026-06-01 00:00:00 UTC.
JUNE = 1_780_272_000

COLUMNS = ("state_of_charge", "battery_voltage", "battery_power", "solar_power", "tank_temperature")
DAY_S = 86_400
PEAK_W = 1100.0


def sun_w(t: float, cloud: float) -> float:
    """Return the sun on the panels at `t` (s of the day), up from 5 to 21 h; `cloud` is the part it takes away."""
    up = math.sin(math.pi * (t / 3600.0 - 5.0) / 16.0) if 5.0 < t / 3600.0 < 21.0 else 0.0
    return PEAK_W * up**1.5 * (1.0 - cloud)


def rows(days: float = 30.0, every_s: int = 5, seed: int = 1) -> Iterator[tuple[int, tuple[float, ...]]]:
    """Yield Unix time (s) and the values of the columns, in their base units."""
    draw = random.Random(seed)  # noqa: S311
    barge = Barge(70.0)
    cloud, dull, changes_at, tank_c = 0.3, 0.3, 0, 20.0
    for second in range(0, int(days * DAY_S), every_s):
        if second % DAY_S == 0:
            dull = draw.choice([0.05, 0.1, 0.3, 0.6, 0.9])
        if second >= changes_at:
            cloud = min(0.95, max(0.0, draw.gauss(dull, 0.2)))
            changes_at = second + draw.randrange(60, 2400)
        barge = advance(barge, every_s, sun_w(second % DAY_S, cloud), heater_on=False)
        tank_c += (15.0 + 5.0 * math.sin(2 * math.pi * second / DAY_S) - tank_c) * every_s / 200_000.0
        volts = barge.volts + barge.bank_w * 2e-4
        yield JUNE + second, (barge.charge_percent, volts, barge.bank_w, barge.panels_w, tank_c)


def write_month(path: Path, days: float = 30.0, every_s: int = 5, seed: int = 1) -> None:
    """Write the table: times in RFC 3339, as any logger may do it."""
    with path.open("w") as file:
        file.write(f"time,{','.join(COLUMNS)}\n")
        for t, (charge, volts, bank_w, panels_w, tank_c) in rows(days, every_s, seed):
            time = datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            file.write(f"{time},{charge:.1f},{volts:.2f},{bank_w:.0f},{panels_w:.0f},{tank_c:.1f}\n")


if __name__ == "__main__":
    write_month(Path(sys.argv[1]), *map(float, sys.argv[2:3]), *map(int, sys.argv[3:4]))
