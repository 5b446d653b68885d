"""What comes from outside, minute by minute: local days, draws by the clock, the sun where it was, other years."""

from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

np = pytest.importorskip("numpy")
pytest.importorskip("pvlib")
pytest.importorskip("numba")

from dumpload.core.window import Schedule  # noqa: E402
from dumpload.simulate.boat import Needs  # noqa: E402
from dumpload.simulate.clouds import Sky  # noqa: E402
from dumpload.simulate.weather import Place, Weather, WeatherError  # noqa: E402
from dumpload.simulate.years import (  # noqa: E402
    DAY_ENTRIES,
    moved_to,
    on_span,
    outside,
    recorded_span,
    resampled,
    typical_span,
    zone_longitude_deg,
)

LONDON = ZoneInfo("Europe/London")
NEEDS = Needs(tuple(float(hour) for hour in range(24)), ((7 * 60, 12.0), (19 * 60, 8.0)), 18.0, 10.0, 40.0)
JUNE = 1_749_945_600.0  # 2025-06-15 00:00 UTC


def weather(times: list[float]) -> Weather:
    zeros = np.zeros(len(times))
    return Weather(np.array(times), zeros, zeros, zeros, zeros)


def sky(began: float) -> Sky:
    nothing = np.zeros(1)
    return Sky(began, 3600.0, nothing, nothing, nothing, nothing, nothing, nothing)


def test_a_year_has_every_local_day_the_two_of_summer_time_included() -> None:
    """1990 in London: clocks went forward on 25 March, back on 28 October (IANA's zones)."""
    span = typical_span(Schedule((), LONDON), LONDON, 1990)
    minutes = np.bincount(span.day)
    assert len(span.days) == len(minutes) == 365
    assert {day: n for day, n in enumerate(minutes.tolist()) if n != DAY_ENTRIES} == {83: 1380, 300: 1500}


def test_draws_and_house_follow_the_clock_of_the_zone() -> None:
    span = typical_span(Schedule((), LONDON), LONDON, 1990)
    around = outside(span, NEEDS, np.zeros(len(span.day)), 10.0)
    assert np.bincount(span.day, around.drawn_l) == pytest.approx([20.0] * 365)
    first = np.flatnonzero(around.drawn_l)[::2]
    unix = span.began + first * 60.0
    assert {(t % 86_400) / 3600 for t in unix.tolist()} == {7.0, 6.0}  # winter and summer time
    assert around.house_w[first].tolist() == [7.0] * 365
    assert around.steps == 6


def test_the_sun_of_another_place_is_moved_to_the_noon_of_home() -> None:
    assert moved_to(sky(0.0), Place(36.1, -80.0), 10.0).began == -6 * 3600.0
    assert moved_to(sky(0.0), Place(36.1, -80.1), 10.0).began == -6 * 3600.0  # 24 s less, to the minute


def test_a_typical_year_begins_again_after_its_end() -> None:
    span = typical_span(Schedule((), UTC), UTC, 1990)
    minutes = np.arange(float(len(span.day)))
    home = on_span(span, sky(span.began - 7200.0), minutes, is_typical=True)
    assert (home[0], home[-121], home[-1]) == (120.0, len(minutes) - 1, 119.0)


@pytest.mark.parametrize(
    ("zone", "degrees"), [("Europe/London", 0.0), ("America/New_York", -75.0), ("Asia/Kolkata", 82.5)]
)
def test_a_zone_has_the_longitude_of_its_standard_time(zone: str, degrees: float) -> None:
    assert zone_longitude_deg(ZoneInfo(zone), 1990) == degrees


def test_a_recorded_weather_gives_its_whole_local_days() -> None:
    times = [JUNE - 5 * 3600 + 1800 + 3600 * hour for hour in range(60)]
    span = recorded_span(Schedule((), UTC), UTC, weather(times))
    assert [day.day for day in span.days] == [15, 16]
    assert span.began == JUNE
    watts = on_span(span, sky(times[0] - 1800.0), np.arange(60.0).repeat(60), is_typical=False)
    assert watts[[0, 59, 60, -1]].tolist() == [5.0, 5.0, 6.0, 52.0]


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        ([JUNE + 3600 * hour for hour in range(20)], "0 whole days: expected from one local day"),
        ([JUNE + 3600 * hour for hour in (*range(20), *range(24, 60))], "a gap of 5.0 h after 2025-06-15T19:00Z"),
        ([JUNE], "0 whole days"),
    ],
)
def test_weather_too_short_or_with_a_gap_is_refused(times: list[float], expected: str) -> None:
    with pytest.raises(WeatherError) as caught:
        recorded_span(Schedule((), UTC), UTC, weather(times))
    assert expected in str(caught.value)


def test_other_years_have_the_same_days_of_the_same_season_in_another_order() -> None:
    minutes = np.repeat(np.arange(365.0), DAY_ENTRIES)
    others = [resampled(minutes, np.random.default_rng(seed)) for seed in range(3)]
    for year in others:
        days = year.reshape(365, DAY_ENTRIES)
        assert (days == days[:, :1]).all()  # whole days
        apart = np.abs(days[:, 0] - np.arange(365))
        assert np.minimum(apart, 365 - apart).max() <= 15
        assert np.count_nonzero(np.diff(days[:, 0]) == 1) >= 365 * 2 // 3 - 3  # in spells of three
    assert not (others[0] == others[1]).all()


def test_a_few_days_are_resampled_among_themselves() -> None:
    minutes = np.repeat(np.arange(4.0), DAY_ENTRIES)
    other = resampled(minutes, np.random.default_rng(1))
    assert set(other.tolist()) <= {0.0, 1.0, 2.0, 3.0}
    assert len(other) == len(minutes)
