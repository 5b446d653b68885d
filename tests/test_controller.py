"""Scripts of events in and decisions out. Between events the controller is woken at its deadlines.

Unless said otherwise: cut-in 97 %, cut-out 93 %, floor 50 %; confirm 30 s, on at least 300 s, off at least 300 s;
data count for 60 s; the start is at noon, at second 0.
"""

import math
from collections.abc import Callable
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from world import LIMITS, NOON, START, World, running, setup

from dumpload.core.contact import Evidence, Feedback
from dumpload.core.controller import Event, Kind, Lockout, start
from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal

# Neither confirm time nor dwells: every change follows its event at once.
AT_ONCE = LIMITS._replace(confirm_s=0.0, min_on_s=0.0, min_off_s=0.0)


# The start


def test_at_the_start_it_is_off_in_auto_and_knows_nothing() -> None:
    state = start(START)
    assert (state.position, state.cause) == (Position.OFF, Cause.STARTING)
    assert (state.selector, state.lockout, state.evidence) == (Selector.AUTO, Lockout.NONE, Evidence.NONE)
    assert not state.known.seen
    assert state.charge_expires_at == -NEVER
    assert state.deadline == NEVER


def test_until_the_first_state_of_charge_it_is_starting() -> None:
    world = World()
    assert world.wake().seen_as == ("off", "starting")
    assert world.measure(Signal.BATTERY_VOLTAGE, 28.0).seen_as == ("off", "starting")
    assert world.select(Selector.HAND, for_s=3_600.0).seen_as == ("off", "starting")
    assert world.send(Kind.UNKNOWN).seen_as == ("off", "starting")
    assert world.soc(98.0).seen_as == ("off", "confirming")
    assert world.state.known.seen


# A day in the life


def test_on_at_98_off_below_96_off_when_communication_is_lost() -> None:
    """A common practice, no source: on at 98 %, off below 96 %, off when the battery monitor falls silent."""
    limits = LIMITS._replace(cut_in_percent=98.0, cut_out_percent=96.0, confirm_s=0.0, min_on_s=60.0, min_off_s=60.0)
    world = World(setup(limits))
    for percent in (90.0, 94.0, 96.0, 97.0, 97.9, 98.0, 99.0, 98.0, 97.0, 96.0, 95.9, 96.0, 97.9, 98.0, 100.0):
        world.wait(30.0).soc(percent)
    world.wait(600.0).soc(100.0).wait(30.0).soc(100.0)
    assert world.changes == [
        (180.0, "on", "surplus"),
        (330.0, "off", "below_cut_out"),
        (420.0, "on", "surplus"),
        (510.0, "off", "data_lost"),
        (1_050.0, "on", "surplus"),
    ]


def test_a_decision_says_what_is_published() -> None:
    world = running()
    last = world.rows[-1]
    assert last._replace(accepted=False) == (
        START + 300.0, NOON + 300.0, Position.ON, Cause.SURPLUS, True, Cause.MIN_OFF_DWELL, 300.0, 98.0, False,
        Cause.NONE,
    )  # fmt: skip
    assert last.accepted
    world.wait_through(60.0)
    lost = world.rows[-1]
    assert (lost.position, lost.cause, lost.previous_cause, lost.after_s) == (0, Cause.DATA_LOST, Cause.SURPLUS, 60.0)
    assert is_missing(lost.state_of_charge)
    assert not lost.accepted


# What counts as data


def test_data_are_lost_exactly_at_arrival_plus_max_age() -> None:
    world = running()
    assert world.state.charge_expires_at == world.state.deadline == START + 360.0
    world.wait(59.999).wake()
    assert world.seen_as == ("on", "surplus")
    world.wait_through(0.001)
    assert world.changes[-1] == (360.0, "off", "data_lost")


def test_a_sample_is_applied_before_a_deadline_due_at_the_same_instant() -> None:
    world = running().wait(60.0).soc(98.0)
    assert world.seen_as == ("on", "surplus")
    assert len(world.changes) == 1


def test_a_loss_forgets_the_surplus_and_what_comes_back_must_be_confirmed() -> None:
    world = running().wait_through(60.0).wait(400.0)
    assert world.soc(98.0).seen_as == ("off", "confirming")
    assert world.wait(29.0).soc(98.0).seen_as == ("off", "confirming")
    assert world.wait(1.0).soc(98.0).seen_as == ("on", "surplus")


def test_a_sample_that_is_too_old_on_arrival_changes_nothing() -> None:
    world = running().wait(10.0)
    before = world.state.data
    assert world.soc(10.0, age_s=60.0).seen_as == ("on", "surplus")
    assert world.state.data == before
    assert not world.rows[-1].accepted
    fresh = World().soc(98.0, age_s=60.0)
    assert fresh.seen_as == ("off", "starting")
    assert not fresh.state.known.seen


def test_the_age_counts_from_when_it_was_measured() -> None:
    world = running().wait(10.0).soc(98.0, age_s=45.0)
    assert world.rows[-1].accepted
    assert world.state.charge_expires_at == world.t + 15.0
    world.wait_through(15.0)
    assert world.seen_as == ("off", "data_lost")


def test_nothing_is_measured_in_the_future() -> None:
    world = running().wait(10.0).soc(98.0, age_s=-3_600.0)
    assert world.state.charge_expires_at == world.t + 60.0


