"""Power available while the charger throttled, drawn from what was measured at other times.

Clearness is power over that of a clear sky. While the charger throttles only a lower bound of it is seen, so its
distribution is the estimate of Kaplan and Meier (1958) for censored observations, apart by how clear the last hour and
a half was. A path between what was seen before and after follows a first-order autoregression of the normal scores.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from dumpload.core.window import DAY_S
from dumpload.forecast.evidence import Flags, Floats
from dumpload.forecast.runs import runs_of
from dumpload.forecast.sun import SunAt, clear_sky

BLOCK_S = 300.0
# Lower suns are left out of the clearness (sine of the height), and the classes of the last 90 minutes.
LEAST_HEIGHT = 0.1
CLASSES = (0.5, 0.85)
BEFORE_S = 5400.0
SCALE_QUANTILE = 0.93
# An hour of the day measured for less than this (part) is not estimated on its own.
SEEN_HOUR = 0.25
# Upper limit of a block's clearness; edges of clouds give a little more than a clear sky.
CLEAREST = 1.08
_Z = np.linspace(-5.0, 5.0, 2001)
_CDF = np.cumsum(np.exp(-_Z * _Z / 2.0))
_CDF = (_CDF - _CDF[0]) / (_CDF[-1] - _CDF[0])


class SeenSky(NamedTuple):
    """The sky over the record, at every entry: the least and the most power that a clear sky may have given.

    `hidden_part`: of the sunlit time.
    """

    full_w: Floats
    most_w: Floats
    hidden_part: float


class ClearnessBlocks(NamedTuple):
    """Clearness by blocks of five minutes: seen, or at least that; where there is sun; which class before it."""

    clearness: Floats
    seen: Flags
    sunlit: Flags
    kind: Floats
    day: Floats


def scores(part: Floats) -> Floats:
    """Return the normal scores of parts (0 to 1)."""
    return np.asarray(np.interp(part, _CDF, _Z), np.float64)


def parts(score: Floats) -> Floats:
    """Return the parts (0 to 1) of normal scores."""
    return np.asarray(np.interp(score, _Z, _CDF), np.float64)


def sky_of(step_s: float, net_w: Floats, throttled: Flags, sun: SunAt, house_w: float) -> SeenSky:
    """Estimate clear-sky power by the hour: a high quantile of measured power, with throttled power as a lower bound.

    Where an hour was hardly seen it lies between its neighbours and the best hour of the day: a tree before the sun
    comes and goes at an hour that was not measured. A straight line over the day once took a shaded afternoon for
    panels facing east, and gave noon two thirds of its sun.
    """
    sky = clear_sky(sun.height)
    lit = (sun.height > LEAST_HEIGHT) & np.isfinite(net_w)
    ratio = np.where(lit, (net_w + house_w) / np.maximum(sky, 1.0), np.nan)
    hours, tops, seen = [], [], []
    for hour in np.arange(-8.0, 8.5, 0.5):
        here = lit & (np.abs(sun.hours - hour) < 0.5)
        if here.sum() * step_s < 4 * 3600.0:
            continue
        top, is_seen = _top(ratio[here], ~throttled[here])
        hours.append(float(hour))
        seen.append(float((here & ~throttled).sum() / here.sum()) if is_seen else 0.0)
        tops.append(top)
    if not hours:
        empty = np.zeros(len(net_w))
        return SeenSky(empty, empty, 1.0)
    part = float((lit & throttled).sum() / max(1, lit.sum()))
    least, most = (np.interp(sun.hours, hours, level) for level in _levels(hours, np.array(tops), np.array(seen)))
    return SeenSky(sky * least, sky * most, part)


def _top(ratio: Floats, seen: Flags) -> tuple[float, bool]:
    """Return the high quantile of an hour, or a bound if never reached unthrottled; and whether it was."""
    values, below = survival(ratio, seen)
    enough = np.flatnonzero(below >= SCALE_QUANTILE)
    if len(enough):
        return float(values[enough[0]]), True
    return float(np.quantile(ratio, SCALE_QUANTILE)), False


def _levels(hours: Sequence[float], tops: Floats, seen: Floats) -> tuple[Floats, Floats]:
    """Return the least and the most that a clear sky may have given in each hour, of its horizontal irradiance."""
    known = np.flatnonzero(seen >= SEEN_HOUR)
    if not len(known):
        return tops, np.full(len(tops), float(tops.max()))
    sure = np.clip(seen / SEEN_HOUR, 0.0, 1.0)
    between = np.maximum(np.interp(hours, np.array(hours)[known], tops[known]), tops)
    best = np.maximum(float(tops[known].max()), between)
    return sure * tops + (1.0 - sure) * between, sure * tops + (1.0 - sure) * best


def blocks_of(
    step_s: float, began: float, net_w: Floats, throttled: Flags, house_w: float, sky: SeenSky
) -> ClearnessBlocks:
    """Return the clearness by block."""
    size = max(1, round(BLOCK_S / step_s))
    count = len(net_w) // size
    shape = (count, size)
    gross = np.nan_to_num(net_w[: count * size] + house_w).reshape(shape)
    full = sky.full_w[: count * size].reshape(shape)
    hidden = throttled[: count * size].reshape(shape).mean(axis=1) > 0.3
    known = np.isfinite(net_w[: count * size]).reshape(shape).all(axis=1)
    top = float(sky.full_w.max())
    sunlit = (full.mean(axis=1) > 0.06 * top) & known
    clearness = np.clip(gross.sum(axis=1) / np.maximum(full.sum(axis=1), 1.0), 0.0, CLEAREST)
    day = np.floor((began + np.arange(count) * size * step_s) / DAY_S)
    seen = sunlit & ~hidden
    return ClearnessBlocks(clearness, seen, sunlit, _kinds(clearness, seen, day, round(BEFORE_S / BLOCK_S)), day)


def _kinds(clearness: Floats, seen: Flags, day: Floats, length: int) -> Floats:
    """Return the class of every block, by the mean of the last measured ones of its day; -1 if there are none."""
    kinds = np.full(len(clearness), -1.0)
    recent: list[float] = []
    today = -1.0
    for at in range(len(clearness)):
        if day[at] != today:
            today, recent = day[at], []
        if len(recent) >= 3:
            kinds[at] = float(np.searchsorted(CLASSES, np.mean(recent)))
        if seen[at]:
            recent = [*recent[1 - length :], float(clearness[at])]
    return kinds


def survival(value: Floats, seen: Flags) -> tuple[Floats, Floats]:
    """Return sorted values and the part at or below each (Kaplan and Meier); censored values are lower bounds."""
    order = np.lexsort((~seen, value))
    value, seen = value[order], seen[order]
    at_risk = len(value) - np.arange(len(value))
    factors = np.where(seen, 1.0 - 1.0 / at_risk, 1.0)
    below = 1.0 - np.cumprod(factors)
    return value[seen], np.asarray(below[seen], np.float64)


class Distribution(NamedTuple):
    """Clearness at parts from 0 to 1."""

    part: Floats
    clearness: Floats


def distribution(value: Floats, seen: Flags) -> Distribution:
    """Return the distribution of clearness; values beyond all measured ones lie near a clear sky."""
    values, below = survival(value, seen)
    if len(values) < 5:
        return Distribution(np.array([0.0, 0.15, 1.0]), np.array([0.1, 0.5, 1.0]))
    left = 1.0 - below[-1]
    part, clear = np.concatenate([[0.0], below]), np.concatenate([[values[0]], values])
    if left > 1e-6:
        part, clear = np.append(part, 1.0), np.append(clear, max(1.0, values[-1]))
    keep = np.concatenate([np.diff(part) > 1e-9, [True]])
    return Distribution(part[keep], np.maximum.accumulate(clear[keep]))


def paths(
    step_s: float, began: float, net_w: Floats, throttled: Flags, sky: SeenSky, house_w: float, members: int, seed: int
) -> Floats:
    """Return the available power of bank and load together, for every member and entry."""
    blocks = blocks_of(step_s, began, net_w, throttled, house_w, sky)
    draw = np.random.default_rng(seed)
    clearness = _drawn(blocks, members, draw)
    size = max(1, round(BLOCK_S / step_s))
    fine = np.repeat(clearness, size, axis=1)
    gross = np.nan_to_num(net_w[: len(blocks.seen) * size] + house_w).reshape(-1, size)
    fine = fine * _flicker(
        gross / np.maximum(sky.full_w[: len(blocks.seen) * size].reshape(-1, size), 1.0), clearness, blocks, draw
    )
    rest = len(net_w) - fine.shape[1]
    fine = np.pad(fine, ((0, 0), (0, rest)), mode="edge")
    seen = np.nan_to_num(net_w)
    towards = np.linspace(0.0, 1.0, members)[draw.permutation(members)][:, None]
    full_w = sky.full_w + towards * (sky.most_w - sky.full_w)
    offered = np.maximum(fine * full_w - house_w, seen)
    return np.where(throttled, offered, seen)


def _flicker(ratio: Floats, clearness: Floats, blocks: ClearnessBlocks, draw: np.random.Generator) -> Floats:
    """Return the clouds within each block (mean 1), taken from a measured block of similar clearness.

    Short dips matter to a drain limit, which trips within a minute.
    """
    members, count = clearness.shape
    donors = np.flatnonzero(blocks.seen)
    shapes = np.ones((members, count, ratio.shape[1]))
    if len(donors) < 20:
        return shapes.reshape(members, -1)
    donors = donors[np.argsort(blocks.clearness[donors])]
    hidden = np.flatnonzero(blocks.sunlit & ~blocks.seen)
    place = np.searchsorted(blocks.clearness[donors], clearness[:, hidden])
    spread = max(5, len(donors) // 12)
    place = np.clip(place + draw.integers(-spread, spread + 1, place.shape), 0, len(donors) - 1)
    shape = ratio[donors[place]]
    shapes[:, hidden] = np.clip(shape / np.maximum(shape.mean(axis=2, keepdims=True), 0.02), 0.0, 4.0)
    return shapes.reshape(members, -1)


def _drawn(blocks: ClearnessBlocks, members: int, draw: np.random.Generator) -> Floats:
    tables = {}
    for kind in (-1.0, *range(len(CLASSES) + 1)):
        here = blocks.sunlit & (blocks.kind == kind) if kind >= 0 else blocks.sunlit
        if here.sum() < 30:
            here = blocks.sunlit
        tables[float(kind)] = distribution(blocks.clearness[here], blocks.seen[here])
    score = np.full(len(blocks.clearness), np.nan)
    for kind, table in tables.items():
        here = blocks.kind == kind
        score[here] = np.clip(scores(np.interp(blocks.clearness[here], table.clearness, table.part)), -3.0, 3.0)
    keep = _persistence(score, blocks)
    clearness = np.repeat(blocks.clearness[None, :], members, axis=0)
    for before, after, run in _hidden_runs(blocks):
        start = None if before < 0 else score[before]
        end = None if after < 0 else score[after]
        now = draw.standard_normal(members) if start is None else np.full(members, start)
        for at in range(*run):
            table = tables[float(blocks.kind[at])]
            mean, spread = _bridge(now, end, (after if after >= 0 else run[1]) - at, keep)
            bound = (score[at] - mean) / spread
            least = parts(bound)
            now = mean + spread * scores(least + (1.0 - least) * draw.uniform(size=members))
            clearness[:, at] = np.maximum(np.interp(parts(now), table.part, table.clearness), blocks.clearness[at])
    return clearness


def _persistence(score: Floats, blocks: ClearnessBlocks) -> float:
    """Return the correlation of the scores of one block with the next."""
    both = blocks.seen[1:] & blocks.seen[:-1] & (blocks.day[1:] == blocks.day[:-1])
    if both.sum() < 50:
        return 0.9
    earlier, other = score[:-1][both], score[1:][both]
    return float(np.clip(np.corrcoef(earlier, other)[0, 1], 0.5, 0.98))


def _hidden_runs(blocks: ClearnessBlocks) -> Iterator[tuple[int, int, tuple[int, int]]]:
    """Yield each run of hidden blocks, with the seen blocks before and after it of the same day (-1: none)."""
    for run in runs_of(blocks.sunlit & ~blocks.seen):
        day = blocks.day[run.begin]
        before = run.begin - 1
        after = run.end
        has_before = before >= 0 and blocks.seen[before] and blocks.day[before] == day
        has_after = after < len(blocks.seen) and blocks.seen[after] and blocks.day[after] == day
        yield (before if has_before else -1), (after if has_after else -1), (run.begin, run.end)


def _bridge(now: Floats, end: float | None, left: int, keep: float) -> tuple[Floats, float]:
    """Return mean and spread of the next score, given the last one and, if known, one `left` steps from the next."""
    if end is None:
        return keep * now, float(np.sqrt(1.0 - keep * keep))
    ahead = keep**left
    whole = 1.0 - keep**2 * ahead**2
    mean = (keep * (1.0 - ahead**2) * now + ahead * (1.0 - keep**2) * end) / whole
    return mean, float(np.sqrt((1.0 - keep**2) * (1.0 - ahead**2) / whole + 1e-9))
