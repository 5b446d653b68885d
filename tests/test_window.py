"""The daylight window and the local day, against the minutes of whole years as `zoneinfo` counts them."""

import math
from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dumpload.core.freshness import NEVER
from dumpload.core.text import utc_text
from dumpload.core.window import MINUTES_PER_DAY, DayWindow, Schedule, contains, parse_span

YEAR_BEGAN = datetime(2025, 1, 1, tzinfo=UTC)
ZONES = (
    "Europe/London",
    "America/New_York",
    "Australia/Lord_Howe",  # half an hour of summer time, and the other half of the year
    "America/Santiago",  # midnight itself is skipped, and 23:00 comes twice
    "America/Havana",  # midnight comes twice
)
WINDOWS = (
    ("09:00-17:00",),
    ("22:00-06:00",),
    ("00:15-00:45", "01:30-02:30"),  # inside what is skipped or repeated
    ("08:00-12:00", "12:00-13:00", "12:30-18:00"),  # touching and overlapping: one window
    ("23:30-00:30",),
    ("00:00-24:00",),
)


def wall(*when: int, zone: str = "UTC", fold: int = 0) -> float:
    return datetime(*when, tzinfo=ZoneInfo(zone), fold=fold).timestamp()  # type: ignore[arg-type,misc]


def schedule(*window: str, zone: str = "UTC") -> Schedule:
    return Schedule([parse_span(text) for text in window], ZoneInfo(zone))


def hours_and_minutes(moment: float) -> str:
    return f"{datetime.fromtimestamp(moment, UTC):%d %H:%M:%S}"


# Spans


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("09:00-17:00", DayWindow(540, 1020)),
        (" 09:00 - 17:00 ", DayWindow(540, 1020)),
        ("00:00-24:00", DayWindow(0, 1440)),
        ("22:30-06:05", DayWindow(1350, 365)),
        ("23:59-00:00", DayWindow(1439, 0)),
    ],
)
def test_a_span_is_two_times_of_day(text: str, span: DayWindow) -> None:
    assert parse_span(text) == span


@pytest.mark.parametrize(
    "text",
    [
        "",
        "09:00",
        "09:00-",
        "-17:00",
        "9:00-17:00",
        "09:00-17",
        "09:00-17:00-18:00",
        "09.00-17.00",
        "09:0-17:00",
        "0900-1700",
        "09:60-17:00",
        "24:00-06:00",
        "09:00-24:01",
        "09:00-25:00",
        "09:00-09:00",
        "00:00-00:00",
        "+9:00-17:00",
        "-1:00-17:00",
        "09:00\u201317:00",
        "\u0660\u0669:\u0660\u0660-\u0661\u0667:\u0660\u0660",  # Arabic digits
        "09:00:00-17:00:00",
        "morning-evening",
    ],
)
def test_what_is_not_two_times_of_day_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="^" if text else "^$"):
        parse_span(text)


@pytest.mark.parametrize(
    ("window", "inside", "outside"),
    [
        ("09:00-17:00", [540, 541, 1019, 1019.99], [0, 539, 539.99, 1020, 1439]),
        ("22:00-06:00", [1320, 1439, 0, 359], [360, 1319, 720]),
        ("00:00-24:00", [0, 720, 1439, 1439.99], []),
        ("23:00-00:00", [1380, 1439], [0, 1379]),
    ],
)
def test_a_span_includes_its_start_and_not_its_end(window: str, inside: list[float], outside: list[float]) -> None:
    spans = [parse_span(window)]
    assert all(contains(spans, minute) for minute in inside)
    assert not any(contains(spans, minute) for minute in outside)


def test_no_span_at_all_means_always() -> None:
    assert all(contains([], minute) for minute in range(MINUTES_PER_DAY))
    always = schedule().at(wall(2025, 6, 16, 3))
    assert always.inside
    assert always.changes_at == NEVER


# One day


@pytest.mark.parametrize(
    ("now", "inside", "changes"),
    [
        ((8, 59, 59), False, (16, 9)),
        ((9, 0, 0), True, (16, 17)),
        ((16, 59, 59), True, (16, 17)),
        ((17, 0, 0), False, (17, 9)),
        ((23, 59, 59), False, (17, 9)),
    ],
)
def test_the_window_of_an_ordinary_day(now: tuple[int, ...], inside: bool, changes: tuple[int, int]) -> None:
    local = schedule("09:00-17:00").at(wall(2025, 6, 16, *now))
    assert local.inside is inside
    assert local.changes_at == wall(2025, 6, *changes)