@pytest.mark.parametrize("value", [MISSING, math.inf, -math.inf, 100.1, -0.1, 255.0])
def test_a_value_that_is_not_to_be_believed_changes_nothing(value: float) -> None:
    """Decoding rejects it before; the controller does not depend on that."""
    world = running().wait(50.0).soc(value)
    assert world.seen_as == ("on", "surplus")
    assert not world.rows[-1].accepted
    assert world.state.charge_expires_at == START + 360.0
    assert World(setup(AT_ONCE)).soc(value).seen_as == ("off", "starting")


def test_a_sample_without_a_moment_or_of_a_signal_not_configured_changes_nothing() -> None:
    world = World(setup(AT_ONCE)).send(Kind.SAMPLE, value=98.0)
    assert world.seen_as == ("off", "starting")
    unconfigured = World(setup(AT_ONCE, max_age_s=(MISSING,) * len(Signal))).soc(98.0)
    assert unconfigured.seen_as == ("off", "starting")


@pytest.mark.parametrize("gone", [Kind.UNKNOWN, Kind.ABSENT])
def test_unknown_and_absent_mean_lost_now(gone: Kind) -> None:
    world = running().wait(5.0).send(gone)
    assert world.changes[-1] == (305.0, "off", "data_lost")
    assert world.state.charge_expires_at == world.t
    assert world.wait(10.0).soc(98.0).seen_as == ("off", "confirming")


def test_unknown_is_about_one_signal_and_absent_about_all() -> None:
    limits = PermissiveLimits(voltage_cut_out_v=25.0, voltage_cut_in_v=26.0)
    world = World(setup(AT_ONCE, limits)).measure(Signal.BATTERY_VOLTAGE, 27.0).soc(98.0)
    assert world.seen_as == ("on", "surplus")
    assert world.send(Kind.UNKNOWN, signal=Signal.SOLAR_POWER).seen_as == ("on", "surplus")
    assert world.send(Kind.UNKNOWN, signal=Signal.BATTERY_VOLTAGE).seen_as == ("off", "data_lost")
    world.measure(Signal.BATTERY_VOLTAGE, 27.0)
    assert world.seen_as == ("on", "surplus")  # the state of charge was never lost
    world.send(Kind.ABSENT)
    assert world.measure(Signal.BATTERY_VOLTAGE, 27.0).seen_as == ("off", "data_lost")


# Evidence for surplus


def test_a_deadline_or_a_request_does_not_complete_the_evidence() -> None:
    world = World(setup(LIMITS._replace(min_off_s=0.0))).soc(98.0).wait(40.0).wake().select(Selector.AUTO)
    assert world.seen_as == ("off", "confirming")
    assert world.soc(98.0).seen_as == ("on", "surplus")


def test_a_burst_cannot_start_the_load() -> None:
    """Nor can a back-log: whatever comes at once is one moment's evidence."""
    world = World().wait(400.0)
    for age_s in range(59, -1, -1):
        world.soc(100.0, age_s=float(age_s))
    assert world.seen_as == ("off", "confirming")


def test_a_back_log_cannot_start_the_load_however_long_it_takes_to_work_off() -> None:
    """A stall: all that piled up is as old as the stall, and is looked at in the course of the next forty seconds."""
    world = World().soc_for(90.0, 400.0)
    stalled_at = world.t
    for _ in range(40):
        world.wait(1.0).soc(98.0, age_s=world.t - stalled_at)
    assert world.seen_as == ("off", "confirming")
    assert world.wait(1.0).soc(98.0).seen_as == ("on", "surplus")  # 41 s after the first, by the stamps too


def test_a_value_measured_before_one_below_cut_in_is_no_evidence() -> None:
    world = World().wait(400.0).soc(90.0).soc(98.0, age_s=40.0).wait(1.0)
    assert world.state.law.above_since != world.t - 41.0
    assert world.soc(98.0, age_s=5.0).wait(29.0).soc(98.0).seen_as == ("off", "confirming")
    assert world.wait(1.0).soc(98.0).seen_as == ("off", "confirming")


def test_a_dip_below_cut_in_begins_the_evidence_anew() -> None:
    world = World().wait(400.0).soc(98.0).wait(20.0).soc(96.9).wait(5.0).soc(98.0).wait(29.0).soc(98.0)
    assert world.seen_as == ("off", "confirming")
    assert world.wait(1.0).soc(98.0).seen_as == ("on", "surplus")


def test_doubt_begins_the_evidence_anew() -> None:
    world = World().wait(400.0).soc(98.0).wait(20.0).soc(98.0).send(Kind.EVIDENCE_RESET)
    assert world.seen_as == ("off", "confirming")
    assert world.wait(15.0).soc(98.0).wait(29.0).soc(98.0).seen_as == ("off", "confirming")
    assert world.wait(1.0).soc(98.0).seen_as == ("on", "surplus")


def test_doubt_leaves_the_latch_and_the_age() -> None:
    world = running().wait(10.0).send(Kind.EVIDENCE_RESET)
    assert world.seen_as == ("on", "surplus")
    assert world.state.charge_expires_at == START + 360.0
    waiting = World().soc(98.0).wait(30.0).soc(98.0).send(Kind.EVIDENCE_RESET)
    assert waiting.soc_for(95.0, 270.0).seen_as == ("on", "surplus")


# The selector


def test_hand_runs_until_its_time_is_over_and_ends_where_auto_would_be() -> None:
    world = World(setup(LIMITS._replace(min_on_s=60.0))).soc_for(80.0, 300.0).select(Selector.HAND, for_s=600.0)
    assert world.changes == [(300.0, "on", "hand")]
    world.soc_for(80.0, 590.0).wait_through(10.0)
    assert world.changes[1:] == [(900.0, "off", "hand_over")]
    assert world.state.selector == Selector.AUTO


