"""What is known of the signals, changed one datum at a time."""

import pytest
from world import MAX_AGE_S, NOON, setup

from dumpload.core.freshness import NO_DATUM, Datum, admit, live_value
from dumpload.core.known import hold, lose_all, replace
from dumpload.core.signals import Signal
from dumpload.core.state import NO_DATA, Data, Event, Kind

T = 1000.0
SETTINGS = setup().settings
ALL = Data(*(admit(float(signal), T, MAX_AGE_S) for signal in Signal))


@pytest.mark.parametrize("signal", Signal)
def test_one_datum_is_replaced_and_the_others_stay(signal: Signal) -> None:
    new = Datum(-1.0, T + 1, T + 2)
    assert replace(ALL, signal, new) == tuple(new if other == signal else ALL[other] for other in Signal)


def held(data: Data, stamp: float) -> Datum:
    return hold(SETTINGS, data, Event(stamp, NOON, Kind.HELD, stamp=stamp))


def test_a_value_that_went_on_arriving_lives_on_from_the_last_time() -> None:
    assert held(ALL, T + 5) == ALL.state_of_charge._replace(expires_at=T + 5 + MAX_AGE_S)


def test_a_value_that_went_on_arriving_never_dies_the_earlier_for_it() -> None:
    assert held(ALL, T - 5) == ALL.state_of_charge


def test_what_never_counted_does_not_for_being_repeated() -> None:
    """A replay took the first beat of a history, which shows no life yet, for a live one."""
    assert held(NO_DATA, T) == NO_DATUM


def test_what_is_lost_at_a_moment_keeps_its_value_and_is_not_live() -> None:
    lost = lose_all(ALL, T)
    assert [datum.value for datum in lost] == [datum.value for datum in ALL]
    assert all(live_value(datum, T) != live_value(datum, T) for datum in lost)
    assert lose_all(lost, T + 9) == lost
