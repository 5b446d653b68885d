"""Choice of three to five proposals among all settings tried."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dumpload.forecast.evidence import Floats
from dumpload.tune.aims import Score, costs, pareto

Numbers = NDArray[np.int64]

# A proposal with another aim still catches at least this part of the most sun.
ENOUGH = 0.8
# Least number of proposals, if there are that many.
FEWEST = 3
CAUGHT, FROM_BANK, OPERATIONS, HOT = range(4)
BALANCED, ALSO = "balanced", "balanced in another way"
# Each aim as shown, its cost, and the cost that breaks a tie.
AIMS = {
    "most wasted sun caught": (CAUGHT, OPERATIONS),
    "least from the battery": (FROM_BANK, CAUGHT),
    "fewest operations": (OPERATIONS, CAUGHT),
    "hot by evening": (HOT, CAUGHT),
}


class Pick(NamedTuple):
    """Number of the settings, and the aims they are best at."""

    number: int
    aims: tuple[str, ...]


class Choice(NamedTuple):
    """The best at each aim, and the other Pareto-optimal ones, the most balanced first."""

    picks: list[Pick]
    others: list[Pick]


def front(scores: Sequence[Score]) -> list[int]:
    """Return the numbers of the Pareto-optimal scores."""
    return [int(number) for number in np.flatnonzero(pareto(costs(list(scores))))]


def choose(scores: Sequence[Score], far: Sequence[float], *, evenings: bool = True) -> Choice:
    """Return which of the scores are worth choosing between.

    `far`: how far each is from today's settings; of those that an owner could not tell apart the nearest is taken.
    `evenings`: whether hot evenings are known.
    """
    if not scores:
        return Choice([], [])
    scores_known = [score if evenings else score._replace(hot_evenings=0.0) for score in scores]
    values = costs(scores_known)
    numbers = _nearest(values, np.flatnonzero(pareto(values)).astype(np.int64), far)
    most = values[numbers, CAUGHT].min()
    enough = numbers[values[numbers, CAUGHT] <= most + (1.0 - ENOUGH) * abs(most)]
    picks: dict[int, list[str]] = {}
    for aim, order in AIMS.items():
        if evenings or HOT not in order:
            ranked = sorted(enough.tolist(), key=lambda law: (*values[law, list(order)], far[law]))
            picks.setdefault(ranked[0], []).append(aim)
    best, *others = _by_balance(values, enough)
    less = [number for number in _by_balance(values, numbers) if number not in enough]
    picks.setdefault(best, []).append(BALANCED)
    return Choice(
        [Pick(number, tuple(aims)) for number, aims in picks.items()],
        [Pick(number, (ALSO,)) for number in (*others, *less) if number not in picks],
    )


def _nearest(values: Floats, numbers: Numbers, far: Sequence[float]) -> Numbers:
    """Return the numbers; of those with equal costs, only the nearest."""
    nearest: dict[tuple[float, ...], int] = {}
    for number in sorted(numbers.tolist(), key=far.__getitem__):
        nearest.setdefault(tuple(values[number]), number)
    return np.array(sorted(nearest.values()), np.int64)


def _by_balance(values: Floats, numbers: Numbers) -> list[int]:
    """Sort the numbers by distance from the best of every aim, each scaled to its own range."""
    chosen = values[numbers]
    low, high = chosen.min(axis=0), chosen.max(axis=0)
    distance = np.sqrt((((chosen - low) / np.maximum(high - low, 1e-9)) ** 2).sum(axis=1))
    return [int(numbers[place]) for place in np.argsort(distance, kind="stable")]
