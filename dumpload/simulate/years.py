"""Weather to what comes from outside, minute by minute, and other years made of the same days.

A resampled year has, for every three days, three days in a row of the same season: at most 15 days earlier or later in
the year, of any year of the weather. So the spells of dull days stay, and their order changes.
"""

from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, NamedTuple

import numpy as np

from dumpload.core.window import DAY_S, Schedule
from dumpload.replay.arrays import LocalTimes, local_times_between
from dumpload.simulate.boat import Needs
from dumpload.simulate.clouds import Sky
from dumpload.simulate.engine import Outside
from dumpload.simulate.weather import MINUTE_S as ENTRY_S
from dumpload.simulate.weather import Floats, Place, Weather, WeatherError

DAY_ENTRIES = round(DAY_S / ENTRY_S)
YEAR_DAYS = 365
SPELL_DAYS, SEASON_DAYS = 3, 15
LONGEST_GAP_S = 3 * 3600.0
MOST_YEARS = 40


class YearSpan(NamedTuple):
    """Local days from `began` (Unix s): the local times, and the day and the minute of it for every entry."""

    began: float
    zone: tzinfo
    locals_: LocalTimes
    day: Any
    minute: Any
    days: tuple[datetime, ...]


def moved_to(sky: Sky, place: Place, home_longitude_deg: float) -> Sky:
    """Return the sky shifted to solar noon at home, to the minute: 4 minutes later per degree west."""
    return sky._replace(began=sky.began + round(4.0 * (place.longitude_deg - home_longitude_deg)) * ENTRY_S)


def zone_longitude_deg(zone: tzinfo, year: int) -> float:
    """Return the longitude where solar noon is at 12:00 of a zone's standard time."""
    offsets = [datetime(year, month, 1, tzinfo=zone).utcoffset() or timedelta() for month in (1, 7)]
    return min(offsets) / timedelta(hours=1) * 15.0


def typical_span(schedule: Schedule, zone: tzinfo, year: int) -> YearSpan:
    """Return the local days of one year."""
    return _span(schedule, zone, datetime(year, 1, 1, tzinfo=zone), YEAR_DAYS)


def recorded_span(schedule: Schedule, zone: tzinfo, weather: Weather) -> YearSpan:
    """Return the whole local days that the weather covers.

    Raises:
        WeatherError: there is none, too many, or a gap is too long.
    """
    gaps = np.diff(weather.times)
    step_s = float(np.median(gaps)) if len(gaps) else 0.0
    if len(gaps) and gaps.max() > LONGEST_GAP_S:
        at = datetime.fromtimestamp(weather.times[int(gaps.argmax())], UTC)
        msg = f"weather: a gap of {gaps.max() / 3600:.1f} h after {at:%Y-%m-%dT%H:%M}Z: expected at most 3 h"
        raise WeatherError(msg)
    first = datetime.fromtimestamp(weather.times[0] - step_s / 2, zone)
    begin = datetime(first.year, first.month, first.day, tzinfo=zone)
    if begin < first:
        begin = _later(begin, 1)
    last, days = weather.times[-1] + step_s / 2, 0
    while days <= MOST_YEARS * 366 and _later(begin, days + 1).timestamp() <= last:
        days += 1
    if not 0 < days <= MOST_YEARS * 366:
        msg = f"weather: {days} whole days: expected from one local day to {MOST_YEARS} years"
        raise WeatherError(msg)
    return _span(schedule, zone, begin, days)


def _later(day: datetime, days: int) -> datetime:
    return datetime.combine(day.date() + timedelta(days=days), day.timetz())


def _span(schedule: Schedule, zone: tzinfo, begin: datetime, days: int) -> YearSpan:
    began, ended = begin.timestamp(), _later(begin, days).timestamp()
    entries = round((ended - began) / ENTRY_S)
    middle = began + (np.arange(entries) + 0.5) * ENTRY_S
    locals_ = local_times_between(schedule, began, ended)
    here = np.searchsorted(locals_.wall, middle, side="right") - 1
    day = locals_.day[here]
    midnight = np.searchsorted(day, np.unique(day))  # first entry of each local day
    # People follow the clock, and a day on which it changes has 23 or 25 hours, so ask the zone.
    offset = np.concatenate([_offsets(zone, part) for part in np.split(middle, midnight[1:])])
    minute = ((middle + offset) % DAY_S // 60).astype(np.int64)
    return YearSpan(began, zone, locals_, day - day[0], minute, tuple(_later(begin, n) for n in range(days)))


def _offsets(zone: tzinfo, moments: Floats) -> Floats:
    """Return the zone's offset (s) at every moment of one day."""
    ends = [datetime.fromtimestamp(float(at), zone).utcoffset() for at in (moments[0], moments[-1])]
    if ends[0] == ends[1]:
        return np.full(len(moments), _seconds(ends[0]))
    return np.array([_seconds(datetime.fromtimestamp(float(at), zone).utcoffset()) for at in moments])


def _seconds(offset: timedelta | None) -> float:
    return (offset or timedelta()).total_seconds()


def on_span(span: YearSpan, sky: Sky, minutes_w: Floats, *, is_typical: bool) -> Floats:
    """Return the panels' power in each entry, from the minutes of the weather; a typical year repeats."""
    entries = round((span.began - sky.began) / ENTRY_S) + np.arange(len(span.day))
    return minutes_w.take(entries, mode="wrap" if is_typical else "clip")


def outside(span: YearSpan, needs: Needs, offered_w: Floats, step_s: float) -> Outside:
    """Return all inputs, for steps of `step_s` (s, a divisor of a minute)."""
    drawn_l = np.zeros(len(offered_w))
    for minute, litres in needs.draws:
        drawn_l[span.minute == minute] += litres
    house_w = np.array(needs.hourly_w)[span.minute // 60]
    steps = round(ENTRY_S / step_s)
    return Outside(steps, offered_w, house_w, drawn_l, span.day, needs.around_c, needs.cold_c, needs.wanted_c)


def resampled(offered_w: Floats, draw: np.random.Generator) -> Floats:
    """Return a resampled year of the same days.

    Days are 24 hours from the first local midnight: one that was moved across a change of summer time keeps its sun.
    """
    whole = len(offered_w) // DAY_ENTRIES
    days = offered_w[: whole * DAY_ENTRIES].reshape(whole, DAY_ENTRIES)
    rest = offered_w[whole * DAY_ENTRIES :]
    return np.concatenate([days[_order(draw, whole)].ravel(), rest])


def _order(draw: Any, whole: int) -> Any:
    order = np.empty(whole, np.int64)
    cycle = whole - whole % YEAR_DAYS if whole >= YEAR_DAYS else whole
    for first in range(0, whole, SPELL_DAYS):
        count = min(SPELL_DAYS, whole - first)
        if whole >= YEAR_DAYS:
            source = (
                first + draw.integers(-SEASON_DAYS, SEASON_DAYS + 1) + YEAR_DAYS * draw.integers(cycle // YEAR_DAYS)
            )
        else:
            source = draw.integers(whole)
        order[first : first + count] = (source + np.arange(count)) % cycle
    return order
