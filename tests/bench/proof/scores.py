"""Errors of answers against what is true, and what many of them come to."""

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import numpy as np
from bench.proof.asking import Figure, Result
from bench.proof.truth import Truth
from bench.proof.worlds import DAYS

# Below this a difference has no direction worth asking for (Wh a day).
CLEAR_WH = 60.0


class Spread(NamedTuple):
    """Median, 90 % and worst of some errors, and how many there were. NaN: none."""

    median: float
    p90: float
    worst: float
    count: int


def spread(errors: Iterable[float | None]) -> Spread:
    """Return the spread of the errors that there are."""
    known = [error for error in errors if error is not None]
    if not known:
        return Spread(np.nan, np.nan, np.nan, 0)
    return Spread(float(np.median(known)), float(np.percentile(known, 90)), float(max(known)), len(known))


def is_answered(result: Result) -> bool:
    """Return whether a figure was given, with a warning or without."""
    return result.answer.trust in ("good", "warned")


def difference_of(result: Result) -> float:
    """Return B - A as it is true (Wh a day)."""
    return (result.asked.energy_wh - result.recorded.energy_wh) / DAYS


def true_value(name: str, result: Result) -> float:
    """Return the truth of one figure of an answer."""
    return difference_of(result) if name == "difference_wh_per_day" else float(getattr(result.asked, name))


def relative(value: float | None, truth: float) -> float | None:
    """Return how far a value is from the truth (%), None where there is no value."""
    return None if value is None or not truth else abs(value - truth) / abs(truth) * 100.0


def error_of(name: str) -> Callable[[Result], float | None]:
    """Return what gives the error (%) of one figure of an answer."""
    return lambda result: relative(_figure(result, name).value, true_value(name, result))


def difference_error(result: Result) -> float | None:
    """Return the error of B - A (Wh a day)."""
    value = _figure(result, "difference_wh_per_day").value
    return None if value is None else abs(value - difference_of(result))


def same_as_a(name: str) -> Callable[[Result], float | None]:
    """Return what gives the error (%) of "B does as A did"."""
    return lambda result: relative(float(getattr(result.recorded, name)), float(getattr(result.asked, name)))


def open_loop(name: str) -> Callable[[Result], float | None]:
    """Return what gives the error (%) of the open loop."""
    return lambda result: relative(result.opened.figures[name].value, float(getattr(result.asked, name)))


def inside(name: str, results: Sequence[Result]) -> float:
    """Return how often (%) the truth lies in the stated interval."""
    stated = [(_figure(result, name), true_value(name, result)) for result in results]
    hits = [low <= truth <= high for (_value, low, high), truth in stated if low is not None and high is not None]
    return 100.0 * sum(hits) / len(hits) if hits else np.nan


def direction(results: Sequence[Result]) -> tuple[int, int]:
    """Return how many clear differences were given the right sign, and how many clear ones there were."""
    clear = [result for result in results if abs(difference_of(result)) > CLEAR_WH]
    given = [(_figure(result, "difference_wh_per_day").value, difference_of(result)) for result in clear]
    signs = [value * truth > 0.0 for value, truth in given if value is not None]
    return sum(signs), len(signs)


def confident_misses(results: Sequence[Result], limit: float = 20.0) -> list[Result]:
    """Return the pairs answered "good" whose energy is off by more than `limit` %."""
    good = [result for result in results if result.answer.trust == "good"]
    return [result for result in good if (error_of("energy_wh")(result) or 0.0) > limit]


def share_answered(results: Sequence[Result]) -> float:
    """Return how many of the pairs were answered (%)."""
    return 100.0 * sum(map(is_answered, results)) / len(results) if results else np.nan


def truth_of(result: Result) -> tuple[Truth, Truth]:
    """Return what is true under A and under B."""
    return result.recorded, result.asked


def _figure(result: Result, name: str) -> Figure:
    return result.answer.figures.get(name, Figure(None, None, None))
