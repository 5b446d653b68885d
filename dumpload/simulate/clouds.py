"""Clouds within the hour: what panels offer minute by minute, from weather that has only the mean of each interval.

Two states, as in H. Morf's stochastic two-state models (Solar Energy 62, 1998, and 85, 2011; abstracts read): the sun
is out and the beam is that of a cloudless sky, or a cloud hides it and little but diffuse light is left. So an
interval's mean beam over that of a cloudless sky, which the day's clearest interval corrects for haze, says for how
long the sun was out. The time hidden is cut into passages of clouds: their lengths follow a power law with the exponent
1.66 from 0.1 to 1000 km (R. Wood, P. R. Field, J. Climate 24, 2011), and a day's wind at their height a gamma
distribution of shape 2.69 and scale 2.14 m/s (P. Mathiesen et al., Solar Energy 92, 2013); both figures were read where
others cite them. Our own, no source: a day's clouds let some of the beam through, and gaps are exponential. On seven
measured days opaque clouds made steps of five minutes 1.6 times as large as they were; these make them 1.1 times as
large. Last the interval is scaled to its own energy, which it keeps.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from dumpload.core.window import DAY_S
from dumpload.simulate.weather import MINUTE_S, Floats, Panels, Place, Weather, cloudless, offered_w

CLOUD_EXPONENT, SHORTEST_M, LONGEST_M = 1.66, 100.0, 1e6
WIND_SHAPE, WIND_SCALE_M_S, LEAST_WIND_M_S = 2.69, 2.14, 0.5
# Most passages in one interval; the last one takes the remaining time.
MOST_CLOUDS = 60
# Below the first part of a cloudless beam an interval is all cloud, above the second all clear (our choice).
LEAST_BEAM, MOST_BEAM = 0.03, 0.95
# Weather with intervals up to this (s) already contains its clouds.
FINE_S = 300.0
# A day's clearest interval may correct the beam of a cloudless sky within these (our choice), and is looked for where
# that beam is at least this part of the day's largest: a low sun is brighter or dimmer than the model by itself.
LEAST_CLEAR, MOST_CLEAR, HIGH_SUN = 0.7, 1.3, 0.85
# The cloudless sky is worked out so often (s). Where an interval has more than this of its power (at sunrise, by the
# sun's position in its middle), its own shape is not that of the cloudless sky.
CLEAR_EVERY_S, MOST_OF_CLEAR = 600.0, 1.5
# At sunrise, clouds that hide more than this part of the sun are left out, because scaling up the rest would dazzle.
MOST_HIDDEN = 0.5


class Sky(NamedTuple):
    """Weather as power, on a grid of minutes that begins at `began` (Unix s).

    For each interval: W from the diffuse light and W from the beam (means), the part of a cloudless beam that it has,
    and its day. For each minute: the `interval` to which it belongs, and `shape`, the power of a cloudless sky over its
    mean in the interval.
    """

    began: float
    interval_s: float
    diffuse_w: Floats
    beam_w: Floats
    beam_part: Floats
    day: Any
    interval: Any
    shape: Floats


def sky_of(weather: Weather, place: Place, strings: Sequence[Panels]) -> Sky:
    """Return the power of the panels in this weather."""
    began, interval_s, interval = minute_grid(weather.times)
    count = len(weather.times)
    total_w = offered_w(weather, place, strings)
    # Without the beam the light around the sun is gone, too, as behind a cloud.
    diffuse_w = np.minimum(offered_w(weather._replace(direct_w_m2=0.0 * total_w), place, strings), total_w)
    middle = began + (np.arange(len(interval)) + 0.5) * MINUTE_S
    coarse = np.arange(middle[0], middle[-1] + CLEAR_EVERY_S, CLEAR_EVERY_S)
    clear = cloudless(weather, place, coarse)
    clear_w = np.interp(middle, coarse, offered_w(clear, place, strings))
    mean_w = means(clear_w, interval, count)
    is_like = (interval_s > FINE_S) & (mean_w > 0.0) & (total_w < MOST_OF_CLEAR * mean_w)
    shape = np.where(is_like[interval], clear_w / np.where(is_like, mean_w, 1.0)[interval], 1.0)
    day = np.floor(weather.times / DAY_S + place.longitude_deg / 360.0).astype(np.int64)
    direct = means(np.interp(middle, coarse, clear.direct_w_m2), interval, count)
    part = beam_parts(weather.direct_w_m2, direct, day - day[0])
    return Sky(began, interval_s, diffuse_w, total_w - diffuse_w, part, day - day[0], interval, shape)


def minute_grid(times: Floats) -> tuple[float, float, Any]:
    """Return where the minutes of some intervals begin, how long an interval is (s), and that of each minute.

    `times`: the middle of each interval. A minute in a gap, or across two of them, belongs to the nearer.
    """
    interval_s = float(np.median(np.diff(times))) if len(times) > 1 else MINUTE_S
    began = float(times[0]) - interval_s / 2.0
    count = max(1, round((times[-1] - times[0] + interval_s) / MINUTE_S))
    middle = began + (np.arange(count) + 0.5) * MINUTE_S
    return began, interval_s, np.searchsorted((times[1:] + times[:-1]) / 2.0, middle, side="right")


def means(values: Floats, interval: Any, count: int) -> Floats:
    """Return the mean of some minutes' values in each of `count` intervals; 0 where none has a minute."""
    minutes = np.bincount(interval, minlength=count)
    mean: Floats = np.bincount(interval, values, minlength=count) / np.maximum(minutes, 1)
    return mean


