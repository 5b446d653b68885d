"""Play a model under any settings of the law; daily sums by law, member and day."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from dumpload.core.controller import Setup
from dumpload.forecast.evidence import Floats
from dumpload.forecast.model import Model, hours_of
from dumpload.forecast.step import COLUMNS, ENERGY, LOWEST, Course, Hours
from dumpload.replay.arrays import with_floats


def play(
    model: Model,
    laws: Sequence[Setup],
    members: int | None = None,
    *,
    run: Callable[..., Any],
    heated: bool = True,
    anchored: bool = True,
    substeps: int | None = None,
    threads: int | None = None,
    sums: Floats | None = None,
    watch: Callable[[float], None] = lambda _part: None,
) -> Floats:
    """Return the daily sums (law, member, day, column of `step`) of the recorded days under each of the laws.

    `run`: `step.sail`, or compiled (then `threads` run side by side). `substeps`: steps to an entry of the record, else
    as many as make 10 s. `sums`: fresh ones to add up into, which keep what is finished when it is interrupted: laws
    are played in their order, and `watch` hears which part of all runs is finished without a gap.
    """
    sums = fresh_sums(model, laws, members) if sums is None else sums
    members = sums.shape[1]
    course = model.course if substeps is None else _coarser(model.course, substeps)
    cache = _look_up(model, laws)

    def play_place(place: tuple[int, int]) -> None:
        law, member = place
        setup, drawn = laws[law], course._replace(draw_w=model.draws[member])
        local = cache[setup.spans, setup.zone]
        rules, net_w, row = with_floats(setup.settings), model.nets[member], sums[law, member]
        run(model.ships[member], rules, drawn, local, net_w, heated, anchored, row)

    places = [(law, member) for law in range(len(laws)) for member in range(members)]
    with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
        for done, _ in enumerate(pool.map(play_place, places), 1):
            watch(done / len(places))
    return sums


def fresh_sums(model: Model, laws: Sequence[Setup], members: int | None = None) -> Floats:
    """Return daily sums of zero."""
    members = len(model.ships) if members is None else min(members, len(model.ships))
    sums = np.zeros((len(laws), members, model.days, COLUMNS))
    sums[..., LOWEST] = np.inf
    return sums


def _look_up(model: Model, laws: Sequence[Setup]) -> dict[Any, Hours]:
    """Return the local times of every window and zone among the laws."""
    known: dict[Any, Hours] = {}
    for law in laws:
        if (law.spans, law.zone) not in known:
            known[law.spans, law.zone] = hours_of(model.evidence, law)
    return known


def _coarser(course: Course, substeps: int) -> Course:
    factor = course.substeps / substeps
    return course._replace(
        step_s=course.step_s * factor,
        slow_keep=course.slow_keep**factor,
        substeps=substeps,
        extra=course.extra * factor,
        drift=course.drift * factor,
    )


def total(sums: Floats, column: int = ENERGY) -> Floats:
    """Return a column's sum over the days."""
    whole: Floats = sums[..., column].sum(axis=-1)
    return whole
