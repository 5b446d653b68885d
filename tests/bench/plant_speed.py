"""The compiled plant and law against the same functions in plain Python, step for step.

Plain Python gets two days and the compiled form a year: at a hundred times the speed two days would be over at once.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from common import Row, at_least

sys.path.insert(0, str(Path(__file__).parents[1]))  # the boat is that of the tests

from sailing import sail

from dumpload.simulate.engine import compiled_steps, run_steps

SPEED_LIMIT = 50.0
STEPS_A_DAY = 8640


def steps_per_s(run: Callable[..., Any], days: int) -> float:
    began = time.process_time()
    sail(run, {}, days)
    return days * STEPS_A_DAY / (time.process_time() - began)


def measure() -> list[Row]:
    run = compiled_steps()
    sail(run, {}, 1)  # is compiled now, if it was not
    floor, ours = 0.0, 0.0
    for _ in range(3):
        floor, ours = max(floor, steps_per_s(run_steps, 2)), max(ours, steps_per_s(run, 365))
    return [at_least("compiled plant and law / plain Python, steps a second", floor, ours, SPEED_LIMIT, "a second")]
