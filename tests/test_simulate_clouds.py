"""Clouds within the hour: they change nothing of its energy, and are as rough as those that were measured."""

import csv
from datetime import UTC, datetime, timedelta, timezone
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

np = pytest.importorskip("numpy")
pytest.importorskip("pvlib")

from dumpload.simulate.clouds import (  # noqa: E402
    Sky,
    beam_of_minutes,
    beam_parts,
    means,
    minute_grid,
    minutes_w,
    passages,
    sky_of,
)
from dumpload.simulate.weather import (  # noqa: E402
    MINUTE_S,
    Panels,
    Place,
    Weather,
    cloudless,
    offered_w,
    typical_year,
)

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning:pvlib", "ignore:.*dayofyear.*")

PANELS = [Panels(1000.0)]
PACKAGE = find_spec("pvanalytics")


def hours(beam_part: list[float], *, interval_s: float = 3600.0) -> Sky:
    """Return a sky of 100 W diffuse light and a beam of 800 W where the sun is out, at noon without end."""
    part = np.array(beam_part)
    minutes = round(interval_s / MINUTE_S)
    interval = np.repeat(np.arange(len(part)), minutes)
    return Sky(0.0, interval_s, np.full(len(part), 100.0), 800.0 * part, part, interval[::minutes] // 24, interval,
               np.ones(len(interval)))  # fmt: skip


SLOW_YEARS = [pytest.param(name, marks=pytest.mark.slow) for name in ("sand-point", "miami")]


@pytest.fixture(scope="module", params=["greensboro", *SLOW_YEARS])
def year(request: pytest.FixtureRequest) -> tuple[Sky, Any]:
    """A typical year, and W offered in each hour of it."""
    weather, place = typical_year(request.param)
    return sky_of(weather, place, PANELS), offered_w(weather, place, PANELS)


@pytest.mark.parametrize("clouds", [True, False])
def test_every_hour_of_a_year_keeps_its_energy(year: tuple[Sky, Any], clouds: bool) -> None:
    sky, hourly_w = year
    minutes = minutes_w(sky, np.random.default_rng(1), clouds=clouds)
    assert len(minutes) == 365 * 1440
    assert minutes.min() >= 0.0
    assert minutes.reshape(-1, 60).mean(axis=1) == pytest.approx(hourly_w, rel=1e-9, abs=1e-9)


def test_a_year_is_the_same_for_the_same_seed_and_another_for_another(year: tuple[Sky, Any]) -> None:
    first, same, other = (minutes_w(year[0], np.random.default_rng(seed), clouds=True) for seed in (1, 1, 2))
    assert first.tobytes() == same.tobytes()
    assert (first != other).mean() > 0.1


def test_no_minute_is_brighter_than_the_edge_of_a_cloud_was_ever_measured(year: tuple[Sky, Any]) -> None:
    """1528 W/m2 (Yordanov et al., IEEE J. Photovoltaics 3, abstract; checks: read), with the panels' losses of 14 %."""
    assert minutes_w(year[0], np.random.default_rng(1), clouds=True).max() < 1.528 * 0.86 * 1000.0


@settings(max_examples=25, deadline=None)
@given(parts=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30), seed=st.integers(0, 999))
def test_whatever_the_sky_an_hour_keeps_its_mean(parts: list[float], seed: int) -> None:
    sky = hours(parts)
    minutes = minutes_w(sky, np.random.default_rng(seed), clouds=True)
    assert means(minutes, sky.interval, len(parts)) == pytest.approx(sky.diffuse_w + sky.beam_w, rel=1e-9)
    assert minutes.min() >= 100.0 - 1e-9


def test_a_clear_and_a_dull_hour_have_no_passing_clouds() -> None:
    beam = beam_of_minutes(hours([1.0, 0.96, 0.02, 0.0]), np.random.default_rng(1))
    assert (beam == 1.0).all()


def test_a_mixed_hour_has_the_sun_out_and_hidden() -> None:
    """On most of 200 days (a veil that lets all through is a cloud, too)."""
    watts = minutes_w(hours([0.5] * 24 * 200), np.random.default_rng(1), clouds=True).reshape(200, -1)
    assert np.median(watts.max(axis=1)) == pytest.approx(900.0, rel=0.15)
    assert np.median(watts.min(axis=1)) < 400.0


def test_passages_add_up_to_the_time_hidden_and_are_of_many_lengths() -> None:
    """P(length) ~ length^-1.66 from 100 m: half of all clouds are shorter than 0.1 km 2^(1/0.66) = 286 m."""
    hidden = np.full(20_000, 36_000.0)
    clouds = passages(np.random.default_rng(1), hidden, np.full(20_000, 10.0))
    assert clouds.sum(axis=1) == pytest.approx(hidden)
    assert np.median(clouds[:, 0]) == pytest.approx(28.6, rel=0.03)
    assert clouds.min() >= 0.0


def test_an_even_haze_is_no_cloud() -> None:
    """All day long four fifths of the model's beam: that is how clear that day was."""
    clear = np.array([100.0, 500.0, 800.0, 500.0, 100.0])
    assert beam_parts(0.8 * clear, clear, np.zeros(5, int)) == pytest.approx(np.ones(5))
    assert beam_parts(clear * [1, 1, 0.5, 1, 1], clear, np.zeros(5, int))[2] == pytest.approx(0.5 / 0.7)
    assert beam_parts(0.0 * clear, clear, np.zeros(5, int)).max() == 0.0


