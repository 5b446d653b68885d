"""A simulation from settings and weather to daily sums: the weather as it is, then years of the same days resampled."""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from dumpload.config.model import Settings
from dumpload.config.to_core import controller_setup
from dumpload.config.types import find_zone
from dumpload.simulate.boat import METER, Assumption, Installed, Meter, installed
from dumpload.simulate.clouds import FINE_S, Sky, minutes_w, sky_of
from dumpload.simulate.engine import COLUMNS, LOWEST, Clock
from dumpload.simulate.weather import (
    TYPICAL_YEARS,
    Floats,
    Panels,
    Place,
    Weather,
    WeatherError,
    read_weather,
    typical_year,
)
from dumpload.simulate.years import (
    DAY_ENTRIES,
    YearSpan,
    moved_to,
    on_span,
    outside,
    recorded_span,
    resampled,
    typical_span,
    zone_longitude_deg,
)

STEP_S = 10.0
TYPICAL = 1990  # the year into which typical years are laid
CHUNK = 30 * DAY_ENTRIES  # between two updates of progress, and two checks for an interrupt
NOISE_ROWS = 250_000  # about a month of messages, after which the same noise meets other weather
CLOUDS, ORDER, NOISE = range(3)  # what is drawn, each with a generator of its own


class WeatherSource(NamedTuple):
    """Weather of a simulation, where it was measured, and the longitude of the boat."""

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
    """Result of a simulation: the year of the weather itself, then the resampled years."""

    source: WeatherSource
    boat: Installed
    span: YearSpan
    run: YearRun
    others: tuple[YearRun, ...]
    seed: int
    assumed: tuple[Assumption, ...]


class SimulationInterrupted(KeyboardInterrupt):
    """The simulation was interrupted; the message says in which year."""


def find_weather(name: str | None, settings: Settings) -> tuple[WeatherSource, list[Assumption]]:
    """Return the weather of that name, a file's or a typical year's; None: the typical year nearest in latitude.

    Raises:
        WeatherError: there is no such weather, or it needs a place that the settings do not have.
    """
    solar = settings.solar
    assumed: list[Assumption] = []
    if name is not None and name not in TYPICAL_YEARS:
        if solar.latitude is None or solar.longitude is None:
            msg = f"--weather {name}: expected solar.latitude and solar.longitude of where it was measured"
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
    seed: int = 0,
    clouds: bool = True,
    meter: Meter = METER,
) -> Simulation:
    """Simulate the boat through the weather of that name, and through `years` resampled from it.

    `run_steps`: `engine.run_steps`, or its compiled form. `seed`: clouds within the hour, noise and the order of days
    are the same for the same one. `clouds` False: even haze within every interval of the weather.

    Raises:
        BoatError: the settings do not say enough.
        WeatherError: the weather cannot be used.
        SimulationInterrupted: a person ended it; nothing of a part is returned.
    """
    boat = installed(settings, step_s, meter)
    source, assumed = find_weather(name, settings)
    schedule, zone = controller_setup(settings).schedule(), find_zone(settings.permissive.timezone)
    # Span first, so that weather with a gap of years is refused before it is laid out in minutes.
    span = typical_span(schedule, zone, TYPICAL) if source.is_typical else recorded_span(schedule, zone, source.weather)
    sky = sky_at_home(source, boat)
    assumed += cloud_assumptions(sky, clouds=clouds)
    runs: list[YearRun] = []
    try:
        for number in range(years + 1):
            offered, noise = drawn_year(source, span, sky, seed, number, clouds=clouds)
            watch_year = partial(_watched, watch, number, years + 1)
            runs.append(run_year(boat, span, offered, noise, run_steps, step_s, watch_year))
    except KeyboardInterrupt:
        msg = f"interrupted in year {len(runs) + 1} of {years + 1}; an incomplete run gives no result"
        raise SimulationInterrupted(msg) from None
    return Simulation(source, boat, span, runs[0], tuple(runs[1:]), seed, (*assumed, *boat.assumed))


def _watched(watch: Callable[[float], None], number: int, years: int, part: float) -> None:
    watch((number + part) / years)


def sky_at_home(source: WeatherSource, boat: Installed) -> Sky:
    """Return the power of the panels in this weather, with solar noon shifted to the boat's longitude."""
    sky = sky_of(source.weather, source.place, [Panels(*string) for string in boat.strings])
    return moved_to(sky, source.place, source.home_longitude_deg) if source.is_typical else sky


def drawn_year(
    source: WeatherSource, span: YearSpan, sky: Sky, seed: int, number: int, *, clouds: bool
) -> tuple[Floats, Floats]:
    """Return W offered and noise of a year: number 0 has the days of the weather, the others have them resampled."""
    draws = [np.random.default_rng((seed, number, what)) for what in (CLOUDS, ORDER, NOISE)]
    offered = on_span(span, sky, minutes_w(sky, draws[CLOUDS], clouds=clouds), is_typical=source.is_typical)
    noise = draws[NOISE].standard_normal((NOISE_ROWS, 2))
    return (resampled(offered, draws[ORDER]) if number else offered), noise


def cloud_assumptions(sky: Sky, *, clouds: bool) -> list[Assumption]:
    """Return what is assumed of the clouds within an interval of the weather."""
    if sky.interval_s <= FINE_S:
        return []
    if not clouds:
        return [Assumption("clouds", f"even haze within each {sky.interval_s / 60:g} minutes of the weather")]
    text = (
        f"drawn within each {sky.interval_s / 60:g} minutes of the weather, keeping its energy (sizes after Wood and "
        "Field 2011, winds after Mathiesen 2013); how much a cloud lets through is our choice"
    )
    return [Assumption("clouds", text)]


def run_year(
    boat: Installed,
    span: YearSpan,
    offered: Floats,
    noise: Floats,
    run_steps: Callable[..., Any],
    step_s: float,
    watch: Callable[[float], None] = lambda _part: None,
) -> YearRun:
    """Return the daily sums of one year, with the load and without; the same `noise` (see `engine`) for both."""
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
                boat.plant, boat.law, boat.telemetry, now, around, clock, span.locals_, noise, heated, begin, end, daily
            )
            watch((half + end / entries) / 2)
        sums.append(daily)
    return YearRun(*sums)
