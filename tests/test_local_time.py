"""Local days are as long as they are, and no second is lost or counted twice among them."""

from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.report.local_time import (
    Span,
    by_clock_hour,
    clock_hour,
    local_date,
    local_days,
    midnight,
    next_midnight,
)

HOUR_S = 3600.0
LONDON = ZoneInfo("Europe/London")
KATHMANDU = ZoneInfo("Asia/Kathmandu")
ZONES = (LONDON, KATHMANDU, UTC, ZoneInfo("Australia/Lord_Howe"), ZoneInfo("America/Havana"))
FIRST = datetime(2025, 1, 1, tzinfo=UTC).timestamp()
MOMENTS = st.floats(0.0, 365 * 86_400.0).map(lambda after_s: FIRST + after_s)


def wall(zone: tzinfo, *when: int) -> float:
    return datetime(*when, tzinfo=zone).timestamp()  # type: ignore[arg-type,misc]


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        (LONDON, date(2025, 3, 29), 24),
        (LONDON, date(2025, 3, 30), 23),
        (LONDON, date(2025, 10, 26), 25),
        (KATHMANDU, date(2025, 3, 30), 24),
        (UTC, date(2025, 10, 26), 24),
    ],
)
def test_a_day_lasts_from_midnight_to_midnight(zone: tzinfo, day: date, hours: int) -> None:
    begin = midnight(day, zone)
    (found,) = local_days(begin + 60, begin + 120, zone)
    assert found == (day, Span(begin, begin + hours * HOUR_S))
    assert datetime.fromtimestamp(found[1].end, zone).strftime("%H:%M") == "00:00"


def test_midnight_in_a_zone_of_quarters() -> None:
    """Nepal is 5 h 45 min ahead."""
    assert midnight(date(2025, 6, 16), KATHMANDU) == wall(UTC, 2025, 6, 15, 18, 15)
    assert next_midnight(wall(UTC, 2025, 6, 15, 18, 14), KATHMANDU) == wall(UTC, 2025, 6, 15, 18, 15)
    assert next_midnight(wall(UTC, 2025, 6, 15, 18, 15), KATHMANDU) == wall(UTC, 2025, 6, 16, 18, 15)
    assert local_date(wall(UTC, 2025, 6, 15, 18, 15), KATHMANDU) == date(2025, 6, 16)


@pytest.mark.parametrize("zone", ZONES, ids=str)
@given(first=MOMENTS, days=st.floats(0.0, 300.0))
def test_days_follow_each_other_without_a_hole(zone: tzinfo, first: float, days: float) -> None:
    last = first + days * 86_400.0
    found = local_days(first, last, zone)
    assert found[0][1].begin <= first < found[0][1].end
    assert found[-1][1].begin < last <= found[-1][1].end or len(found) == 1
    for (before, span), (after, following) in pairwise(found):
        assert after == before + timedelta(days=1)
        assert following.begin == span.end


@pytest.mark.parametrize("after_s", [0.0, -60.0])
def test_a_day_that_only_begins_at_the_end_is_left_out(after_s: float) -> None:
    begin = midnight(date(2025, 6, 16), LONDON)
    assert [day for day, _span in local_days(begin - 60, begin + after_s, LONDON)] == [date(2025, 6, 15)]
    assert [day for day, _span in local_days(begin, begin + after_s, LONDON)] == [date(2025, 6, 16)]


def test_a_day_that_a_zone_passed_over_is_left_out() -> None:
    """Samoa went from the 29th to the 31st when it moved across the date line."""
    apia = ZoneInfo("Pacific/Apia")
    found = local_days(wall(apia, 2011, 12, 29, 12), wall(apia, 2011, 12, 31, 12), apia)
    assert [day.day for day, _span in found] == [29, 31]


@pytest.mark.parametrize(
    ("zone", "when", "day", "hours"),
    [
        (LONDON, (2025, 3, 30, 1, 30), date(2025, 3, 30), 2.5),  # the clock has just gone from 1 to 2
        (LONDON, (2025, 10, 26, 0, 30), date(2025, 10, 26), 1.5),  # the first time
        (LONDON, (2025, 10, 26, 1, 30), date(2025, 10, 26), 1.5),  # the second time
        (KATHMANDU, (2025, 6, 15, 18, 15), date(2025, 6, 16), 0.0),
    ],
)
def test_a_clock_on_the_wall_shows_local_hours(zone: tzinfo, when: tuple[int, ...], day: date, hours: float) -> None:
    assert clock_hour(wall(UTC, *when), zone) == (day, hours)


def test_an_hour_that_the_clock_shows_twice_counts_twice_and_one_that_it_leaves_out_not_at_all() -> None:
    spring, autumn = date(2025, 3, 30), date(2025, 10, 26)
    days = [Span(midnight(day, LONDON), midnight(day + timedelta(days=1), LONDON)) for day in (spring, autumn)]
    found = by_clock_hour(days, LONDON)
    assert (spring, 1) not in found
    assert found.pop((autumn, 1)) == 2 * HOUR_S
    assert set(found.values()) == {HOUR_S}
    assert len(found) == 23 + 23


def test_a_span_is_cut_where_the_local_clock_shows_a_whole_hour() -> None:
    begin = wall(KATHMANDU, 2025, 6, 16, 23, 50)
    assert by_clock_hour([Span(begin, begin + 1200.0)], KATHMANDU) == {
        (date(2025, 6, 16), 23): 600.0,
        (date(2025, 6, 17), 0): 600.0,
    }


@pytest.mark.parametrize("zone", [*ZONES, timezone(timedelta(hours=-3, minutes=-30))], ids=str)
@given(spans=st.lists(st.tuples(MOMENTS, st.floats(0.0, 200_000.0)), max_size=8))
def test_the_seconds_by_clock_hour_add_up_to_those_of_the_spans(zone: tzinfo, spans: list[tuple[float, float]]) -> None:
    found = by_clock_hour([Span(begin, begin + seconds) for begin, seconds in spans], zone)
    assert sum(found.values()) == pytest.approx(sum(seconds for _begin, seconds in spans), abs=1e-3)
    assert all(0 <= hour <= 23 for _day, hour in found)
    assert all(seconds <= len(spans) * 2 * HOUR_S + 1e-3 for seconds in found.values())


@pytest.mark.parametrize(
    ("one", "seconds"),
    [(Span(0, 10), 10), (Span(-5, 5), 5), (Span(5, 15), 5), (Span(20, 30), 0), (Span(-9, -1), 0), (Span(3, 4), 1)],
)
def test_a_span_is_within_another_as_far_as_they_overlap(one: Span, seconds: float) -> None:
    assert one.within(Span(0, 10)) == Span(0, 10).within(one) == seconds
