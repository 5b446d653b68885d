"""Play many laws over one identified record; an interrupt keeps the finished ones."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from dumpload.core.controller import Setup
from dumpload.forecast.evidence import Floats
from dumpload.forecast.model import Model
from dumpload.forecast.play import fresh_sums, play


class PlayedLaws(NamedTuple):
    """Daily sums (law, member, day, column) of the laws played; `whole`: all of them."""

    sums: Floats
    whole: bool


def play_all(
    model: Model,
    laws: Sequence[Setup],
    *,
    run: Callable[..., Any],
    members: int | None = None,
    threads: int | None = None,
    watch: Callable[[float], None] = lambda _part: None,
) -> PlayedLaws:
    """Play the laws in order; an interrupt returns the finished ones."""
    sums, finished = fresh_sums(model, laws, members), 0.0

    def note(part: float) -> None:
        nonlocal finished
        finished = part
        watch(part)

    try:
        play(model, laws, run=run, sums=sums, threads=threads, watch=note)
    except KeyboardInterrupt:
        runs = round(finished * sums.shape[0] * sums.shape[1])
        return PlayedLaws(sums[: runs // sums.shape[1]], False)
    return PlayedLaws(sums, True)
