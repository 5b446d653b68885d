"""The even grid against differential evolution (scipy) on the same budget, by what each finds for every aim.

An aim is what a proposal is chosen by: the least of its cost, giving up at most a fifth of the sun that any search
found. The grid serves all aims at once with 200 settings; the optimiser gets 200 for each, or 200 for all together.
"""

import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from common import Row, at_least, told

sys.path.insert(0, str(Path(__file__).parents[1]))

from scipy.optimize import differential_evolution
from tune_speed import boat, model_of
from voyages import WORLDS

from dumpload.config.model import flat
from dumpload.config.to_core import controller_setup
from dumpload.forecast.play import play
from dumpload.forecast.step import compiled_sail
from dumpload.tune.aims import halves_of, score
from dumpload.tune.choose import ENOUGH
from dumpload.tune.grid import DIMENSIONS, bounds_of, changed, keys_at, points

BUDGET, GENERATION, SEEDS = 200, 20, 2
NAMES = ("most wasted sun caught", "least from the battery", "fewest operations", "hot by evening")


class Course:
    """One boat, and the costs of settings at a point of the unit cube on the days that are learned from."""

    def __init__(self, settings: Any, log: Path) -> None:
        self.settings, self.model, self.run = settings, model_of(settings, log, 1), compiled_sail()
        self.bounds, self.halves = bounds_of(self.model, settings), halves_of(self.model)
        law = controller_setup(settings)
        self.never = play(self.model, [law], 1, run=self.run, heated=False, threads=1)[0]

    def costs(self, point: Any) -> Any:
        other = changed({**flat(self.settings), **keys_at(self.bounds, list(point))})
        if other is None:
            return np.array([0.0, 1e6, 1e3, 0.0])
        sums = play(self.model, [controller_setup(other)], 1, run=self.run, substeps=1, threads=1)[0]
        told = score(sums, self.never, self.halves.learn, self.halves.known_s)
        return np.array(told) * np.array([-1.0, 1.0, 1.0, -1.0])


def aimed(costs: Any, aim: int, most: float, scale: Any) -> float:
    """Return the cost for one aim, with what is missing of the sun that must be caught."""
    missing = max(0.0, (costs[0] - ENOUGH * most) / abs(most))
    return float(costs[aim] / scale[aim] + 10.0 * missing)


def evolved(course: Course, aim: int, most: float, scale: Any, budget: int, seed: int) -> float:
    """Return the least cost that differential evolution finds."""
    found = differential_evolution(
        lambda point: aimed(course.costs(point), aim, most, scale), [(0.0, 0.999)] * DIMENSIONS,
        init=np.random.default_rng(seed).random((GENERATION, DIMENSIONS)) * 0.999,
        maxiter=budget // GENERATION - 1, polish=False, tol=0.0, rng=seed,
    )  # fmt: skip
    return float(found.fun)


def measure() -> list[Row]:
    rows: dict[str, list[tuple[float, float, float]]] = {name: [] for name in NAMES}
    for name in ("tail", "north", "small"):
        with tempfile.TemporaryDirectory() as folder:
            course = Course(*boat(Path(folder), WORLDS[name]._replace(days=30)))
        grid = np.array([course.costs(point) for point in points(BUDGET)])
        most, scale = float(grid[:, 0].min()), np.maximum(np.abs(grid).max(axis=0), 1e-9)
        for aim, words in enumerate(NAMES):
            even = min(aimed(one, aim, most, scale) for one in grid)
            for seed in range(SEEDS):
                each = evolved(course, aim, most, scale, BUDGET, seed)
                shared = evolved(course, aim, most, scale, BUDGET // len(NAMES) // GENERATION * GENERATION, seed)
                rows[words].append((even, shared, each))
    found = []
    for words, costs in rows.items():
        even, shared, each = (1.0 - float(np.mean(one)) for one in zip(*costs, strict=True))
        found.append(at_least(f"{words}: grid / evolution, 200 settings for all aims", shared, even, 0.97, ""))
        found.append(told(f"{words}: grid / evolution, 200 settings for each aim", each, even, ""))
    return found
