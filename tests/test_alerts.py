"""What is wrong for long enough to tell an owner who is not there: the rules, without a clock."""

import math
from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import START, World, setup

from dumpload.core.alerts import (
    DAY_S,
    END_WORDS,
    Alert,
    AlertLimits,
    Facts,
    active_alerts,
    alert_name,
    begin_words,
    longest_lost,
    needed_signals,
)
from dumpload.core.controller import Lockout
from dumpload.core.freshness import MISSING
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal

LIMITS = AlertLimits(data_lost_s=3600.0, no_surplus_s=3 * DAY_S, restarts=5)
NEVER_ANY = AlertLimits(MISSING, MISSING, MISSING)
FINE = Facts(0.0, Signal.STATE_OF_CHARGE, 0.0, Lockout.NONE, 0.0, "", 1)


def on(before: Iterable[Alert] = (), limits: AlertLimits = LIMITS, **changes: Any) -> set[Alert]:
    return set(active_alerts(limits, frozenset(before), FINE._replace(**changes)))


@pytest.mark.parametrize(
    ("facts", "alert"),
    [
        ({"lost_s": 3600.0}, Alert.DATA_LOST),
        ({"no_surplus_s": 3 * DAY_S}, Alert.NO_SURPLUS),
        ({"lockout": Lockout.CONTACT_CLOSED}, Alert.LOCKOUT),
        ({"lockout": Lockout.PIN_FAULT}, Alert.PIN_FAULT),
        ({"history_fault_s": 60.0}, Alert.HISTORY_FAULT),
        ({"starts": 5}, Alert.RESTARTS),
    ],
)
def test_each_trouble_is_one_alert(facts: dict[str, Any], alert: Alert) -> None:
    assert on(**facts) == {alert}


@pytest.mark.parametrize(
    "facts", [{}, {"lost_s": 3599.9}, {"no_surplus_s": 2.99 * DAY_S}, {"history_fault_s": 59.0}, {"starts": 4}]
)
def test_what_has_not_lasted_is_none(facts: dict[str, Any]) -> None:
    assert on(**facts) == set()


def test_lost_data_stay_an_alert_until_a_value_comes_though_a_restart_times_them_anew() -> None:
    assert on({Alert.DATA_LOST}, lost_s=2.0) == {Alert.DATA_LOST}
    assert on({Alert.DATA_LOST}, lost_s=0.0) == set()


def test_a_limit_that_is_not_set_is_never_reached_and_a_lockout_needs_none() -> None:
    assert on(limits=NEVER_ANY, lost_s=1e9, no_surplus_s=1e9, starts=1000) == set()
    assert on(limits=NEVER_ANY, lockout=Lockout.PIN_FAULT) == {Alert.PIN_FAULT}


@given(
    st.frozensets(st.sampled_from(Alert)),
    st.builds(
        Facts,
        st.floats(0, 1e7),
        st.sampled_from(Signal),
        st.floats(0, 1e8),
        st.sampled_from(Lockout),
        st.floats(0, 1e6),
        st.text(),
        st.integers(1, 100),
    ),
)
def test_nothing_begins_or_ends_twice_while_nothing_changes(before: frozenset[Alert], facts: Facts) -> None:
    now = active_alerts(LIMITS, before, facts)
    assert active_alerts(LIMITS, now, facts) == now


def test_every_alert_has_words_for_its_beginning_and_its_end() -> None:
    for alert in Alert:
        assert begin_words(alert, LIMITS, FINE)
        assert END_WORDS[alert]
    facts = FINE._replace(lost=Signal.TANK_TEMPERATURE, lost_s=3600.0)
    assert begin_words(Alert.DATA_LOST, LIMITS, facts) == "no valid tank temperature for 1 h"


def test_the_signals_of_the_permissives_are_needed_too() -> None:
    everything = PermissiveLimits(
        voltage_cut_out_v=26.0, voltage_cut_in_v=27.0, tank_cut_out_c=70.0, tank_cut_in_c=60.0, drain_limit_w=100.0
    )
    assert set(needed_signals(setup().settings)) == {Signal.STATE_OF_CHARGE}
    assert set(needed_signals(setup(permissives=everything, heartbeat_s=30.0).settings)) == {
        Signal.STATE_OF_CHARGE,
        Signal.HEARTBEAT,
        Signal.BATTERY_VOLTAGE,
        Signal.TANK_TEMPERATURE,
        Signal.BATTERY_POWER,
    }


def test_the_signal_lost_for_longest_is_named_from_when_it_was_lost() -> None:
    guarded = PermissiveLimits(voltage_cut_out_v=26.0, voltage_cut_in_v=27.0)
    world = World(setup(permissives=guarded))
    assert longest_lost(world.settings, world.state, START)[1] == START
    world.measure(Signal.BATTERY_VOLTAGE, 27.5).soc_for(90.0, 200.0)
    assert longest_lost(world.settings, world.state, START) == (Signal.BATTERY_VOLTAGE, START + 60.0)
    world.measure(Signal.BATTERY_VOLTAGE, 27.5).soc(90.0)
    assert longest_lost(world.settings, world.state, START)[1] > world.t


def test_a_heartbeat_that_never_changes_is_lost_from_the_start() -> None:
    world = World(setup(heartbeat_s=30.0)).measure(Signal.HEARTBEAT, 7.0).soc(90.0)
    signal, since = longest_lost(world.settings, world.state, START)
    assert (signal, since) == (Signal.HEARTBEAT, START)
    assert math.isfinite(since)


def test_an_alert_is_published_by_its_name_in_small_letters() -> None:
    assert alert_name(Alert.DATA_LOST) == "data_lost"
