"""What clouds within the hour, and noise of the meter, change in a simulated year of the barge; a table, by hand.

python tests/bench/clouds.py [SEEDS]      how many seeds each mean is of (default 3)
"""

import sys
import tomllib
import warnings
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from judged import settings

from dumpload.config.layers import leaves
from dumpload.simulate import engine as day
from dumpload.simulate.boat import METER, Meter
from dumpload.simulate.run import simulate
from dumpload.simulate.weather import TYPICAL_YEARS

BARGE = tomllib.loads((Path(__file__).parents[2] / "config" / "dumpload.toml").read_text())
SETTINGS: dict[str, dict[str, Any]] = {
    "as shipped": {},
    "voltage, drain": {
        "permissive.voltage_cut_in": 28.2, "permissive.voltage_cut_out": 26.8, "permissive.drain_limit_w": 100,
        "permissive.drain_limit_s": 60, "permissive.drain_rest_s": 300,
    },
    "voltage at float": {"permissive.voltage_cut_in": 28.2, "permissive.voltage_cut_out": 27.0},
}  # fmt: skip
EXACT = Meter(0.0, 0.0, 0.0, 0.0)
CASES = (("veil", False, EXACT), ("veil, noise", False, METER), ("clouds", True, EXACT), ("clouds, noise", True, METER))


def figures(keys: dict[str, Any], weather: str, clouds: bool, meter: Meter, seed: int) -> tuple[float, ...]:
    """Return switch-ons a month, and kWh of heat, of sun caught and from the battery in the year."""
    year = simulate(settings(keys), weather, 0, RUN, seed=seed, clouds=clouds, meter=meter).run
    load, without = year.with_load.sum(axis=0), year.without.sum(axis=0)
    kwh = (load[day.ELEMENT], without[day.CURTAILED] - load[day.CURTAILED], load[day.FROM_BANK])
    return load[day.SWITCH_ONS] / 12, *(wh / 1000 for wh in kwh)


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    keys = dict(leaves(BARGE))
    print(f"{'settings':17} {'weather':11} {'sky, meter':14} ons/month   heat kWh   caught   from battery")
    for name, changed in SETTINGS.items():
        for weather in TYPICAL_YEARS:
            for words, clouds, meter in CASES:
                rows = [figures({**keys, **changed}, weather, clouds, meter, seed) for seed in range(seeds)]
                ons, heat, caught, bank = np.mean(rows, axis=0)
                print(
                    f"{name:17} {weather:11} {words:14} {ons:9.1f} {heat:10.1f} {caught:8.1f} {bank:8.1f}", flush=True
                )


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    RUN = day.compiled_steps(print)
    main()