def test_hand_ends_on_while_there_is_surplus() -> None:
    world = World().soc_for(98.0, 300.0).select(Selector.HAND, for_s=600.0).soc_for(94.0, 700.0)
    assert world.seen_as == ("on", "surplus")
    assert len(world.changes) == 1


def test_hand_is_over_exactly_at_its_end() -> None:
    world = World(setup(AT_ONCE)).soc(80.0).select(Selector.HAND, for_s=30.0)
    assert world.state.deadline == world.t + 30.0
    assert world.wait(29.999).wake().seen_as == ("on", "hand")
    assert world.wait_through(0.001).seen_as == ("off", "hand_over")


@pytest.mark.parametrize("for_s", [0.0, -1.0, MISSING])
def test_hand_without_a_future_is_auto(for_s: float) -> None:
    world = World(setup(AT_ONCE)).soc(80.0).select(Selector.HAND, for_s=for_s)
    assert world.seen_as == ("off", "below_cut_in")
    assert world.state.selector == Selector.AUTO


def test_hand_waits_for_the_minimum_off_and_gives_way_to_every_veto() -> None:
    world = World().soc(80.0).select(Selector.HAND, for_s=7_200.0)
    assert world.seen_as == ("off", "min_off_dwell")
    world.soc_for(80.0, 300.0)
    assert world.seen_as == ("on", "hand")
    assert world.wait(1.0).soc(49.9).seen_as == ("off", "below_floor")
    assert world.soc_for(80.0, 299.0).seen_as == ("off", "min_off_dwell")
    assert world.wait_through(1.0).seen_as == ("on", "hand")
    assert world.wait_through(59.0).seen_as == ("off", "data_lost")


def test_off_means_off_and_auto_resumes() -> None:
    world = running().wait(1.0).select(Selector.OFF)
    assert world.changes[-1] == (301.0, "off", "selector_off")
    world.soc_for(98.0, 600.0)
    assert world.seen_as == ("off", "selector_off")
    assert world.select(Selector.AUTO).seen_as == ("on", "surplus")


def test_a_selector_set_to_off_or_auto_forgets_the_end_of_hand() -> None:
    world = World(setup(AT_ONCE)).soc(80.0).select(Selector.HAND, for_s=30.0).select(Selector.OFF)
    world.soc_for(80.0, 40.0)
    assert world.seen_as == ("off", "selector_off")


def test_hand_asked_for_while_a_veto_holds_is_refused_and_nothing_fires_later() -> None:
    world = World(setup(AT_ONCE, window=("12:01-17:00",))).soc(80.0)
    world.select(Selector.HAND, for_s=600.0)
    assert (world.rows[-1].refused, world.seen_as) == (Cause.OUTSIDE_WINDOW, ("off", "outside_window"))
    assert world.state.selector == Selector.AUTO
    world.soc_for(80.0, 120.0)
    assert world.changes == []
    assert world.select(Selector.HAND, for_s=600.0).seen_as == ("on", "hand")
    assert world.rows[-1].refused == Cause.NONE


def test_a_refused_hand_leaves_the_selector_where_it_was() -> None:
    world = World(setup(AT_ONCE)).soc(40.0).select(Selector.OFF)
    assert world.select(Selector.HAND, for_s=600.0).rows[-1].refused == Cause.BELOW_FLOOR
    assert world.state.selector == Selector.OFF
    assert world.soc(80.0).seen_as == ("off", "selector_off")
    assert world.select(Selector.HAND, for_s=600.0).seen_as == ("on", "hand")


def test_hand_refused_while_hand_is_running_keeps_the_time_it_had() -> None:
    world = World(setup(AT_ONCE)).soc(80.0).select(Selector.HAND, for_s=30.0).soc(40.0)
    assert world.select(Selector.HAND, for_s=600.0).rows[-1].refused == Cause.BELOW_FLOOR
    assert world.soc(80.0).seen_as == ("on", "hand")
    assert world.wait_through(30.0).seen_as == ("off", "hand_over")


def test_a_dwell_is_no_veto_and_hand_waits_for_it() -> None:
    world = World().soc(80.0).select(Selector.HAND, for_s=600.0)
    assert (world.rows[-1].refused, world.seen_as) == (Cause.NONE, ("off", "min_off_dwell"))


def test_surplus_that_ended_in_a_dwell_is_below_cut_out_and_a_run_by_hand_is_hand_over() -> None:
    by_surplus = running().wait(1.0).soc(92.0).soc_for(95.0, 299.0)
    assert [change[1:] for change in by_surplus.changes] == [("on", "surplus"), ("off", "below_cut_out")]
    by_hand = World().soc_for(80.0, 300.0).select(Selector.HAND, for_s=60.0).soc_for(80.0, 300.0)
    assert by_hand.changes == [(300.0, "on", "hand"), (600.0, "off", "hand_over")]


def test_hand_that_surplus_took_over_ends_below_cut_out() -> None:
    world = World(setup(AT_ONCE)).soc(80.0).select(Selector.HAND, for_s=30.0).soc(98.0).wait(31.0).soc(95.0)
    assert world.seen_as == ("on", "surplus")
    assert world.soc(92.0).seen_as == ("off", "below_cut_out")


# A restart, and the stop