def beam_parts(direct: Floats, clear: Floats, day: Any) -> Floats:
    """Return the part of a cloudless beam in each interval (0 to 1), corrected for the day's haze."""
    part = np.divide(direct, clear, out=np.zeros(len(direct)), where=clear > 0.0)
    best, most = np.zeros((2, int(day.max()) + 1))
    np.maximum.at(most, day, clear)
    is_high = clear >= HIGH_SUN * most[day]
    np.maximum.at(best, day[is_high], part[is_high])
    parts: Floats = np.clip(part / np.clip(best, LEAST_CLEAR, MOST_CLEAR)[day], 0.0, 1.0)
    return parts


def minutes_w(sky: Sky, draw: np.random.Generator, *, clouds: bool) -> Floats:
    """Return W offered in each minute, with passing clouds or under even haze.

    The mean of every interval is that of the weather, whatever is drawn.
    """
    beam = sky.shape
    if clouds and sky.interval_s > FINE_S:
        beam = sky.shape * beam_of_minutes(sky, draw)
        mean = means(beam, sky.interval, len(sky.beam_w))
        is_fair = mean > MOST_HIDDEN * sky.beam_part
        scale = 1.0 / np.where(is_fair & (mean > 0.0), mean, 1.0)
        beam = np.where(is_fair[sky.interval], beam * scale[sky.interval], sky.shape)
    watts: Floats = sky.diffuse_w[sky.interval] * sky.shape + sky.beam_w[sky.interval] * beam
    return watts


def beam_of_minutes(sky: Sky, draw: np.random.Generator) -> Floats:
    """Return the part of the beam that is left in each minute; 1 throughout an interval all clear or all cloud."""
    mixed = np.flatnonzero((sky.beam_part > LEAST_BEAM) & (sky.beam_part < MOST_BEAM) & (sky.beam_w > 0.0))
    day, beam_part, days = sky.day[mixed], sky.beam_part[mixed], int(sky.day.max()) + 1
    wind_m_s = np.maximum(draw.gamma(WIND_SHAPE, WIND_SCALE_M_S, days), LEAST_WIND_M_S)[day]
    through = draw.random(days)[day] * beam_part
    sunny_s = (beam_part - through) / (1.0 - through) * sky.interval_s
    clouds_s = passages(draw, sky.interval_s - sunny_s, wind_m_s)
    # A line of time through all these intervals, laid in a row: gap, cloud, gap, ..., and the beam so far.
    spells, beam = np.zeros((2, len(mixed), 2 * MOST_CLOUDS + 1))
    spells[:, ::2] = beam[:, ::2] = gaps(draw, sunny_s, np.count_nonzero(clouds_s, axis=1))
    spells[:, 1::2], beam[:, 1::2] = clouds_s, through[:, None] * clouds_s
    passed, shone = (np.concatenate([[0.0], line.ravel().cumsum()]) for line in (spells, beam))
    minutes = np.flatnonzero(np.isin(sky.interval, mixed))
    within_s = (minutes - np.searchsorted(sky.interval, sky.interval[minutes])) * MINUTE_S
    at = np.searchsorted(mixed, sky.interval[minutes]) * sky.interval_s + within_s
    left: Floats = np.ones(len(sky.interval))
    left[minutes] = (np.interp(at + MINUTE_S, passed, shone) - np.interp(at, passed, shone)) / MINUTE_S
    return left


def passages(draw: np.random.Generator, hidden_s: Floats, wind_m_s: Floats) -> Floats:
    """Return how long each cloud hides the sun (s), a row for each interval; they add up to `hidden_s`."""
    power = 1.0 - CLOUD_EXPONENT
    short, long = SHORTEST_M**power, LONGEST_M**power
    lengths_m = (long + (short - long) * draw.random((len(hidden_s), MOST_CLOUDS))) ** (1.0 / power)
    until = np.minimum((lengths_m / wind_m_s[:, None]).cumsum(axis=1), hidden_s[:, None])
    until[:, -1] = hidden_s
    return np.diff(until, axis=1, prepend=0.0)


def gaps(draw: np.random.Generator, sunny_s: Floats, clouds: Any) -> Floats:
    """Return how long the sun is out before each cloud and after the last (s); they add up to `sunny_s`."""
    lengths = draw.exponential(size=(len(sunny_s), MOST_CLOUDS + 1))
    lengths[np.arange(MOST_CLOUDS + 1) > clouds[:, None]] = 0.0
    lengths *= (sunny_s / lengths.sum(axis=1))[:, None]
    return lengths