def test_a_window_across_midnight_stays_open_across_midnight() -> None:
    night = schedule("22:00-06:00")
    before, after = night.at(wall(2025, 6, 16, 23, 59)), night.at(wall(2025, 6, 17))
    assert (before.inside, after.inside) == (True, True)
    assert before.changes_at == after.changes_at == wall(2025, 6, 17, 6)
    assert (before.day + 1, before.day_ends_at) == (after.day, after.day_began_at)


def test_a_fraction_of_a_second_before_the_edge_is_before_the_edge() -> None:
    edge = wall(2025, 6, 16, 9)
    day = schedule("09:00-17:00")
    assert not day.at(math.nextafter(edge, 0.0)).inside
    assert day.at(edge).inside
    assert day.at(edge - 0.5).changes_at == edge


def test_the_same_answer_is_kept_while_it_is_valid_and_not_when_the_clock_is_set_back() -> None:
    day = schedule("09:00-17:00")
    noon = day.at(wall(2025, 6, 16, 12))
    assert day.at(wall(2025, 6, 16, 16, 59)) is noon
    assert not day.at(wall(2025, 6, 16, 17)).inside
    assert day.at(wall(2025, 6, 16, 11)).inside
    assert not day.at(wall(1970, 1, 1, 3)).inside


# Days of 23, 25 and 23.5 hours


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/London", (2025, 3, 30), 23.0),
        ("Europe/London", (2025, 10, 26), 25.0),
        ("Europe/London", (2025, 6, 16), 24.0),
        ("America/New_York", (2025, 3, 9), 23.0),
        ("America/New_York", (2025, 11, 2), 25.0),
        ("Australia/Lord_Howe", (2025, 10, 5), 23.5),
        ("Australia/Lord_Howe", (2025, 4, 6), 24.5),
        ("America/Santiago", (2025, 9, 7), 23.0),
        ("America/Santiago", (2025, 4, 5), 25.0),
        ("America/Havana", (2025, 3, 9), 23.0),
        ("America/Havana", (2025, 11, 2), 25.0),
    ],
)
def test_the_local_day_lasts_from_midnight_to_midnight(zone: str, day: tuple[int, int, int], hours: float) -> None:
    for hour in (3, 12, 23):
        local = schedule(zone=zone).at(wall(*day, hour, zone=zone))
        assert local.day == datetime(*day, tzinfo=UTC).toordinal()
        assert local.day_ends_at - local.day_began_at == hours * 3600.0
    first, last = local.day_began_at, math.nextafter(local.day_ends_at, 0.0)
    assert schedule(zone=zone).at(first).day == local.day
    assert schedule(zone=zone).at(last).day == local.day
    assert schedule(zone=zone).at(local.day_ends_at).day == local.day + 1
    assert schedule(zone=zone).at(first - 1.0).day == local.day - 1


@pytest.mark.parametrize(
    ("zone", "window", "begin", "changes"),
    [
        # 01:00 to 02:00 does not exist: the span that starts in it starts with what follows
        ("Europe/London", "01:30-03:00", (2025, 3, 29, 23), ["30 01:00:00", "30 02:00:00"]),
        # a span within what does not exist: not on that day
        ("Europe/London", "01:15-01:45", (2025, 3, 29, 23), ["31 00:15:00", "31 00:45:00"]),
        # 01:00 to 02:00 comes twice: so does what lies in it
        (
            "Europe/London",
            "01:15-01:45",
            (2025, 10, 25, 23),
            ["26 00:15:00", "26 00:45:00", "26 01:15:00", "26 01:45:00"],
        ),
        # the repeated hour begins within the span: it ends, and begins again
        ("Europe/London", "01:30-03:00", (2025, 10, 25, 23), ["26 00:30:00", "26 01:00:00", "26 01:30:00"]),
        ("America/New_York", "01:45-02:30", (2025, 3, 9, 5), ["09 06:45:00", "09 07:00:00", "10 05:45:00"]),
        ("America/New_York", "09:00-17:00", (2025, 11, 1, 12), ["01 13:00:00", "01 21:00:00", "02 14:00:00"]),
        ("Australia/Lord_Howe", "02:00-02:15", (2025, 10, 4, 12), ["05 15:00:00", "05 15:15:00"]),
        ("Australia/Lord_Howe", "01:40-01:50", (2025, 4, 5, 12), ["05 14:40:00", "05 14:50:00", "05 15:10:00"]),
        ("America/Santiago", "23:30-00:30", (2025, 4, 6, 0), ["06 02:30:00", "06 03:00:00", "06 03:30:00"]),
    ],
)
def test_the_window_across_a_change_of_the_clocks(
    zone: str, window: str, begin: tuple[int, ...], changes: list[str]
) -> None:
    """`begin` and `changes` in UTC."""
    local = schedule(window, zone=zone).at(wall(*begin))
    found = []
    for _ in changes:
        found.append(hours_and_minutes(local.changes_at))
        local = schedule(window, zone=zone).at(local.changes_at)
    assert found == changes