def test_a_selector_in_off_and_a_lockout_are_restored() -> None:
    world = World(setup(AT_ONCE))
    world.state = start(world.t, selector=Selector.OFF, lockout=Lockout.PIN_FAULT)
    assert world.soc(98.0).seen_as == ("off", "lockout")
    assert world.send(Kind.RESET).seen_as == ("off", "selector_off")
    assert world.select(Selector.AUTO).seen_as == ("on", "surplus")


def test_the_on_time_of_the_day_is_restored_for_that_day_only() -> None:
    limits = PermissiveLimits(max_on_per_day_s=600.0)
    today = World(setup(AT_ONCE, limits, max_age_s=1e6))
    day = today.schedule.at(NOON).day
    today.state = start(today.t, on_time_s=590.0, day=day)
    today.soc(98.0).wait(100.0).wake()
    assert today.changes == [(0.0, "on", "surplus"), (10.0, "off", "duty_limit")]
    tomorrow = World(setup(AT_ONCE, limits, max_age_s=1e6))
    tomorrow.state = start(tomorrow.t, on_time_s=590.0, day=day - 1)
    tomorrow.soc(98.0).wait(100.0).wake()
    assert tomorrow.changes == [(0.0, "on", "surplus")]


def test_the_stop_is_one_change_from_on_and_none_from_off() -> None:
    world = running().wait(7.0).send(Kind.STOP)
    assert world.changes[-1] == (307.0, "off", "stopping")
    assert (world.rows[-1].previous_cause, world.rows[-1].after_s) == (Cause.SURPLUS, 7.0)
    assert world.rows[-1].state_of_charge == 98.0
    again = world.send(Kind.STOP)
    assert not again.rows[-1].changed
    assert again.seen_as == ("off", "stopping")


def test_the_stop_is_no_start() -> None:
    world = World().soc_for(98.0, 290.0).stall(15.0).send(Kind.STOP)
    assert (world.changes, world.seen_as) == ([], ("off", "min_off_dwell"))


def test_a_relay_that_could_not_be_driven_off_counts_as_on_since_it_went_on() -> None:
    """The law said off, the pin did not obey: no change came about, and the relay is locked out."""
    world = running().wait(400.0).soc(98.0)
    since = START + 300.0
    world.send(Kind.ASSUME_ON, stamp=since)
    assert not world.rows[-1].changed
    assert (world.seen_as, world.state.lockout) == (("on", "lockout"), Lockout.PIN_FAULT)
    assert world.state.law.relay_since == since
    assert world.soc(98.0).changes[-1][1:] == ("off", "lockout")  # it is tried again with every event


# Lockout and evidence of the contact


def test_a_pin_fault_locks_out_until_a_person_resets_it() -> None:
    world = running().wait(5.0).send(Kind.PIN_FAULT)
    assert world.changes[-1] == (305.0, "off", "lockout")
    assert world.state.lockout == Lockout.PIN_FAULT
    world.soc_for(98.0, 600.0)
    assert world.seen_as == ("off", "lockout")
    assert world.send(Kind.RESET).seen_as == ("on", "surplus")
    assert world.state.lockout == Lockout.NONE


def test_a_contact_closed_while_commanded_off_locks_out() -> None:
    world = World().soc(90.0).wait(10.0).feed_back(Feedback.CLOSED)
    assert world.seen_as == ("off", "lockout")
    assert (world.state.lockout, world.state.evidence) == (
        Lockout.CONTACT_CLOSED,
        Evidence.CLOSED_WHILE_OFF,
    )
    assert world.send(Kind.RESET).seen_as == ("off", "lockout")  # it still is
    world.wait(1.0).feed_back(Feedback.OPEN)
    assert world.seen_as == ("off", "lockout")  # latched
    assert world.send(Kind.RESET).seen_as == ("off", "below_cut_in")


def test_the_contact_has_its_time_to_move() -> None:
    world = World().feed_back(Feedback.OPEN).soc_for(98.0, 300.0)
    assert world.seen_as == ("on", "surplus")
    world.wait(0.2).feed_back(Feedback.CLOSED).wait_through(10.0)
    assert world.state.evidence == Evidence.NONE
    world.select(Selector.OFF)
    assert world.state.deadline == world.t + 0.5
    world.wait(0.4).feed_back(Feedback.OPEN).wait_through(1.0)
    assert (world.state.lockout, world.state.evidence) == (Lockout.NONE, Evidence.NONE)


def test_a_contact_that_does_not_open_in_its_time_locks_out() -> None:
    world = World().feed_back(Feedback.OPEN).soc_for(98.0, 300.0)
    world.wait(0.2).feed_back(Feedback.CLOSED).wait(5.0).select(Selector.OFF).wait(0.499).wake()
    assert world.state.lockout == Lockout.NONE
    world.wait_through(0.001)
    assert world.state.lockout == Lockout.CONTACT_CLOSED


def test_load_power_while_off_locks_out_once_it_has_settled() -> None:
    world = running().wait(20.0).measure(Signal.LOAD_POWER, 300.0).select(Selector.OFF)
    assert world.wait(9.9).measure(Signal.LOAD_POWER, 300.0).seen_as == ("off", "selector_off")
    assert world.wait(0.1).measure(Signal.LOAD_POWER, 300.0).seen_as == ("off", "lockout")


