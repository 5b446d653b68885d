"""Plays many laws over one identified record, side by side, and keeps what is done when it is interrupted."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from typing import Any, NamedTuple

from dumpload.core.controller import Setup
from dumpload.forecast.evidence import Floats
from dumpload.forecast.model import Model
from dumpload.forecast.play import play
from dumpload.forecast.step import Hours

# Laws are played in groups, each thread one at a time, so that many runs share what is laid out for them.
RUNS_A_GROUP = 16


class PlayedLaws(NamedTuple):
    """The daily sums (member, day, column) by the law's number; `whole`: of all laws that were asked for."""

    sums: dict[int, Floats]
    whole: bool


def play_all(
    model: Model,
    laws: Sequence[Setup],
    *,
    run: Callable[..., Any],
    members: int | None = None,
    substeps: int | None = None,
    threads: int | None = None,
    watch: Callable[[float], None] = lambda _part: None,
) -> PlayedLaws:
    """Play every law; an interrupt ends it with those that are finished.

    `run`: the compiled step, which lets threads run side by side. The first law is played first. `substeps`: as for
    `forecast.play.play`.
    """
    count = max(1, RUNS_A_GROUP // (members or len(model.ships)))
    groups = [range(first, min(first + count, len(laws))) for first in range(0, len(laws), count)]
    pool = ThreadPoolExecutor(threads or os.cpu_count() or 1)
    hours: dict[Any, Hours] = {}
    tasks: dict[Future[Floats], range] = {}
    whole = True
    try:
        for group in groups:
            chosen = [laws[number] for number in group]
            tasks[pool.submit(play, model, chosen, members, run=run, substeps=substeps, threads=1, hours=hours)] = group
        for done, task in enumerate(as_completed(tasks), 1):
            task.result()
            watch(done / len(groups))
    except KeyboardInterrupt:
        whole = False
    finally:
        pool.shutdown(cancel_futures=True)
    finished = [(task.result(), group) for task, group in tasks.items() if task.done() and not task.cancelled()]
    return PlayedLaws({law: sums[at] for sums, group in finished for at, law in enumerate(group)}, whole)
