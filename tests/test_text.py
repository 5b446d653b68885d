"""How numbers, durations and local times are written."""

import math
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from dumpload.core.text import duration, local_text, number_or_null


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0 s"),
        (7.5, "7.5 s"),
        (59.4, "59.4 s"),
        (59.6, "1 min"),
        (60.0, "1 min"),
        (310.0, "5 min 10 s"),
        (3599.6, "1 h"),
        (7200.0, "2 h"),
        (7500.0, "2 h 05 min"),
    ],
)
def test_a_length_of_time_is_said_in_two_units_at_most_and_without_what_is_zero(seconds: float, text: str) -> None:
    assert duration(seconds) == text


def test_json_has_three_digits_and_no_number_that_is_not_finite() -> None:
    assert number_or_null(1 / 3) == 0.333
    assert isinstance(number_or_null(2), float)
    assert [number_or_null(value) for value in (math.nan, math.inf, -math.inf)] == [None, None, None]


def test_a_local_time_is_that_of_the_zone() -> None:
    """Europe/London is an hour ahead of UTC in June (IANA tz database)."""
    assert local_text(1_750_075_200.0, UTC) == "2025-06-16 12:00:00"
    assert local_text(1_750_075_200.0, ZoneInfo("Europe/London")) == "2025-06-16 13:00:00"