def test_no_load_power_while_on_is_reported_and_is_no_fault() -> None:
    """The tank is hot, or the element is open."""
    world = running().wait(30.0).measure(Signal.LOAD_POWER, 0.0)
    assert world.seen_as == ("on", "surplus")
    assert world.state.evidence == Evidence.OPEN_WHILE_ON
    assert world.soc(98.0).wait_through(59.0).state.evidence == Evidence.OPEN_WHILE_ON
    assert world.soc(98.0).wait_through(1.0).state.evidence == Evidence.NONE  # its own data are lost


def test_a_change_of_the_relay_begins_the_evidence_of_the_contact_anew() -> None:
    world = running().wait(30.0).measure(Signal.LOAD_POWER, 0.0).select(Selector.OFF)
    assert world.state.evidence == Evidence.NONE


# Deadlines


PERMISSIVES = PermissiveLimits(
    drain_limit_w=50.0, drain_limit_s=20.0, drain_rest_s=40.0, max_on_s=25.0, max_on_per_day_s=3_600.0
)


@pytest.mark.parametrize(
    ("after_s", "script"),
    [
        (60.0, lambda world: world.soc(80.0)),
        (300.0, lambda world: world.soc(80.0).send(Kind.UNKNOWN)),  # the minimum-off dwell
        (60.0, lambda world: world.measure(Signal.SOLAR_POWER, 500.0)),
        (7.0, lambda world: world.soc(80.0).select(Selector.HAND, for_s=7.0)),
        (0.5, lambda world: world.feed_back(Feedback.OPEN)),
    ],
)
def test_the_deadline_is_the_next_moment_at_which_anything_can_change(
    after_s: float, script: Callable[[World], World]
) -> None:
    assert script(World()).state.deadline == START + after_s


def test_the_deadlines_of_the_permissives() -> None:
    world = World(setup(LIMITS._replace(confirm_s=0.0, min_on_s=10.0, min_off_s=0.0), PERMISSIVES, max_age_s=1e9))
    world.measure(Signal.BATTERY_POWER, -100.0)
    assert world.state.deadline == world.t + 20.0  # the drain
    world.measure(Signal.BATTERY_POWER, 0.0).soc(98.0)
    assert world.state.deadline == world.t + 10.0  # the minimum-on dwell
    world.wait_through(10.0)
    assert world.state.deadline == world.t + 15.0  # the run
    world.wait_through(15.0)
    assert world.changes == [(0.0, "on", "surplus"), (25.0, "off", "duty_limit")]
    world.select(Selector.OFF)
    assert world.state.deadline == START + 12 * 3_600.0  # midnight


def test_to_be_woken_early_or_twice_does_nothing() -> None:
    world = running()
    before = (world.seen_as, world.state.deadline, world.state.law)
    for _ in range(10):
        world.wait(1.0).wake().wake()
    assert (world.seen_as, world.state.deadline, world.state.law) == before


# Late


def test_what_was_lost_during_a_stall_stays_lost() -> None:
    """The data ran out at 360 s, nobody was awake, and a sample comes at 370 s."""
    world = running().stall(70.0)
    late = len(world.rows)
    world.soc(98.0)
    lost, after = world.rows[late:]
    assert (lost.position, lost.cause, lost.changed, lost.accepted) == (Position.OFF, Cause.DATA_LOST, True, False)
    assert (after.position, after.cause, after.changed, after.accepted) == (
        Position.OFF,
        Cause.CONFIRMING,
        False,
        True,
    )


def test_a_late_look_that_changes_nothing_names_the_cause_that_holds() -> None:
    off = World().soc(80.0).stall(70.0).soc(80.0)
    assert [row.cause for row in off.rows[-2:]] == [Cause.DATA_LOST, Cause.BELOW_CUT_IN]
    on = running().wait(10.0).measure(Signal.SOLAR_POWER, 500.0).wait(40.0).soc(98.0).stall(30.0).soc(98.0)
    assert [row.cause for row in on.rows[-2:]] == [Cause.SURPLUS, Cause.SURPLUS]


@pytest.mark.parametrize(
    ("kind", "fields", "cause"),
    [
        (Kind.SELECT, {"selector": Selector.OFF}, "selector_off"),
        (Kind.PIN_FAULT, {}, "lockout"),
        (Kind.ABSENT, {}, "data_lost"),
        (Kind.UNKNOWN, {}, "data_lost"),
        (Kind.SAMPLE, {"value": 80.0, "stamp": START + 305.0}, "below_cut_in"),
        (Kind.SAMPLE, {"value": 40.0, "stamp": START + 305.0}, "below_floor"),
        (Kind.FEEDBACK, {"feedback": Feedback.CLOSED}, "lockout"),
    ],
)
def test_an_overdue_deadline_does_not_start_what_the_event_forbids(
    kind: Kind, fields: dict[str, object], cause: str
) -> None:
    """The minimum-off dwell ran out at 300 s, nobody was awake: not a single pulse at 305 s."""
    world = World().soc_for(98.0, 290.0).stall(15.0)
    world.send(kind, **fields)
    assert world.seen_as == ("off", cause)
    assert world.changes == []
    assert world.rows[-2].cause == Cause.MIN_OFF_DWELL


def test_an_overdue_deadline_starts_with_an_event_that_allows_it_or_a_late_wake() -> None:
    with_a_sample = World().soc_for(98.0, 290.0).stall(15.0).soc(98.0)
    by_a_wake = World().soc_for(98.0, 290.0).stall(15.0).wake()
    assert with_a_sample.changes == by_a_wake.changes == [(305.0, "on", "surplus")]


def test_a_late_wake_still_turns_off() -> None:
    world = running().stall(1_000.0).wake()
    assert world.changes[-1] == (1_300.0, "off", "data_lost")


