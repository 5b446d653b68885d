"""Many laws over one record: against numpy's sum of three series, by settings, steps and cores, and a whole search.

The year is sixty days of a simulated boat put in a row six times; what is played is the forecaster's own compiled step.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple

import numpy as np
from common import Row, absolute, at_least, at_most, fact, told

sys.path.insert(0, str(Path(__file__).parents[1]))  # the boats are those of the tests

from voyages import WORLDS, World, chosen, sail_on, write_csv

from dumpload.forecast.evidence import gather
from dumpload.forecast.model import Model, build
from dumpload.forecast.play import play
from dumpload.forecast.step import compiled_sail, sail
from dumpload.records.open import open_record
from dumpload.records.record import ReadLog, TableFormat
from dumpload.tune.grid import Candidate, bounds_of, candidates
from dumpload.tune.tune import tune

RATIO_LIMIT, SPEED_LIMIT, SEARCH_LIMIT_S = 12.0, 50.0, 60.0
LINEAR_LIMIT, CORES_LIMIT = 2.2, 1.15
DAYS, YEAR_MINUTES, LAWS, ROUNDS, CORES = 60, 525_600, 20, 5, 2


def boat(folder: Path, world: World) -> tuple[Any, Path]:
    """Return the settings of a boat, and its record."""
    rows, _truth, began = sail_on(world, {})
    write_csv(folder / "log.csv", rows, began, world.row_s)
    return chosen(world, {}), folder / "log.csv"


def model_of(settings: Any, log: Path, members: int) -> Model:
    record = open_record(log, TableFormat(), settings)
    return build(gather(record.read(ReadLog(lambda _part: None))), settings, settings, members=members)


def prolonged(model: Model, minutes: int) -> Model:
    """Return the model with its course repeated for so many minutes."""
    entries = model.evidence.entries

    def longer(values: Any) -> Any:
        return np.resize(values, minutes) if isinstance(values, np.ndarray) and len(values) == entries else values

    course = type(model.course)(*map(longer, model.course))
    days = minutes // 1440 + 1
    return model._replace(
        evidence=model.evidence._replace(relay=longer(model.evidence.relay)),
        course=course._replace(day=np.arange(minutes) // 1440),
        nets=np.stack([longer(one) for one in model.nets]),
        draws=tuple(longer(one) for one in model.draws),
        days=days,
    )


class Taken(NamedTuple):
    """How long a task keeps the processors busy, all threads together, and how long it takes by the clock (s)."""

    busy_s: float
    wall_s: float


def taken(task: Callable[[], Any]) -> Taken:
    busy, wall = time.process_time(), time.perf_counter()
    task()
    return Taken(time.process_time() - busy, time.perf_counter() - wall)


def seconds(task: Callable[[], Any], clock: Callable[[], float] = time.process_time) -> float:
    """Return how long a task keeps the processors busy, all threads together: others may be at work here, too."""
    began = clock()
    task()
    return clock() - began


def against_numpy(model: Model, tried: list[Candidate]) -> list[Row]:
    """Compare settings over a year of minutes with numpy summing three series as often, and with half of everything."""
    run, laws = compiled_sail(), [one.law for one in tried[:LAWS]]
    year, half_year = prolonged(model, YEAR_MINUTES), prolonged(model, YEAR_MINUTES // 2)
    series = [year.course.power_w, year.course.volts, year.course.shown_charge]

    def ours(model: Model, count: int, threads: int) -> Callable[[], Any]:
        return lambda: play(model, laws[:count], 1, run=run, substeps=1, threads=threads)

    def sums() -> None:
        for _ in laws:
            for one in series:
                one.sum()

    tasks = (sums, ours(year, LAWS, 2), ours(year, LAWS // 2, 2), ours(half_year, LAWS, 2), ours(year, LAWS, 1))
    rounds = [[taken(task) for task in tasks] for _ in range(ROUNDS)]
    busy = [median(one.busy_s for one in task) for task in zip(*rounds, strict=True)]
    floor_s, ours_s, fewer_s, shorter_s, alone_s = busy
    faster = median(alone.wall_s / two.wall_s for _sums, two, _fewer, _shorter, alone in rounds)
    times = 1000 / LAWS
    return [
        at_most("1,000 settings x a year of minutes, over two cores / numpy's sums", floor_s * times,
                ours_s / CORES * times, RATIO_LIMIT, "s"),
        at_most("linear in settings: all / half of them", fewer_s, ours_s, LINEAR_LIMIT, "s"),
        at_most("linear in steps: a year / half a year", shorter_s, ours_s, LINEAR_LIMIT, "s"),
        at_most("linear in cores: processor time of two threads / one", alone_s, ours_s, CORES_LIMIT, "s"),
        told("... by the clock, as busy as this machine is: one thread / two", 1.0, faster, "x"),
    ]  # fmt: skip


def against_python(model: Model, law: Any) -> list[Row]:
    """Compare the compiled step with the same functions in plain Python, over five days."""
    run, entries = compiled_sail(), 5 * 1440

    def shorter(values: Any) -> Any:
        return values[:entries] if isinstance(values, np.ndarray) and len(values) > entries else values

    few = model._replace(
        evidence=model.evidence._replace(relay=shorter(model.evidence.relay)),
        course=type(model.course)(*map(shorter, model.course)),
        nets=model.nets[:, :entries],
        draws=tuple(map(shorter, model.draws)),
    )
    plain = play(few, [law], 1, run=sail, threads=1)
    floor = 1.0 / seconds(lambda: play(few, [law], 1, run=sail, threads=1))
    times = [seconds(lambda: play(few, [law] * 20, 1, run=run, threads=1)) / 20 for _ in range(ROUNDS)]
    same = bool((play(few, [law], 1, run=run, threads=1) == plain).all())
    steps = entries * few.course.substeps
    return [
        at_least("compiled course and law / plain Python, steps a second", floor * steps, steps / min(times),
                 SPEED_LIMIT, "a second"),
        fact("... and equal to the last bit", holds=same),
    ]  # fmt: skip


def a_search(settings: Any, log: Path) -> list[Row]:
    """Time a search of 200 settings, 60 days, 16 members, with all that it reads."""
    record = open_record(log, TableFormat(), settings)
    before = time.process_time()
    wall_s = seconds(lambda: tune(record, settings, settings, ReadLog(lambda _part: None)), time.perf_counter)
    busy_s = (time.process_time() - before) / CORES
    return [
        absolute("tune: 200 settings, 60 days, 16 members; processor time over two cores", busy_s, SEARCH_LIMIT_S, "s"),
        told("... and by the clock, as busy as this machine is", busy_s, wall_s, "s"),
    ]


def measure() -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        settings, log = boat(Path(folder), WORLDS["tail"]._replace(days=DAYS))
        model = model_of(settings, log, 1)
        tried = list(candidates(settings, bounds_of(model, settings), LAWS))
        play(model, [tried[0].law], run=compiled_sail())  # is compiled now, if it was not
        return [*against_numpy(model, tried), *against_python(model, tried[0].law), *a_search(settings, log)]
