"""A simulation from settings and weather to daily sums: the weather as it is, then years of the same days resampled."""

from collections.abc import Callable
from itertools import chain
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from dumpload.config.model import Settings
from dumpload.config.to_core import controller_setup
from dumpload.config.types import find_zone
from dumpload.simulate.boat import Assumption, Installed, installed
from dumpload.simulate.engine import COLUMNS, LOWEST, Clock
from dumpload.simulate.weather import (
    TYPICAL_YEARS,
    Floats,
    Panels,
    Place,
    Weather,
    WeatherError,
    offered_w,
    read_weather,
    typical_year,
)
from dumpload.simulate.years import (
    DAY_ENTRIES,
    YearSpan,
    moved_to,
    offered_minutes,
    outside,
    recorded_span,
    resampled,
    typical_span,
    zone_longitude_deg,
)

STEP_S = 10.0
TYPICAL = 1990  # the year into which typical years are laid
CHUNK = 30 * DAY_ENTRIES  # so often progress is shown, and an interrupt noticed


class WeatherSource(NamedTuple):
    """The weather of a simulation: its name, where its sun was measured, where the boat is, what it was taken for."""

    name: str
    weather: Weather
    place: Place
    is_typical: bool
    home_longitude_deg: float


class YearRun(NamedTuple):
    """Daily sums (see `engine`) of one year with the load, and with a relay that never closes."""

    with_load: Floats
    without: Floats


class Simulation(NamedTuple):
    """What came of it: the weather as it is, and as many resampled years as were asked for."""

    source: WeatherSource
    boat: Installed
    span: YearSpan
    run: YearRun
    others: tuple[YearRun, ...]
    assumed: tuple[Assumption, ...]


class SimulationInterrupted(KeyboardInterrupt):
    """A person ended the simulation; the text says how far it was."""


def find_weather(name: str | None, settings: Settings) -> tuple[WeatherSource, list[Assumption]]:
    """Return the weather of that name, a file's or a typical year's; None: the typical year nearest in latitude.

    Raises:
        WeatherError: there is no such weather, or it needs a place that the settings do not have.
    """
    solar = settings.solar
    assumed: list[Assumption] = []
    if name is not None and name not in TYPICAL_YEARS:
        if solar.latitude is None or solar.longitude is None:
            msg = f"--weather {name}: expected solar.latitude and solar.longitude to be set, where that was measured"
            raise WeatherError(msg)
        place = Place(solar.latitude, solar.longitude, solar.altitude_m or 0.0)
        return WeatherSource(name, read_weather(Path(name)), place, False, solar.longitude), assumed
    years = {known: typical_year(known) for known in ([name] if name else TYPICAL_YEARS)}
    if solar.latitude is not None and solar.latitude < 0:
        msg = f"solar.latitude = {solar.latitude:g}: expected north of the equator for a typical year; name a file"
        raise WeatherError(msg)
    if name is None:
        name = "greensboro"
        if solar.latitude is not None:
            name = min(years, key=lambda known: abs(years[known][1].latitude_deg - float(solar.latitude or 0.0)))
        assumed.append(
            Assumption("--weather", f"{name}{', nearest in latitude' if solar.latitude is not None else ''}")
        )
    weather, place = years[name]
    home_deg = solar.longitude
    if home_deg is None:
        home_deg = zone_longitude_deg(find_zone(settings.permissive.timezone), TYPICAL)
        assumed.append(
            Assumption("solar.longitude", f"{home_deg:g} deg, where noon is at 12:00 of permissive.timezone")
        )
    return WeatherSource(name, weather, place, True, home_deg), assumed


def simulate(
    settings: Settings,
    name: str | None,
    years: int,
    run_steps: Callable[..., Any],
    watch: Callable[[float], None] = lambda _part: None,
    *,
    step_s: float = STEP_S,
) -> Simulation:
    """Simulate the boat through the weather of that name, and through `years` resampled from it.

    `run_steps`: `engine.run_steps`, or its compiled form.

    Raises:
        BoatError: the settings do not say enough.
        WeatherError: the weather cannot be used.
        SimulationInterrupted: a person ended it; nothing of a part is returned.
    """
    boat = installed(settings, step_s)
    source, assumed = find_weather(name, settings)
    schedule, zone = controller_setup(settings).schedule(), find_zone(settings.permissive.timezone)
    watts = offered_w(source.weather, source.place, [Panels(*one) for one in boat.strings])
    weather = source.weather
    if source.is_typical:
        weather = moved_to(weather, source.place, source.home_longitude_deg)
        span = typical_span(schedule, zone, TYPICAL)
    else:
        span = recorded_span(schedule, zone, weather)
    minutes = offered_minutes(span, weather, watts, is_typical=source.is_typical)
    runs: list[YearRun] = []
    try:
        for number, offered in enumerate(chain([minutes], resampled(minutes, years))):
            runs.append(
                run_year(boat, span, offered, run_steps, step_s, lambda part: watch((number + part) / (years + 1)))  # noqa: B023  (called within)
            )
    except KeyboardInterrupt:
        msg = f"interrupted in year {len(runs) + 1} of {years + 1}; nothing is shown for a part of it"
        raise SimulationInterrupted(msg) from None
    return Simulation(source, boat, span, runs[0], tuple(runs[1:]), (*assumed, *boat.assumed))


def run_year(
    boat: Installed,
    span: YearSpan,
    offered: Floats,
    run_steps: Callable[..., Any],
    step_s: float,
    watch: Callable[[float], None] = lambda _part: None,
) -> YearRun:
    """Return the daily sums of one year, with the load and without."""
    around = outside(span, boat.needs, offered, step_s)
    clock, entries = Clock(step_s, span.began), len(span.day)
    sums = []
    for half, heated in enumerate((True, False)):
        daily = np.zeros((int(span.day[-1]) + 1, COLUMNS))
        daily[:, LOWEST] = np.inf
        now = boat.start
        for begin in range(0, entries, CHUNK):
            end = min(begin + CHUNK, entries)
            now = run_steps(
                boat.plant, boat.law, boat.telemetry, now, around, clock, span.locals_, heated, begin, end, daily
            )
            watch((half + end / entries) / 2)
        sums.append(daily)
    return YearRun(*sums)
