"""`dumpload off`: from exec to the pin driven off, against an interpreter that only imports the pin library.

This machine has no GPIO chip, so a stand-in for lgpio offers one; it imports the real library all the same, so that
its whole cost counts.
"""

import os
import random
import statistics
import subprocess
import time
from pathlib import Path

from common import Row, at_most, folder, light_environment, told, write_settings

RUNS = 25
SAY = "import os, time; os.write(1, str(time.monotonic_ns()).encode())"
STAND_IN = '''
"""The real lgpio, with one chip in place of those that the machine has not; tells when a line is claimed."""
import importlib.util, os, pathlib, sys, time
from importlib.machinery import PathFinder
spec = PathFinder.find_spec("lgpio", [p for p in sys.path if p.endswith("site-packages")])
real = importlib.util.module_from_spec(spec)
spec.loader.exec_module(real)
error = real.error
sys.modules["dumpload.gpio.line"].DEVICES = pathlib.Path(__file__).parent / "dev"
def gpiochip_open(number): return 1
def gpio_get_chip_info(handle): return [0, 28, "gpiochip0", "pinctrl-bcm2711"]
def gpio_claim_output(handle, pin, level=0, flags=0):
    os.write(1, str(time.monotonic_ns()).encode())
    return 0
def gpio_read(handle, pin): return 0
def gpiochip_close(handle): return 0
'''


def time_of(command: list[str | Path], work: Path, environ: dict[str, str]) -> float:
    """Run a program that prints the moment it was there (monotonic ns); return how long it took to it (ms)."""
    began = time.monotonic_ns()
    done = subprocess.run(command, cwd=work, env=environ, capture_output=True, text=True, check=True)
    digits = done.stdout.split("GPIO")[0]
    return (int(digits) - began) / 1e6


def measure() -> list[Row]:
    python = light_environment()
    with folder() as work:
        (work / "dev").mkdir()
        (work / "dev" / "gpiochip0").touch()
        (work / "lgpio.py").write_text(STAND_IN)
        settings = write_settings(work / "dumpload.toml", pin_factory="lgpio")
        plain = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
        runs: dict[str, tuple[list[str | Path], dict[str, str]]] = {
            "lgpio": ([python, "-c", f"import lgpio; {SAY}"], plain),
            "gpiozero": ([python, "-c", f"from gpiozero.pins.lgpio import LGPIOFactory; {SAY}"], plain),
            "ours": ([python.with_name("dumpload"), "off", "--config", settings], plain | {"PYTHONPATH": str(work)}),
        }
        elsewhere = work / "elsewhere"
        elsewhere.mkdir()
        times: dict[str, list[float]] = {name: [] for name in runs}
        for name in random.sample([*runs] * RUNS, len(runs) * RUNS):
            times[name].append(time_of(runs[name][0], elsewhere, runs[name][1]))
    middle = {name: statistics.median(column) for name, column in times.items()}
    ours = middle["ours"]
    return [
        at_most("exec to pin off, against importing gpiozero's lgpio pins", middle["gpiozero"], ours, 1.05, "ms"),
        told("... and against importing bare lgpio", middle["lgpio"], ours, "ms"),
    ]