# Whole years, minute by minute


@cache
def minutes_of_the_year(zone: str) -> list[int]:
    """Return the local minute of the day for every minute of 2025 UTC and a week more."""
    here, began = ZoneInfo(zone), int(YEAR_BEGAN.timestamp())
    moments = (datetime.fromtimestamp(began + 60 * k, here) for k in range(372 * MINUTES_PER_DAY))
    return [moment.hour * 60 + moment.minute for moment in moments]


@pytest.mark.parametrize("window", WINDOWS, ids=" ".join)
@pytest.mark.parametrize("zone", ZONES)
def test_every_change_of_a_year_is_found_to_the_second(zone: str, window: tuple[str, ...]) -> None:
    spans = [parse_span(text) for text in window]
    began = YEAR_BEGAN.timestamp()
    minute_inside = [contains(spans, minute) for minute in range(MINUTES_PER_DAY)]
    inside = [minute_inside[minute] for minute in minutes_of_the_year(zone)]
    end = began + 365 * 86_400
    counted = [began + 60 * k for k in range(1, len(inside)) if inside[k] != inside[k - 1]]

    day = schedule(*window, zone=zone)
    local = day.at(began)
    assert local.inside is inside[0]
    found = []
    while local.changes_at < end:
        found.append(local.changes_at)
        was, local = local.inside, day.at(local.changes_at)
        assert local.inside is not was
    assert found == [moment for moment in counted if moment < end]


@settings(max_examples=60)
@given(
    zone=st.sampled_from(ZONES),
    spans=st.lists(
        st.builds(DayWindow, st.integers(0, 1439), st.integers(0, 1440)).filter(lambda span: span.start != span.end),
        max_size=3,
    ),
    now=st.floats(0.0, 2.1e9),
)
def test_at_any_moment_the_next_change_is_the_first_one(zone: str, spans: list[DayWindow], now: float) -> None:
    """Looked up afresh in the middle of nowhere, 1970 to 2036."""
    here = ZoneInfo(zone)

    def inside(moment: float) -> bool:
        local = datetime.fromtimestamp(moment, here)
        return contains(spans, local.hour * 60 + local.minute)

    local = Schedule(spans, here).at(now)
    first_minute = math.floor(now / 60.0) * 60.0 + 60.0
    two_days = (first_minute + 60.0 * k for k in range(2 * MINUTES_PER_DAY))
    counted = next((moment for moment in two_days if inside(moment) != inside(now)), NEVER)
    assert local.inside is inside(now)
    assert local.day == datetime.fromtimestamp(now, here).toordinal()
    assert local.day_began_at <= now < local.day_ends_at
    assert now < local.valid_until <= local.changes_at
    if counted < NEVER:
        assert local.changes_at == counted
    else:
        assert local.changes_at > now + timedelta(days=2).total_seconds() - 120.0


# Words


@pytest.mark.parametrize(
    ("moment", "text"),
    [
        (0.0, "1970-01-01T00:00:00.000Z"),
        (1_750_075_200.0, "2025-06-16T12:00:00.000Z"),
        (1_750_075_200.1234, "2025-06-16T12:00:00.123Z"),
        (1_750_075_199.9996, "2025-06-16T12:00:00.000Z"),
        (-0.001, "1969-12-31T23:59:59.999Z"),
    ],
)
def test_moments_are_written_in_utc_with_milliseconds(moment: float, text: str) -> None:
    assert utc_text(moment) == text
