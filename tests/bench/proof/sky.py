"""What the panels of a world could give, every five seconds: an hour of a typical year, and clouds within it.

The years are those in pvlib's wheel (public data of a national laboratory), read by pvlib. Of pvlib's models only the
sun's position is used; the plane, the temperature of the cells and the clouds are written here. Within an hour the sky
is a two-state Markov process between a clear and a clouded level, and what it gives is scaled to that hour's measured
mean: the hours are real, the minutes are not.
"""

from pathlib import Path
from typing import Any, NamedTuple

import numba
import numpy as np
import pandas as pd
import pvlib

STEP_S = 5
STEPS_PER_DAY = 86_400 // STEP_S
STEPS_PER_HOUR = 3_600 // STEP_S
# Sun's position is worked out this often, and straight lines are drawn between.
SUN_S = 300
YEAR = 2023  # any year of 365 days

YEARS = {"greensboro": "723170TYA.CSV", "sand-point": "703165TY.csv", "miami": "12839.tm2"}

Floats = np.ndarray[Any, np.dtype[np.float64]]


class Place(NamedTuple):
    """Degrees north and east, metres, and hours that local standard time is ahead of UTC."""

    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    zone_h: int


class Year(NamedTuple):
    """A year of hours, the first from 00:00 to 01:00 of the 1st of January: W/m2 and degC."""

    place: Place
    level: Floats
    beam: Floats
    diffuse: Floats
    air_c: Floats


class Panels(NamedTuple):
    """Rated power (W), tilt and azimuth (degrees; 180 is south), and what is behind trees from which azimuth on."""

    peak_w: float
    tilt_deg: float = 0.0
    azimuth_deg: float = 180.0
    derate: float = 0.86
    shaded_from_deg: float = 360.0
    shaded_to: float = 1.0


class Sun(NamedTuple):
    """Where the sun is at each step: cosine of its zenith, cosine on the panels, azimuth (degrees)."""

    height: Floats
    facing: Floats
    azimuth_deg: Floats


def read_year(name: str) -> Year:
    """Return a typical year. Both formats count their hours from 00:00 of local standard time."""
    file = Path(pvlib.__file__).parent / "data" / YEARS[name]
    if file.suffix == ".tm2":
        data, place = pvlib.iotools.read_tmy2(file)
        columns, scale = ("GHI", "DNI", "DHI", "DryBulb"), 0.1  # that format has tenths of a degree
    else:
        data, place = pvlib.iotools.read_tmy3(file, coerce_year=YEAR, map_variables=True)
        columns, scale = ("ghi", "dni", "dhi", "temp_air"), 1.0
    level, beam, diffuse, air = (data[column].to_numpy(dtype=np.float64) for column in columns)
    where = Place(place["latitude"], place["longitude"], place["altitude"], int(place["TZ"]))
    return Year(where, level, beam, diffuse, air * scale)


def start_of(place: Place, first_day: int) -> int:
    """Return local midnight of a day of the year (0 is the 1st of January) in Unix seconds."""
    first = pd.Timestamp(f"{YEAR}-01-01", tz="UTC") + pd.Timedelta(days=first_day, hours=-place.zone_h)
    return int(first.timestamp())


def sun_at(place: Place, panels: Panels, begins: int, days: int) -> Sun:
    """Return where the sun is, in the middle of every step."""
    coarse = begins + np.arange(0, days * 86_400 + SUN_S, SUN_S)
    moments = pd.to_datetime(coarse, unit="s", utc=True)
    sun = pvlib.solarposition.get_solarposition(moments, place.latitude_deg, place.longitude_deg, place.altitude_m)
    zenith, azimuth = np.radians(sun["apparent_zenith"].to_numpy()), np.radians(sun["azimuth"].to_numpy())
    tilt, towards = np.radians(panels.tilt_deg), np.radians(panels.azimuth_deg)
    facing = np.cos(zenith) * np.cos(tilt) + np.sin(zenith) * np.sin(tilt) * np.cos(azimuth - towards)
    middle = begins + (np.arange(days * STEPS_PER_DAY) + 0.5) * STEP_S
    height = np.maximum(np.interp(middle, coarse, np.cos(zenith)), 0.0)
    facing = np.where(height > 0.0, np.maximum(np.interp(middle, coarse, facing), 0.0), 0.0)
    return Sun(height, facing, np.interp(middle, coarse, np.degrees(azimuth)))


