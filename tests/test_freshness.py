"""A value is live from its arrival until, but not at, arrival plus its greatest age."""

import math

import pytest

from dumpload.core.freshness import MISSING, NEVER, NO_DATUM, Datum, admit, is_missing, live_value


def test_missing_is_not_a_number_and_never_is_later_than_anything() -> None:
    assert is_missing(MISSING)
    assert not is_missing(0.0)
    assert not is_missing(NEVER)
    assert NEVER > 1e308


def test_a_value_is_admitted_with_the_moment_at_which_it_stops_counting() -> None:
    assert admit(97.0, stamp=100.0, max_age_s=60.0) == Datum(97.0, 100.0, 160.0)


@pytest.mark.parametrize(
    ("t", "live"),
    [
        (100.0, True),
        (159.0, True),
        (math.nextafter(160.0, 0.0), True),
        (160.0, False),  # data are lost at arrival + max_age_s, not after it
        (161.0, False),
        (1e9, False),
        (math.nan, False),
    ],
)
def test_data_are_lost_exactly_at_arrival_plus_max_age(t: float, live: bool) -> None:
    datum = admit(97.0, stamp=100.0, max_age_s=60.0)
    assert live_value(datum, t) == 97.0 if live else is_missing(live_value(datum, t))


@pytest.mark.parametrize("t", [-1e12, 0.0, 1e12])
def test_what_never_arrived_is_never_live(t: float) -> None:
    assert is_missing(live_value(NO_DATUM, t))


@pytest.mark.parametrize(
    ("stamp", "max_age_s"),
    [(MISSING, 60.0), (100.0, MISSING)],
    ids=["no moment of arrival", "signal not configured"],
)
def test_a_value_without_a_known_age_is_never_live(stamp: float, max_age_s: float) -> None:
    datum = admit(97.0, stamp, max_age_s)
    assert is_missing(live_value(datum, 100.0))