# The wall clock


def test_a_stepped_wall_clock_does_not_touch_ages_and_dwells() -> None:
    world = running()
    for years in (-55, 50, 0):
        world.ahead = NOON - START + years * 31_557_600.0
        assert world.wake().seen_as == ("on", "surplus")
        assert world.state.deadline == START + 360.0


def test_a_stepped_wall_clock_is_looked_at_in_the_window_at_once() -> None:
    world = running(setup(window=("09:00-17:00",)))
    assert world.state.window_changes_at == START + 5 * 3_600.0
    world.ahead += 6 * 3_600.0
    assert world.wait(1.0).wake().seen_as == ("off", "outside_window")
    assert world.state.window_changes_at == START + 301.0 + 15 * 3_600.0 - 301.0


def test_a_clock_set_back_across_midnight_does_not_renew_the_days_on_time() -> None:
    limits = PermissiveLimits(max_on_per_day_s=1_800.0)
    world = World(setup(AT_ONCE, limits), wall=NOON + 12 * 3_600.0).soc(98.0)
    world.soc_for(98.0, 1_800.0)
    assert world.changes == [(0.0, "on", "surplus"), (1_800.0, "off", "duty_limit")]
    world.ahead -= 3_600.0
    assert world.soc(98.0).seen_as == ("off", "duty_limit")
    world.soc_for(98.0, 1_800.0)
    assert world.seen_as == ("on", "surplus")  # midnight, once more


def test_a_board_that_starts_in_1970_still_knows_the_restored_on_time_once_it_gets_the_true_time() -> None:
    limits = PermissiveLimits(max_on_per_day_s=1_800.0)
    world = World(setup(AT_ONCE, limits), wall=60.0)
    world.state = start(START, on_time_s=1_700.0, day=date(2025, 6, 16).toordinal())
    world.soc_for(98.0, 50.0)
    assert world.changes == [(10.0, "on", "surplus")]
    world.ahead += NOON
    world.wake().soc_for(98.0, 600.0)
    assert world.changes == [(10.0, "on", "surplus"), (110.0, "off", "duty_limit")]


# The window, the drain and the day's on-time, through the controller


def test_the_window_opens_and_closes_on_the_second() -> None:
    world = World(setup(AT_ONCE, window=("12:01-12:03",))).soc_for(98.0, 300.0, every_s=7.0)
    assert world.changes == [(60.0, "on", "surplus"), (180.0, "off", "outside_window")]


@pytest.mark.parametrize(
    ("zone", "eve", "opens", "closes"),
    [
        ("Europe/London", (2025, 3, 29, 23), 10 * 3_600.0 - 3_600.0, 18 * 3_600.0 - 3_600.0),
        ("Europe/London", (2025, 10, 25, 23), 11 * 3_600.0, 19 * 3_600.0),
        ("America/New_York", (2025, 3, 8, 23), 9 * 3_600.0, 17 * 3_600.0),
        ("America/New_York", (2025, 11, 1, 23), 11 * 3_600.0, 19 * 3_600.0),
        ("Australia/Lord_Howe", (2025, 10, 4, 23), 9.5 * 3_600.0, 17.5 * 3_600.0),
        ("Australia/Lord_Howe", (2025, 4, 5, 23), 10.5 * 3_600.0, 18.5 * 3_600.0),
    ],
)
def test_a_window_of_local_time_the_night_the_clocks_change(
    zone: str, eve: tuple[int, ...], opens: float, closes: float
) -> None:
    """09:00 to 17:00 local time, counted from 23:00 the evening before."""
    here = ZoneInfo(zone)
    began = datetime(*eve, tzinfo=here).timestamp()  # type: ignore[arg-type,misc]
    world = World(setup(AT_ONCE, window=("09:00-17:00",), zone=here, max_age_s=1e6), wall=began).soc(98.0)
    world.wait_through(24 * 3_600.0)
    assert world.changes == [(opens, "on", "surplus"), (closes, "off", "outside_window")]


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/London", (2025, 3, 30), 23.0),
        ("Europe/London", (2025, 10, 26), 25.0),
        ("Europe/London", (2025, 6, 16), 24.0),
        ("Australia/Lord_Howe", (2025, 10, 5), 23.5),
    ],
)
def test_the_days_on_time_is_renewed_at_local_midnight_however_long_the_day(
    zone: str, day: tuple[int, int, int], hours: float
) -> None:
    here = ZoneInfo(zone)
    midnight = datetime(*day, tzinfo=here).timestamp()
    permissives = PermissiveLimits(max_on_per_day_s=7_200.0)
    world = World(setup(AT_ONCE, permissives, zone=here, max_age_s=1e6), wall=midnight).soc(98.0)
    world.wait_through(hours * 3_600.0 + 7_200.0)
    assert world.changes == [
        (0.0, "on", "surplus"),
        (7_200.0, "off", "duty_limit"),
        (hours * 3_600.0, "on", "surplus"),
        (hours * 3_600.0 + 7_200.0, "off", "duty_limit"),
    ]


def test_a_run_across_a_midnight_nobody_was_awake_at_counts_from_midnight() -> None:
    permissives = PermissiveLimits(max_on_per_day_s=1_800.0)
    world = World(setup(AT_ONCE, permissives, max_age_s=1e6), wall=NOON + 12 * 3_600.0 - 600.0)
    world.soc(98.0).stall(1_000.0).wake()
    assert world.state.permissives.on_time_s == pytest.approx(400.0, abs=1e-6)
    world.wait_through(1_400.0)
    assert world.changes == [(0.0, "on", "surplus"), (pytest.approx(2_400.0, abs=1e-6), "off", "duty_limit")]


