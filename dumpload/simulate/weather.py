"""Weather to the power that panels offer, by the chain that pvlib documents as PVWatts. Home of pvlib (extra `solar`).

Sun's position, sky model of Perez, reflection at the glass, cell temperature, a constant temperature coefficient,
losses of 14 %. Against the year that PVWatts itself published for Denver (in pvlib's source archive) it comes to 0.9987
of the energy; a test says so.
"""

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import pvlib

from dumpload.files import read_plain

# Typical years in pvlib's own wheel (public data of a national laboratory): name, file, how to read it.
TYPICAL_YEARS = {
    "greensboro": ("723170TYA.CSV", "tmy3"),
    "sand-point": ("703165TY.csv", "tmy3"),
    "miami": ("12839.tm2", "tmy2"),
}
# PVWatts version 5, standard module: power lost per kelvin above 25 degC (read in pvlib's documentation).
POWER_PER_K = -0.0047
# Cells of glass and polymer on an open rack (read in pvlib's table of parameters).
MOUNTING = ("sapm", "open_rack_glass_polymer")
ALBEDO = 0.2

COLUMNS = ("time", "direct_w_m2", "diffuse_w_m2", "air_c", "wind_m_s")

# Range of each column; beyond it the unit is wrong or the sensor failed (our choice, no source).
BOUNDS = {
    "time": (0.0, 7_258_118_400.0),
    "direct_w_m2": (-20.0, 1500.0),
    "diffuse_w_m2": (-20.0, 1500.0),
    "air_c": (-60.0, 60.0),
    "wind_m_s": (0.0, 100.0),
}
MOST_BYTES = 256_000_000
MINUTE_S = 60.0

Floats = np.ndarray[Any, np.dtype[np.float64]]


class Place(NamedTuple):
    """Where: degrees north and east, metres above the sea."""

    latitude_deg: float
    longitude_deg: float
    altitude_m: float = 0.0


class Panels(NamedTuple):
    """One string of panels. `tilt_deg`: 0 is flat. `azimuth_deg`: 180 is south."""

    peak_w: float
    tilt_deg: float = 0.0
    azimuth_deg: float = 180.0


class Weather(NamedTuple):
    """Weather, interval by interval: the middle of each (Unix s), beam and diffuse irradiance, air and wind."""

    times: Floats
    direct_w_m2: Floats
    diffuse_w_m2: Floats
    air_c: Floats
    wind_m_s: Floats


class WeatherError(Exception):
    """The weather is unusable; the message says why."""


def typical_year(name: str) -> tuple[Weather, Place]:
    """Return one of `TYPICAL_YEARS` and where it was measured. Its hours are laid into 1990.

    Raises:
        WeatherError: there is no such year.
    """
    if name not in TYPICAL_YEARS:
        msg = f"weather {name!r}: expected a file, or one of {', '.join(TYPICAL_YEARS)}"
        raise WeatherError(msg)
    file, kind = TYPICAL_YEARS[name]
    path = Path(pvlib.__file__).parent / "data" / file
    if kind == "tmy3":
        data, place = pvlib.iotools.read_tmy3(path, coerce_year=1990, map_variables=True)
        columns = ("dni", "dhi", "temp_air", "wind_speed")
    else:
        data, place = pvlib.iotools.read_tmy2(path)
        data.index = data.index.map(lambda moment: moment.replace(year=1990))
        columns = ("DNI", "DHI", "DryBulb", "Wspd")
    # An hour is labelled by its end (tmy3) or its beginning (tmy2, as pvlib reads it); its sun is that of its middle.
    middle = pd.Timedelta(minutes=-30 if kind == "tmy3" else 30)
    direct, diffuse, air, wind = (data[column].to_numpy(dtype=float) for column in columns)
    scale = 0.1 if kind == "tmy2" else 1.0  # that format has tenths of degrees and of metres per second
    weather = Weather(_unix(data.index + middle), direct, diffuse, air * scale, wind * scale)
    return _in_order(weather), Place(place["latitude"], place["longitude"], place["altitude"])


def read_weather(path: Path) -> Weather:
    """Return the weather in a CSV file with the columns `COLUMNS`; `time` is RFC 3339, the middle of its interval.

    Raises:
        WeatherError: it cannot be read, a column is missing, a cell is no number, or times do not rise.
    """
    try:
        rows = list(csv.DictReader(io.StringIO(read_plain(path, MOST_BYTES).decode("utf-8-sig"), newline="")))
    except (OSError, ValueError, csv.Error) as error:
        msg = f"{path}: expected a CSV file of weather: {error}"
        raise WeatherError(msg) from None
    if not rows or (missing := [name for name in COLUMNS if name not in rows[0]]):
        msg = f"{path}: expected rows with the columns {', '.join(COLUMNS)}" + (
            f"; {missing[0]} is not there" if rows else ""
        )
        raise WeatherError(msg)
    numbers = [[_number(path, line, name, row[name]) for name in COLUMNS] for line, row in enumerate(rows, 2)]
    weather = Weather(*np.array(numbers).T)
    if not np.all(np.diff(weather.times) > 0):
        line = int(np.argmin(np.diff(weather.times) > 0)) + 3
        msg = f"{path}, line {line}: column time: expected later than the line before"
        raise WeatherError(msg)
    return by_minute(weather)