def test_weather_of_minutes_has_its_own_clouds() -> None:
    sky = hours([0.5, 0.2, 0.9], interval_s=300.0)
    assert minutes_w(sky, np.random.default_rng(1), clouds=True) == pytest.approx(
        (sky.diffuse_w + sky.beam_w).repeat(5)
    )


def test_minutes_belong_to_the_interval_they_are_in_and_those_of_a_gap_to_the_nearest() -> None:
    began, interval_s, interval = minute_grid(np.array([1800.0, 5400.0, 16_200.0, 19_800.0]))
    assert (began, interval_s, len(interval)) == (0.0, 3600.0, 360)
    assert np.bincount(interval).tolist() == [60, 120, 120, 60]


def test_a_cloudless_sky_is_the_one_pvlib_documents() -> None:
    """50.8 N 1.1 W, 21 June 2026: 7.5918 kWh/m2 on the level, 1 % (checks: calculated with pvlib 0.16.1)."""
    times = datetime(2026, 6, 21, tzinfo=UTC).timestamp() + (np.arange(1440) + 0.5) * MINUTE_S
    zeros = np.zeros(len(times))
    place = Place(50.8, -1.1, 5.0)
    clear = cloudless(Weather(times, zeros, zeros, zeros + 15.0, zeros + 3.0), place, times)
    height = np.maximum(np.cos(np.radians(zenith(times, place))), 0.0)
    level = clear.direct_w_m2 * height + clear.diffuse_w_m2
    assert level.mean() * 24 / 1000 == pytest.approx(7.5918, rel=0.01)


def zenith(times: Any, place: Place) -> Any:
    import pandas as pd
    import pvlib

    moments = pd.DatetimeIndex(pd.to_datetime(times, unit="s", utc=True))
    sun = pvlib.solarposition.get_solarposition(moments, place.latitude_deg, place.longitude_deg, place.altitude_m)
    return sun["apparent_zenith"].to_numpy()


# Five-minute means of beam and diffuse light that pvanalytics 0.2.2 (MIT) has: the National Renewable Energy
# Laboratory's station at Golden, Colorado. Of its days those with at most three hours missing (mostly of the night).
GOLDEN = Place(39.742, -105.18, 1829.0)
MEASURED = (
    ("irradiance_RMIS_NREL.csv", "irradiance_dni__7982", "irradiance_dhi__7983",
     ((2019, 2, 1), (2019, 2, 2), (2019, 2, 5))),
    ("rmis_weather_data.csv", "Direct Normal", "Diffuse Horizontal",
     ((2022, 1, 1), (2022, 1, 2), (2022, 1, 3), (2022, 1, 4))),
)  # fmt: skip


def measured_days() -> list[Weather]:
    """Return the measured days, five minutes by five minutes; what is missing lies between its neighbours."""
    assert PACKAGE is not None
    assert PACKAGE.submodule_search_locations is not None
    days = []
    for name, direct, diffuse, dates in MEASURED:
        with (Path(PACKAGE.submodule_search_locations[0]) / "data" / name).open(newline="") as file:
            rows = {next(iter(row.values())): row for row in csv.DictReader(file)}
        for date in dates:
            ends = [
                datetime(*date, tzinfo=timezone(timedelta(hours=-7))) + timedelta(minutes=5 * (n + 1))
                for n in range(288)
            ]
            measured = [rows.get(f"{end.month}/{end.day}/{end.year} {end.hour}:{end.minute:02}", {}) for end in ends]
            columns = [np.array([float(row.get(key) or np.nan) for row in measured]) for key in (direct, diffuse)]
            times = np.array([end.timestamp() - 150.0 for end in ends])
            light = [np.maximum(filled(times, column), 0.0) for column in columns]
            days.append(Weather(times, *light, np.full(288, 5.0), np.full(288, 2.0)))
    return days


def filled(times: Any, column: Any) -> Any:
    known = np.isfinite(column)
    assert known.sum() >= 252
    return np.interp(times, times[known], column[known])


@pytest.mark.skipif(PACKAGE is None, reason="the package pvanalytics (measured irradiance) is not installed")
def test_drawn_clouds_are_about_as_rough_as_measured_ones() -> None:
    """Seven days, whose hours alone the model is given: steps of five minutes, and how much of the time it is sunny.

    Steps are 37.7 W of 1000 W panels where they were 33.6 W. All seven are winter days of one place.
    """
    steps: list[list[Any]] = [[], []]
    sunny: list[list[Any]] = [[], []]
    for day in measured_days():
        hourly = Weather(*(column.reshape(24, 12).mean(axis=1) for column in day))
        sky = sky_of(hourly, GOLDEN, PANELS)
        clear_w = offered_w(cloudless(day, GOLDEN, day.times), GOLDEN, PANELS)
        is_up = clear_w > 150.0
        drawn = [
            minutes_w(sky, np.random.default_rng(seed), clouds=True).reshape(288, 5).mean(axis=1) for seed in range(20)
        ]
        for kind, watts in enumerate(([offered_w(day, GOLDEN, PANELS)], drawn)):
            for power_w in watts:
                steps[kind].append(np.diff(power_w[is_up]))
                sunny[kind].append(power_w[is_up] > 0.8 * clear_w[is_up])
    rough, ours = (float(np.concatenate(part).std()) for part in steps)
    share, our_share = (float(np.concatenate(part).mean()) for part in sunny)
    assert ours == pytest.approx(rough, rel=0.25), (rough, ours)
    assert our_share == pytest.approx(share, abs=0.05), (share, our_share)