def test_a_drain_trips_rests_and_starts_again() -> None:
    world = World(setup(AT_ONCE, PERMISSIVES._replace(max_on_s=MISSING), max_age_s=1e6))
    world.measure(Signal.BATTERY_POWER, 0.0).soc(98.0).measure(Signal.BATTERY_POWER, -60.0)
    world.wait_through(20.0).wait(1.0).measure(Signal.BATTERY_POWER, 200.0).wait_through(100.0)
    assert world.changes == [(0.0, "on", "surplus"), (20.0, "off", "drain_limit"), (60.0, "on", "surplus")]


def test_a_permissive_without_its_signal_is_data_lost_though_the_state_of_charge_lives() -> None:
    permissives = PermissiveLimits(tank_cut_out_c=70.0, tank_cut_in_c=60.0)
    world = World(setup(AT_ONCE, permissives)).soc(98.0)
    assert world.seen_as == ("off", "data_lost")
    world.measure(Signal.TANK_TEMPERATURE, 60.0).wait(30.0).soc(98.0)
    assert world.seen_as == ("on", "surplus")
    world.wait_through(30.0)
    assert world.changes[-1] == (60.0, "off", "data_lost")
    assert world.measure(Signal.TANK_TEMPERATURE, 65.0).seen_as == ("off", "tank_hot")
    assert world.measure(Signal.TANK_TEMPERATURE, 59.0).seen_as == ("on", "surplus")


# New settings


def test_new_settings_are_due_at_once_and_keep_what_is_remembered() -> None:
    world = running()
    memory = world.state.law
    world.reconfigure(setup(LIMITS._replace(cut_in_percent=99.0)))
    assert world.state.deadline == world.t
    assert world.wait(1.0).seen_as == ("on", "surplus")
    nothing = pytest.approx(MISSING, nan_ok=True)
    assert world.state.law == memory._replace(above_since=nothing, heard_at=nothing)
    assert world.state.deadline > world.t


def test_a_shorter_greatest_age_counts_for_what_is_known_already() -> None:
    world = running().wait(20.0)
    world.reconfigure(setup(max_age_s=20.0))
    assert world.state.charge_expires_at == world.t
    assert world.wake().seen_as == ("off", "data_lost")


def test_under_new_settings_a_late_event_comes_after_what_they_lose() -> None:
    world = running().wait(20.0)
    world.reconfigure(setup(max_age_s=20.0))
    world.soc(98.0)
    assert [row.cause for row in world.rows[-2:]] == [Cause.DATA_LOST, Cause.CONFIRMING]


def test_a_longer_greatest_age_brings_nothing_back_and_lengthens_no_age() -> None:
    world = running().wait(20.0)
    world.reconfigure(setup(max_age_s=600.0))
    assert world.state.charge_expires_at == START + 360.0
    world.wait_through(40.0)
    assert world.seen_as == ("off", "data_lost")
    world.reconfigure(setup(max_age_s=6_000.0))
    assert world.wake().seen_as == ("off", "data_lost")


def test_a_signal_no_longer_configured_takes_no_more_samples() -> None:
    world = running().measure(Signal.SOLAR_POWER, 500.0)
    ages = tuple(60.0 if signal == Signal.STATE_OF_CHARGE else MISSING for signal in Signal)
    world.reconfigure(setup(max_age_s=ages))
    world.wait(1.0).measure(Signal.SOLAR_POWER, 600.0)
    assert world.state.data[Signal.SOLAR_POWER].value == 500.0
    world.soc_for(98.0, 100.0)
    assert world.seen_as == ("on", "surplus")


@pytest.mark.parametrize(
    ("limits", "window", "seen_as"),
    [
        ({"floor_percent": 99.0}, (), ("off", "below_floor")),
        ({"cut_out_percent": 98.5, "cut_in_percent": 99.0}, (), ("on", "min_on_dwell")),
        ({"cut_out_percent": 98.5, "cut_in_percent": 99.0, "min_on_s": 0.0}, (), ("off", "below_cut_out")),
        ({}, ("13:00-14:00",), ("off", "outside_window")),
        ({"cut_in_percent": 100.0}, (), ("on", "surplus")),
    ],
)
def test_the_next_look_is_by_the_new_settings(
    limits: dict[str, float], window: tuple[str, ...], seen_as: tuple[str, str]
) -> None:
    world = running().wait(10.0)
    world.reconfigure(setup(LIMITS._replace(**limits), window=window))
    assert world.wake().seen_as == seen_as


def test_a_lower_cut_in_starts_nothing_before_it_is_confirmed_by_samples() -> None:
    world = World().soc_for(95.0, 400.0)
    world.reconfigure(setup(LIMITS._replace(cut_in_percent=94.0)))
    assert world.wake().seen_as == ("off", "confirming")
    assert world.wait(29.0).soc(95.0).wait(29.0).soc(95.0).seen_as == ("off", "confirming")
    assert world.wait(1.0).soc(95.0).seen_as == ("on", "surplus")


# Values that come together, and records that tell how long a value went on arriving


