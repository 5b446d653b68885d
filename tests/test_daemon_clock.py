"""A wall clock that jumps: it only names moments. What the relay does runs on the clock that cannot be set."""

import json
import time

import pytest
from daemons import MAX_AGE_S, MIN_OFF_S, Daemon
from rig import FULL, Barge
from waiting import boot_clock, never

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

# Allowance for a loaded machine, on top of one tick of supervision.
LATE_S = 2.0

YEAR_S = 365.25 * 86_400.0
# By how much the wall clock is ahead, one after the other; 70 years ago is before 1970.
STEPS = [3600.0, -3600.0, 50 * YEAR_S, -50 * YEAR_S, -70 * YEAR_S, 0.0]


def step(daemon: Daemon, ahead_s: float, count: int) -> None:
    """Set the wall clock, and wait until the daemon has noticed."""
    daemon.set_fault("wall_ahead", str(ahead_s))
    daemon.await_log("clock_step", times=count)


def test_case_14_steps_of_the_wall_clock_do_not_move_a_relay_that_is_on(barge: Barge) -> None:
    daemon = barge.started_on()
    for count, ahead_s in enumerate(STEPS, start=1):
        step(daemon, ahead_s, count)
        assert barge.ask()["relay"] == "on"
    barge.expect_no_change()
    step(daemon, -50 * YEAR_S, len(STEPS) + 1)
    last_sent_at = barge.source.set(None)
    daemon.set_fault("wall_ahead", "0")
    barge.expect("off", "data_lost")
    assert daemon.await_edge(on=False, after=last_sent_at).t < last_sent_at + MAX_AGE_S + LATE_S


def test_case_14_steps_of_the_wall_clock_do_not_move_a_relay_that_is_off(barge: Barge) -> None:
    daemon = barge.start()
    for count, ahead_s in enumerate(STEPS, start=1):
        step(daemon, ahead_s, count)
    barge.source.set(95)
    for count, ahead_s in enumerate(STEPS, start=len(STEPS) + 1):
        step(daemon, ahead_s, count)
        assert barge.ask()["relay"] == "off"
    assert daemon.line == []
    barge.comes_on(daemon)


def test_case_14_a_step_does_not_shorten_a_dwell(barge: Barge) -> None:
    min_off_s = 2.5
    daemon = barge.start(control__min_off_s=min_off_s)
    began = boot_clock()
    barge.source.set(FULL)
    barge.await_status(cause="min_off_dwell")
    step(daemon, YEAR_S, 1)
    change = barge.expect("on", "surplus")
    assert change["after_s"] >= min_off_s
    assert daemon.ons[0] > began + min_off_s - 1.0


def test_case_14_a_request_for_a_time_by_hand_is_not_lengthened_by_a_step_back(barge: Barge) -> None:
    daemon = barge.start()
    barge.source.set(95)
    barge.await_status(state_of_charge=95)
    asked_at = boot_clock()
    barge.ask(selector="hand", for_s=1.5)
    barge.expect("on", "hand")
    step(daemon, -3600.0, 1)
    off_at = daemon.await_edge(on=False, after=asked_at).t
    assert off_at - asked_at < 1.5 + LATE_S


def test_the_window_follows_the_wall_clock_at_once(barge: Barge) -> None:
    """The one thing that the wall clock may move: what it names."""
    daemon = barge.daemon(permissive__window=["11:00-13:00"])
    noon = 12 * 3600.0
    daemon.set_fault("wall_ahead", str(ahead_of_now(noon)))
    daemon.start()
    barge.source.set(FULL)
    barge.expect("on", "surplus")
    daemon.set_fault("wall_ahead", str(ahead_of_now(noon + 2 * 3600.0)))
    barge.expect("off", "outside_window")
    never(lambda: daemon.line[-1].on, "on outside the window", 2 * MIN_OFF_S)
    daemon.set_fault("wall_ahead", str(ahead_of_now(noon)))
    barge.expect("on", "surplus")


def ahead_of_now(second_of_day: float) -> float:
    """Return by how much a clock that shows this time of day (UTC) is ahead."""
    return second_of_day - time.time() % 86_400.0


def test_with_source_timestamps_a_wrong_wall_clock_can_only_keep_the_load_off(barge: Barge) -> None:
    where = {"telemetry__state_of_charge__pointer": "/charge", "telemetry__state_of_charge__timestamp_pointer": "/at"}
    daemon = barge.start(**where)
    barge.source.set(lambda: json.dumps({"charge": FULL, "at": time.time()}))
    barge.expect("on", "surplus")
    stepped_at = boot_clock()
    daemon.set_fault("wall_ahead", "3600")
    barge.expect("off", "data_lost")
    assert daemon.await_edge(on=False, after=stepped_at).t < stepped_at + MAX_AGE_S + LATE_S
    daemon.await_log("rejected", reason="too_old")
    daemon.set_fault("wall_ahead", "-3600")
    daemon.await_log("rejected", reason="from_future")
    never(lambda: daemon.line[-1].on, "on by a wrong clock", 2 * MIN_OFF_S)
    daemon.set_fault("wall_ahead", "0")
    barge.expect("on", "surplus")