def by_minute(weather: Weather) -> Weather:
    """Return weather finer than a minute as minute means, so that no row is skipped."""
    if len(weather.times) < 2 or np.median(np.diff(weather.times)) >= MINUTE_S:  # noqa: PLR2004  (no difference)
        return weather
    minutes, row = np.unique(np.floor(weather.times / MINUTE_S), return_inverse=True)
    _, *columns = (np.bincount(row, column) / np.bincount(row) for column in weather)
    return Weather((minutes + 0.5) * MINUTE_S, *columns)


def _number(path: Path, line: int, name: str, text: str) -> float:
    try:
        value = pd.Timestamp(text).timestamp() if name == "time" else float(text)
    except (TypeError, ValueError):
        value = np.nan
    low, high = BOUNDS[name]
    if not low <= value <= high:  # NaN is neither
        expected = "a time (RFC 3339) from 1970 to 2200" if name == "time" else f"a number from {low:g} to {high:g}"
        msg = f"{path}, line {line}: column {name}: {str(text)[:40]!r}: expected {expected}"
        raise WeatherError(msg)
    return float(value)


def _unix(moments: Any) -> Floats:
    return np.asarray(moments.tz_convert("UTC").as_unit("ns").asi8, dtype=np.float64) / 1e9


def _in_order(weather: Weather) -> Weather:
    order = np.argsort(weather.times, kind="stable")
    return Weather(*(column[order] for column in weather))


def offered_w(weather: Weather, place: Place, strings: Sequence[Panels]) -> Floats:
    """Return the maximum power (W) of the panels in each interval of the weather."""
    moments = pd.DatetimeIndex(pd.to_datetime(weather.times, unit="s", utc=True))
    sun = pvlib.solarposition.get_solarposition(moments, place.latitude_deg, place.longitude_deg, place.altitude_m)
    total: Floats = np.zeros(len(moments))
    for panels in strings:
        total += _of_string(weather, sun, panels)
    return total


def cloudless(weather: Weather, place: Place, times: Floats) -> Weather:
    """Return a cloudless sky at these times (Unix s), with the air and wind of the weather.

    By Ineichen and Perez, with the turbidity of the month there that pvlib's wheel has (Meteotest's maps).
    """
    moments = pd.DatetimeIndex(pd.to_datetime(times, unit="s", utc=True))
    location = pvlib.location.Location(place.latitude_deg, place.longitude_deg, "UTC", place.altitude_m)
    clear = location.get_clearsky(moments)
    air_c, wind_m_s = (np.interp(times, weather.times, column) for column in (weather.air_c, weather.wind_m_s))
    return Weather(times, clear["dni"].to_numpy(), clear["dhi"].to_numpy(), air_c, wind_m_s)


def _of_string(weather: Weather, sun: Any, panels: Panels) -> Floats:
    zenith, azimuth = sun["apparent_zenith"], sun["azimuth"]
    direct, diffuse = pd.Series(weather.direct_w_m2, sun.index), pd.Series(weather.diffuse_w_m2, sun.index)
    level = direct * np.maximum(np.cos(np.radians(zenith)), 0.0) + diffuse
    plane = pvlib.irradiance.get_total_irradiance(
        panels.tilt_deg, panels.azimuth_deg, zenith, azimuth, direct, level, diffuse,
        dni_extra=pvlib.irradiance.get_extra_radiation(sun.index),
        airmass=pvlib.atmosphere.get_relative_airmass(zenith),
        albedo=ALBEDO,
        model="perez",
    ).fillna(0.0)  # fmt: skip
    angle = pvlib.irradiance.aoi(panels.tilt_deg, panels.azimuth_deg, zenith, azimuth)
    through = plane["poa_direct"] * pvlib.iam.physical(angle).fillna(0.0) + plane["poa_diffuse"]
    model, mounting = MOUNTING
    parameters = pvlib.temperature.TEMPERATURE_MODEL_PARAMETERS[model][mounting]
    cell_c = pvlib.temperature.sapm_cell(plane["poa_global"], weather.air_c, weather.wind_m_s, **parameters)
    watts = pvlib.pvsystem.pvwatts_dc(through, cell_c, panels.peak_w, POWER_PER_K)
    left = 1.0 - pvlib.pvsystem.pvwatts_losses() / 100.0
    best: Floats = np.maximum(np.asarray(watts, dtype=np.float64) * left, 0.0)
    return best