def test_values_that_came_together_are_evaluated_once_with_the_last() -> None:
    """As one row of a record: the state of charge last, since its arrival is the evidence."""
    permissives = PermissiveLimits(tank_cut_out_c=70.0, tank_cut_in_c=60.0)
    world = World(setup(AT_ONCE, permissives))
    tank = Event(world.t, NOON, Kind.SAMPLE, Signal.TANK_TEMPERATURE, 40.0, world.t)
    stale = Event(world.t, NOON, Kind.SAMPLE, Signal.SOLAR_POWER, 800.0, world.t - 60.0)
    world.remember(tank)
    world.remember(stale)
    assert world.state.cause == Cause.STARTING
    assert world.state.deadline == world.t + 60.0
    assert is_missing(world.state.data[Signal.SOLAR_POWER].value)
    assert world.soc(98.0).seen_as == ("on", "surplus")
    assert len(world.rows) == 1


def test_a_state_of_charge_taken_without_an_evaluation_is_no_evidence() -> None:
    world = World(setup(AT_ONCE))
    world.remember(Event(world.t, NOON, Kind.SAMPLE, Signal.STATE_OF_CHARGE, 98.0, world.t))
    assert world.wake().seen_as == ("off", "confirming")


@pytest.mark.parametrize(("longer_s", "expires_after_s"), [(-10.0, 60.0), (0.0, 60.0), (25.0, 85.0)])
def test_a_value_that_went_on_arriving_lives_longer_never_shorter(longer_s: float, expires_after_s: float) -> None:
    world = running()
    world.remember(Event(world.t, NOON, Kind.HELD, Signal.STATE_OF_CHARGE, stamp=world.t + longer_s))
    assert world.state.charge_expires_at == world.state.deadline == world.t + expires_after_s
    world.wait_through(expires_after_s)
    assert world.changes[-1] == (300.0 + expires_after_s, "off", "data_lost")


# The heartbeat


def beating(world: World, beat: float) -> World:
    return world.measure(Signal.HEARTBEAT, beat)


WITH_HEARTBEAT = setup(AT_ONCE, max_age_s=600.0, heartbeat_s=30.0)


def test_without_a_change_of_the_heartbeat_no_signal_is_live() -> None:
    """The bridge repeats the last values of a source that died, as live messages, once a second."""
    world = beating(beating(World(WITH_HEARTBEAT), 1.0).soc(98.0), 2.0).soc(98.0)
    assert world.seen_as == ("on", "surplus")
    assert world.state.charge_expires_at == START + 30.0
    for _ in range(29):
        beating(world.wait(1.0), 2.0).soc(98.0)
    assert world.seen_as == ("on", "surplus")
    beating(world.wait_through(1.0), 2.0).soc(98.0)
    assert world.changes[1:] == [(30.0, "off", "data_lost")]
    assert is_missing(world.rows[-1].state_of_charge)


def test_the_first_heartbeat_is_no_change() -> None:
    world = beating(World(WITH_HEARTBEAT).soc(98.0), 7.0).soc(98.0)
    assert (world.seen_as, world.state.known.seen) == (("off", "starting"), False)
    assert beating(world, 7.0).soc(98.0).seen_as == ("off", "starting")
    assert beating(world, 8.0).seen_as == ("off", "confirming")  # live again, and no sample yet
    assert world.soc(98.0).seen_as == ("on", "surplus")


def test_a_heartbeat_that_went_on_after_a_stop_brings_back_what_is_still_young() -> None:
    world = beating(beating(World(WITH_HEARTBEAT), 1.0), 2.0).soc(98.0)
    beating(world.wait_through(40.0), 3.0)
    assert [change[1:] for change in world.changes] == [("on", "surplus"), ("off", "data_lost")]
    assert world.seen_as == ("off", "confirming")
    assert world.soc(98.0).seen_as == ("on", "surplus")


@pytest.mark.parametrize("kind", [Kind.UNKNOWN, Kind.ABSENT])
def test_a_heartbeat_that_is_not_known_has_stopped_until_it_changes(kind: Kind) -> None:
    world = beating(beating(World(WITH_HEARTBEAT), 1.0), 2.0).soc(98.0).send(kind, signal=Signal.HEARTBEAT)
    assert world.seen_as == ("off", "data_lost")
    assert beating(world, 2.0).soc(98.0).seen_as == ("off", "data_lost")
    assert beating(world, 3.0).soc(98.0).seen_as == ("on", "surplus")


def test_no_permissive_reads_a_signal_of_a_source_whose_heart_has_stopped() -> None:
    limits = PermissiveLimits(voltage_cut_out_v=25.0, voltage_cut_in_v=26.0)
    world = World(setup(AT_ONCE, limits, max_age_s=600.0, heartbeat_s=30.0))
    beating(beating(world, 1.0), 2.0).measure(Signal.BATTERY_VOLTAGE, 27.0).measure(Signal.BATTERY_VOLTAGE, 25.5)
    assert world.soc(98.0).seen_as == ("on", "surplus")
    beating(world.wait_through(30.0), 2.0).soc(98.0)
    assert world.seen_as == ("off", "data_lost")
    assert beating(world, 3.0).soc(98.0).seen_as == ("off", "voltage_low")  # whether it held is not known any more


def test_new_settings_may_ask_for_a_heartbeat_or_for_none() -> None:
    world = World(setup(AT_ONCE, max_age_s=600.0)).soc(98.0)
    assert world.reconfigure(WITH_HEARTBEAT).wake().seen_as == ("off", "data_lost")
    assert world.reconfigure(setup(AT_ONCE, max_age_s=600.0)).wake().soc(98.0).seen_as == ("on", "surplus")
