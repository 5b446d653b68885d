"""What a replay adds up to: runs, lost data, lowest charge, energy from the best source there is."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.core.contact import LOAD_PRESENT_W
from dumpload.core.law import Cause, Position
from dumpload.core.signals import Signal
from dumpload.replay.totals import Change, Energy, EnergyShare, LoadRating, Summary, Totals, drawn

LOAD, VOLTS = Signal.LOAD_POWER, Signal.BATTERY_VOLTAGE
# 300 W at 24 V: R = 24^2 / 300 = 1.92 ohm.
BARGE = LoadRating(300.0, 1.92)

HOUR = 3600.0


def on(wall: float, percent: float = 98.0) -> Change:
    return Change(wall, Position.ON, Cause.SURPLUS, percent)


def off(wall: float) -> Change:
    return Change(wall, Position.OFF, Cause.BELOW_CUT_OUT, 92.0)


def tally(element: LoadRating = BARGE) -> Totals:
    return Totals(element, 0.0, 60.0)


def ran(*runs: tuple[float, float], end: float = 86_400.0) -> Summary:
    totals = tally()
    for begin, stop in runs:
        totals.change(begin, on(begin))
        if stop < math.inf:
            totals.change(stop, off(stop))
    return totals.summary(end)


# Runs


def test_runs_are_counted_and_timed() -> None:
    summary = ran((100, 400), (1000, 4600), end=2 * 86_400.0)
    assert (summary.switch_ons, summary.on_time_s, summary.longest_run_s, summary.shortest_run_s) == (
        2,
        3900,
        3600,
        300,
    )
    assert (summary.on_time_per_day_s, summary.switch_ons_per_day, summary.still_on) == (1950, 1.0, False)


def test_a_run_that_is_not_over_counts_as_long_as_it_is() -> None:
    summary = ran((100, 400), (1000, math.inf), end=1100)
    assert (summary.switch_ons, summary.on_time_s, summary.shortest_run_s, summary.still_on) == (2, 400, 100, True)


def test_without_a_run_there_is_nothing_to_tell() -> None:
    summary = ran()
    assert (summary.switch_ons, summary.on_time_s, summary.energy_wh) == (0, 0.0, 0.0)
    assert math.isnan(summary.longest_run_s)
    assert math.isnan(summary.lowest_state_of_charge_on)


def test_a_record_without_duration_has_no_rates() -> None:
    summary = ran(end=0.0)
    assert math.isnan(summary.on_time_per_day_s)
    assert math.isnan(summary.switch_ons_per_day)


# Data


def test_data_are_lost_from_the_age_to_the_next_sample() -> None:
    totals = tally()
    for t in (10.0, 70.0, 200.0):
        totals.regain(t)
        totals.charge(t)
    assert totals.summary(300.0).data_lost_s == 10 + 0 + 70 + 40


def test_data_said_to_be_unknown_are_lost_at_once() -> None:
    totals = tally()
    totals.charge(0.0)
    totals.lose(5.0)
    assert totals.summary(10.0).data_lost_s == 5


def test_the_lowest_charge_is_that_while_on() -> None:
    totals = tally()
    totals.lowest(10.0)
    totals.change(5.0, on(5.0, 98.0))
    totals.lowest(93.5)
    totals.lowest(96.0)
    totals.lowest(math.nan)
    totals.change(9.0, off(9.0))
    totals.lowest(20.0)
    assert totals.summary(10.0).lowest_state_of_charge_on == 93.5


# Energy


def energy(element: LoadRating = BARGE) -> Energy:
    account = Energy(element, 0.0)
    account.switch(0.0, on=True)
    return account


def test_by_the_rating_it_is_power_times_time() -> None:
    account = energy()
    account.advance(HOUR)
    assert account.by_rating == EnergyShare(300.0, HOUR)


def test_by_the_voltage_it_goes_with_the_square() -> None:
    """An element of 24 V and 300 W draws 432 W at 28.8 V: (28.8/24)^2 = 1.44 (checks: power_ratio, calculated)."""
    account = energy()
    account.note(VOLTS, 28.8, 0.0, HOUR)
    account.advance(HOUR)
    assert account.by_voltage.wh == pytest.approx(432.0)
    assert (account.by_rating.seconds, account.measured.seconds) == (0.0, 0.0)


def test_a_measured_power_goes_first() -> None:
    account = energy()
    account.note(VOLTS, 28.8, 0.0, HOUR)
    account.note(LOAD, 400.0, 0.0, HOUR)
    account.advance(HOUR)
    assert account.measured == EnergyShare(400.0, HOUR)
    assert account.drawing_s == HOUR


def test_each_source_counts_only_as_long_as_it_is_live() -> None:
    account = energy()
    account.note(LOAD, 400.0, 0.0, 60.0)
    account.note(VOLTS, 24.0, 0.0, 90.0)
    account.advance(100.0)
    assert (account.measured.seconds, account.by_voltage.seconds, account.by_rating.seconds) == (60.0, 30.0, 10.0)


def test_a_value_counts_until_the_next_and_only_while_on() -> None:
    account = Energy(BARGE, 0.0)
    account.note(LOAD, 400.0, 0.0, 1000.0)
    account.switch(100.0, on=True)
    account.note(LOAD, 200.0, 136.0, 1000.0)
    account.switch(172.0, on=False)
    account.advance(500.0)
    assert account.measured.wh == pytest.approx((400 * 36 + 200 * 36) / 3600)


def test_a_thermostat_that_was_open_stays_open() -> None:
    """The recorded relay was on, and the load drew nothing."""
    account = energy()
    account.switch_recorded(0.0, on=True)
    account.note(LOAD, 0.5, 0.0, HOUR)
    account.advance(HOUR)
    assert (account.measured, account.drawing_s, account.assumed_s) == (EnergyShare(0.5, HOUR), 0.0, 0.0)


@pytest.mark.parametrize("is_recorded", [False, True])
def test_a_load_that_was_off_counts_with_what_it_would_draw(is_recorded: bool) -> None:
    """300 W at 24 V draw 432 W at 28.8 V, as above; the recorded 0 W are those of a relay that was off."""
    account = energy()
    if is_recorded:
        account.switch_recorded(0.0, on=False)
    account.note(LOAD, 0.0, 0.0, HOUR)
    account.note(VOLTS, 28.8, 0.0, HOUR / 2)
    account.advance(HOUR)
    assert account.measured == EnergyShare()
    assert (account.by_voltage.wh, account.by_rating.wh) == (pytest.approx(216.0), pytest.approx(150.0))
    assert account.assumed_s == HOUR


def test_no_power_is_made_up_for_a_load_that_was_off_and_has_no_rating() -> None:
    totals = tally(LoadRating())
    totals.energy.note(LOAD, 0.0, 0.0, HOUR)
    totals.change(0.0, on(0.0))
    assert math.isnan(totals.summary(HOUR).energy_wh)


WATTS = st.one_of(st.just(math.nan), st.floats(-100.0, 30_000.0))
VOLTAGES = st.one_of(st.just(math.nan), st.floats(0.0, 150.0))
RATINGS = st.sampled_from([LoadRating(), LoadRating(300.0), BARGE])


UNTIL = st.floats(-1.0, 90.0)


@given(RATINGS, st.tuples(WATTS, UNTIL), st.tuples(VOLTAGES, UNTIL), st.booleans())
def test_a_power_is_measured_or_what_the_element_would_draw_and_never_that_of_a_load_that_was_off(
    rating: LoadRating, load: tuple[float, float], volts: tuple[float, float], was_on: bool
) -> None:
    load_w, load_s, volts_w, volts_s, rated_w, rated_s, drawing_s, assumed_s = drawn(
        0.0, 60.0, load, volts, rating, was_on
    )
    live_s = 0.0 if math.isnan(load[0]) else min(60.0, max(0.0, load[1]))
    assert (load_s, assumed_s) == ((live_s, 0.0) if was_on or load[0] > LOAD_PRESENT_W else (0.0, live_s))
    assert drawing_s == (load_s if load[0] > LOAD_PRESENT_W else 0.0)
    if load_s:
        assert load_w == load[0]
    if volts_s:
        assert volts_w == pytest.approx(300.0 * (volts[0] / 24.0) ** 2)
    if rated_s:
        assert rated_w == 300.0
    known_s = load_s + volts_s + rated_s
    assert known_s <= 60.001
    assert math.isnan(rating.rated_w) or known_s == pytest.approx(60.0)
    assert min(load_s, volts_s, rated_s) >= 0.0


@pytest.mark.parametrize(
    ("element", "known"), [(LoadRating(), False), (LoadRating(rated_w=300.0), True), (LoadRating(300.0, 1.92), True)]
)
def test_without_any_source_the_energy_is_not_known(element: LoadRating, known: bool) -> None:
    totals = tally(element)
    totals.change(0.0, on(0.0))
    assert math.isnan(totals.summary(HOUR).energy_wh) != known
