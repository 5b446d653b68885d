"""Score of settings (sun caught, battery, operations, hot evenings) and the limits they must keep."""

from typing import NamedTuple

import numpy as np

from dumpload.core.window import DAY_S
from dumpload.forecast.evidence import Flags, Floats
from dumpload.forecast.model import Model
from dumpload.forecast.step import CURTAILED, EVENING_C, FROM_BANK, LOWEST, SWITCH_ONS, WANTED_C

WEEK_DAYS = 7


class SearchLimits(NamedTuple):
    """Hard limits of a proposal. `lowest_percent`: true charge while on. `operations`: switch-ons a day."""

    lowest_percent: float = 0.0
    operations: float = np.inf


class Halves(NamedTuple):
    """Days to learn from and days to report on, by row of the daily sums; `known_s`: time with data in each."""

    learn: Flags
    report: Flags
    known_s: Floats


class Score(NamedTuple):
    """A day's mean under some settings: Wh of otherwise wasted sun, Wh from the battery, switch-ons, hot evenings."""

    caught_wh: float
    from_bank_wh: float
    operations: float
    hot_evenings: float


# Differences too small to matter: relative to the best, and absolute (Wh, Wh, switch-ons, evenings, a day). Energy from
# the battery is not known better than this (nine in ten of a prototype's errors, boats of this size).
COARSE = Score(0.01, 0.1, 0.0, 0.0)
COARSE_AT_LEAST = Score(5.0, 100.0, 0.1, 0.02)


def halves_of(model: Model) -> Halves:
    """Split the record's days in two: every second week, or shorter periods if the record is short."""
    entries = np.bincount(model.course.day, model.course.known, model.days)
    length = int(np.clip(model.days // 4, 1, WEEK_DAYS))
    learn = (np.arange(model.days) // length) % 2 == 0
    return Halves(learn, ~learn, np.asarray(entries * model.evidence.step_s, np.float64))


def caught(sums: Floats, never: Floats) -> Floats:
    """Return the Wh caught that would have been wasted without the heater (member, day)."""
    return np.asarray(never[..., CURTAILED] - sums[..., CURTAILED], np.float64)


def hot(sums: Floats) -> Floats:
    """Return whether the water was hot in the evening (member, day)."""
    return np.asarray(sums[..., EVENING_C] >= WANTED_C, np.float64)


def score(sums: Floats, never: Floats, days: Flags, known_s: Floats) -> Score:
    """Return the mean of these days for the median member."""
    count = max(1e-9, float(known_s[days].sum()) / DAY_S)
    columns = (caught(sums, never), sums[..., FROM_BANK], sums[..., SWITCH_ONS], hot(sums))
    return Score(*(float(np.median(column[:, days].sum(axis=1))) / count for column in columns))


def keeps_to(limits: SearchLimits, sums: Floats, known_s: Floats) -> bool:
    """Return whether settings run the heater, and keep to the limits on all days, in all but one in twenty members."""
    if not np.median(sums[..., SWITCH_ONS].sum(axis=1)):
        return False
    lowest = float(np.quantile(sums[..., LOWEST].min(axis=1), 0.05, method="lower"))
    operations = float(np.quantile(sums[..., SWITCH_ONS].sum(axis=1), 0.95)) / (float(known_s.sum()) / DAY_S)
    return lowest >= limits.lowest_percent and operations <= limits.operations


def costs(scores: list[Score]) -> Floats:
    """Return the scores as costs (law, aim), lower is better, rounded to steps that an owner would notice."""
    signed = np.array(scores).reshape(-1, len(Score._fields)) * np.array([-1.0, 1.0, 1.0, -1.0])
    best = np.abs(signed).max(axis=0, initial=0.0)
    step = np.maximum(np.array(COARSE_AT_LEAST), np.array(COARSE) * best)
    stepped: Floats = np.round(signed / step) * step
    return stepped


def pareto(values: Floats) -> Flags:
    """Return which rows are Pareto-optimal; lower is better."""
    is_best = np.ones(len(values), np.bool_)
    for row, chosen in enumerate(values):
        is_best[row] = not ((values <= chosen).all(axis=1) & (values < chosen).any(axis=1)).any()
    return is_best