def clear_plane(panels: Panels, sun: Sun) -> Floats:
    """Return what a cloudless sky gives on the panels (W/m2). Beam by air mass as Meinel has it (from memory)."""
    up = np.maximum(sun.height, 0.02)
    beam = np.where(sun.height > 0.02, 1353.0 * 0.7 ** (up**-0.678), 0.0)
    sky = 0.5 * (1.0 + np.cos(np.radians(panels.tilt_deg)))
    return beam * sun.facing + 90.0 * np.sqrt(sun.height) * sky


def hourly_plane(year: Year, panels: Panels, sun: Sun, first_day: int) -> Floats:
    """Return the mean on the panels in each hour (W/m2), of an isotropic sky and a ground that gives back a fifth."""
    hours = len(sun.height) // STEPS_PER_HOUR
    at = (first_day * 24 + np.arange(hours)) % len(year.level)
    facing, height = (column.reshape(hours, -1).mean(axis=1) for column in (sun.facing, sun.height))
    lean = np.cos(np.radians(panels.tilt_deg))
    flat = np.maximum(year.level[at] - year.diffuse[at], 0.0)
    # Beam normal to the sun by way of the hour's mean height: at sunrise the measured one has another sun.
    beam = np.where(height > 0.05, np.minimum(flat / np.maximum(height, 0.05), year.beam[at] + 30.0), 0.0)
    return beam * facing + year.diffuse[at] * (1 + lean) / 2 + year.level[at] * 0.2 * (1 - lean) / 2


@numba.njit(cache=True)
def clouds(clearness: Floats, steps_per_hour: int, step_s: float, cloud_s: float, seed: int) -> Floats:
    """Return the sky in each step as a part of the cloudless one, hour by hour of a given mean clearness.

    A cloud passes in `cloud_s` on average, an exponential time; the clear spells are as long as the mean needs.
    """
    np.random.seed(seed)
    levels = np.empty(len(clearness) * steps_per_hour)
    is_clear, wander = True, 0.0
    for hour in range(len(clearness)):
        dark, bright = 0.30, 1.04 + 0.04 * np.random.random()
        share = min(max((clearness[hour] - dark) / (bright - dark), 0.0), 1.0)
        is_mixed = 0.04 < share < 0.96
        clear_s = cloud_s * share / (1.0 - share) if is_mixed else 0.0
        for step in range(steps_per_hour):
            wander += -wander * step_s / 900.0 + 0.012 * np.sqrt(step_s / 60.0) * np.random.standard_normal()
            if not is_mixed:
                is_clear = share >= 0.5
                level = clearness[hour]
            else:
                leave_s = max(clear_s, 20.0) if is_clear else cloud_s
                if np.random.random() < step_s / leave_s:
                    is_clear = not is_clear
                level = bright if is_clear else dark
            levels[hour * steps_per_hour + step] = max(level * (1.0 + wander), 0.0)
    return levels


def offered_w(year: Year, panels: Panels, first_day: int, days: int, *, cloud_s: float, seed: int) -> Floats:
    """Return the power (W) that the panels could give in each step."""
    sun = sun_at(year.place, panels, start_of(year.place, first_day), days)
    clear, wanted = clear_plane(panels, sun), hourly_plane(year, panels, sun, first_day)
    hours = len(wanted)
    mean = clear.reshape(hours, -1).mean(axis=1)
    clearness = np.where(mean > 5.0, wanted / np.maximum(mean, 5.0), 0.0)
    sky = clouds(np.minimum(clearness, 1.15), STEPS_PER_HOUR, float(STEP_S), cloud_s, seed)
    sky = np.convolve(sky, np.full(5, 0.2), mode="same")  # the edge of a cloud takes 25 s over the panels
    plane = clear * sky
    given = plane.reshape(hours, -1).mean(axis=1)
    scale = np.clip(np.where(given > 1.0, wanted / np.maximum(given, 1.0), 1.0), 0.4, 1.6)
    plane *= np.repeat(scale, STEPS_PER_HOUR)
    plane *= np.where(sun.azimuth_deg > panels.shaded_from_deg, panels.shaded_to, 1.0)
    at = (first_day * 24 + np.arange(hours)) % len(year.air_c)
    cell_c = np.repeat(year.air_c[at], STEPS_PER_HOUR) + plane * (47.0 - 20.0) / 800.0  # nominal cell temperature 47
    return np.maximum(panels.peak_w * panels.derate * plane / 1000.0 * (1.0 - 0.0042 * (cell_c - 25.0)), 0.0)
