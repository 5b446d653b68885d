"""The words a person reads: every cause has a meaning, and the outlook says what then really happens, and when."""

import math
from collections.abc import Callable

import pytest
from world import LIMITS, World, running, setup

from dumpload.core.contact import Feedback
from dumpload.core.controller import Kind, Setup
from dumpload.core.explain import MEANINGS, Outlook, cause_name, outlook
from dumpload.core.law import Cause, Limits, Position, Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal

HOUR = 3600.0
NOON_TO_FIVE = ("12:00-17:00",)
AFTERNOON = ("15:00-17:00",)


def seen(world: World) -> Outlook:
    return outlook(world.settings, world.state, world.t)


def words(world: World) -> str:
    return seen(world).condition


def due_in(world: World) -> float | None:
    """In how many seconds it moves, or None if that is not known."""
    at = seen(world).at
    return None if math.isnan(at) else round(at - world.t, 3)


def feed_until(world: World, end: float, percent: float) -> None:
    """Send the same state of charge every ten seconds, the last time just before `end`."""
    while world.t < end - 10.0:
        world.wait(10.0).soc(percent)
    world.wait(end - world.t - 0.001).soc(percent)


def assert_it_comes_true(world: World, percent: float = 98.0) -> None:
    """The relay stays until the moment given and moves then, if the state of charge stays as it is."""
    expected, before = seen(world), world.position
    assert expected.position != before
    feed_until(world, expected.at, percent)
    assert world.position == before, "it moved too soon"
    world.wait(expected.at - world.t).soc(percent)
    assert world.position == expected.position, world.seen_as


# ---- meanings ----


def test_every_cause_has_a_meaning_and_a_name() -> None:
    assert set(MEANINGS) == set(Cause) - {Cause.NONE}
    assert all(meaning.endswith(".") and meaning[0].isupper() for meaning in MEANINGS.values())
    assert cause_name(Cause.BELOW_CUT_IN) == "below_cut_in"


@pytest.mark.parametrize("cause", [Cause.SURPLUS, Cause.HAND, Cause.MIN_ON_DWELL])
def test_a_meaning_says_so_when_the_load_is_on(cause: Cause) -> None:
    assert MEANINGS[cause].startswith("On")


# ---- off: what would bring it on ----


def with_limits(**changes: float) -> Setup:
    return setup(Limits(**{**LIMITS._asdict(), **changes}))


def dwelt(configured: Setup | None = None) -> World:
    """A world whose minimum off-time is over, and that has heard nothing yet."""
    return World(configured).wait_through(300.0).wake()


def locked_out(kind: Kind, **fields: object) -> World:
    return dwelt().send(kind, **fields).soc(98.0)


VOLTS = PermissiveLimits(voltage_cut_out_v=25.0, voltage_cut_in_v=26.0)
TANK = PermissiveLimits(tank_cut_out_c=65.0, tank_cut_in_c=55.0)
SURPLUS = "the state of charge is at or above 97 % for 30 s"


def off_because(cause: Cause, world: World) -> World:
    assert (world.position, world.state.cause) == (Position.OFF, cause)
    return world


@pytest.mark.parametrize(
    ("cause", "make", "condition"),
    [
        (Cause.STARTING, dwelt, f"valid data arrive, and {SURPLUS}"),
        (
            Cause.DATA_LOST,
            lambda: dwelt().soc(80.0).select(Selector.HAND, for_s=HOUR).send(Kind.UNKNOWN),
            "valid data arrive",
        ),
        (
            Cause.STARTING,
            lambda: dwelt().select(Selector.OFF),
            "valid data arrive, and the selector is set to auto or hand",
        ),
        (Cause.DATA_LOST, lambda: dwelt().soc(98.0).wait_through(60.0), f"valid data arrive, and {SURPLUS}"),
        (
            Cause.LOCKOUT,
            lambda: locked_out(Kind.PIN_FAULT),
            (
                "the fault (pin failure) is inspected and the lockout is reset, "
                "and the state of charge stays at or above 97 %"
            ),
        ),
        (
            Cause.LOCKOUT,
            lambda: locked_out(Kind.FEEDBACK, feedback=Feedback.CLOSED),
            (
                "the fault (contact closed although commanded off) is inspected and the lockout is reset, "
                "and the state of charge stays at or above 97 %"
            ),
        ),
        (Cause.SELECTOR_OFF, lambda: dwelt().select(Selector.OFF).soc(98.0), "the selector is set to auto or hand"),
        (Cause.BELOW_FLOOR, lambda: dwelt().soc(40.0), SURPLUS),
        (
            Cause.BELOW_FLOOR,
            lambda: dwelt().soc(80.0).select(Selector.HAND, for_s=HOUR).soc(40.0),
            "the state of charge is at or above the floor, 50 %",
        ),
        (
            Cause.OUTSIDE_WINDOW,
            lambda: dwelt(setup(window=AFTERNOON)).soc(90.0),
            f"the daylight window opens, and {SURPLUS}",
        ),
        (
            Cause.OUTSIDE_WINDOW,
            lambda: dwelt(setup(window=AFTERNOON)).soc(98.0).soc_for(98.0, 30.0),
            "the daylight window opens",
        ),
        (
            Cause.VOLTAGE_LOW,
            lambda: dwelt(setup(permissives=VOLTS)).measure(Signal.BATTERY_VOLTAGE, 24.0).soc(90.0),
            f"the battery voltage is at or above 26 V, and {SURPLUS}",
        ),
        (
            Cause.TANK_HOT,
            lambda: dwelt(setup(permissives=TANK)).measure(Signal.TANK_TEMPERATURE, 66.0).soc(90.0),
            f"the tank is at or below 55 °C, and {SURPLUS}",
        ),
        (Cause.BELOW_CUT_IN, lambda: dwelt().soc(90.0), SURPLUS),
        (Cause.BELOW_CUT_IN, lambda: dwelt(with_limits(confirm_s=0.0)).soc(90.0), SURPLUS.removesuffix(" for 30 s")),
        (Cause.CONFIRMING, lambda: dwelt().soc(98.0), "the state of charge stays at or above 97 %"),
        (Cause.CONFIRMING, lambda: dwelt().soc(98.0).send(Kind.EVIDENCE_RESET), SURPLUS),
    ],
)
def test_off_the_outlook_names_all_that_is_wanting(cause: Cause, make: Callable[[], World], condition: str) -> None:
    world = off_because(cause, make())
    assert seen(world)[:2] == (Position.ON, condition)


def test_after_a_cut_out_the_surplus_has_to_come_back() -> None:
    world = running().soc_for(98.0, 300.0).soc(92.0)
    off_because(Cause.BELOW_CUT_OUT, world)
    assert (words(world), due_in(world)) == (SURPLUS, 300.0)


def test_a_service_that_is_ending_comes_back_only_when_it_is_started() -> None:
    world = running().send(Kind.STOP)
    assert seen(world)[:2] == (Position.ON, "the service is started again")
    assert due_in(world) is None


# ---- off: when, at the earliest ----


def test_nothing_is_known_of_when_the_bank_will_be_full() -> None:
    assert due_in(dwelt().soc(90.0)) is None
    assert due_in(dwelt()) is None


def test_while_the_minimum_off_time_runs_it_is_not_before_its_end() -> None:
    assert due_in(World().wake().soc(90.0).wait(60.0).soc(90.0)) == 240.0


def test_a_surplus_waits_for_the_minimum_off_time() -> None:
    world = World().soc(98.0).soc_for(98.0, 60.0)
    assert (off_because(Cause.MIN_OFF_DWELL, world), due_in(world)) == (world, 240.0)
    assert words(world) == "the minimum off time is over"
    assert_it_comes_true(world)


def test_a_surplus_being_confirmed_is_due_when_the_confirm_time_is_over() -> None:
    world = dwelt().soc(98.0).wait(12.0).soc(98.0)
    assert due_in(world) == 18.0
    assert_it_comes_true(world)


def test_a_confirmation_that_ends_before_the_minimum_off_time_waits_for_that() -> None:
    world = World().soc(98.0).wait(12.0).soc(98.0)
    assert (off_because(Cause.CONFIRMING, world), due_in(world)) == (world, 288.0)
    assert_it_comes_true(world)


def test_a_moment_that_has_passed_is_not_given() -> None:
    world = dwelt().soc(98.0).wait_through(31.0)
    assert (off_because(Cause.CONFIRMING, world), due_in(world)) == (world, None)


def test_outside_the_window_it_is_due_when_the_window_opens() -> None:
    world = dwelt(setup(window=AFTERNOON)).soc(98.0).soc_for(98.0, 30.0)
    assert due_in(world) == 3 * HOUR - 330.0
    assert_it_comes_true(world)


def test_drained_it_is_due_when_the_rest_is_over() -> None:
    drain = PermissiveLimits(drain_limit_w=50.0, drain_limit_s=60.0, drain_rest_s=900.0)
    world = World(setup(permissives=drain, max_age_s=2 * HOUR)).measure(Signal.BATTERY_POWER, 0.0)
    world.soc(98.0).soc_for(98.0, 300.0)
    assert world.position == Position.ON
    world.measure(Signal.BATTERY_POWER, -60.0).wait_through(60.0)
    off_because(Cause.DRAIN_LIMIT, world).measure(Signal.BATTERY_POWER, 0.0)
    assert (words(world), due_in(world)) == ("the pause after the drain is over", 900.0)
    assert_it_comes_true(world)


def test_a_drain_that_goes_on_after_its_rest_has_no_known_end() -> None:
    drain = PermissiveLimits(drain_limit_w=50.0, drain_limit_s=60.0, drain_rest_s=900.0)
    world = dwelt(setup(permissives=drain, max_age_s=2 * HOUR)).soc(98.0)
    world.measure(Signal.BATTERY_POWER, -60.0).wait_through(60.0).wait_through(900.0).soc(98.0)
    assert (off_because(Cause.DRAIN_LIMIT, world), due_in(world)) == (world, None)


def test_a_run_that_was_long_enough_is_followed_by_the_minimum_off_time() -> None:
    world = running(setup(permissives=PermissiveLimits(max_on_s=600.0), window=NOON_TO_FIVE))
    world.soc_for(98.0, 599.0).wait_through(1.0)
    assert (off_because(Cause.DUTY_LIMIT, world), due_in(world)) == (world, 300.0)
    assert words(world) == "the minimum off time is over"
    assert_it_comes_true(world)


def test_a_day_that_used_up_its_on_time_is_followed_by_a_new_day() -> None:
    world = running(setup(permissives=PermissiveLimits(max_on_per_day_s=600.0)))
    world.soc_for(98.0, 599.0).wait_through(1.0)
    assert (off_because(Cause.DUTY_LIMIT, world), due_in(world)) == (world, 12 * HOUR - 900.0)
    assert words(world) == "a new day begins"
    assert_it_comes_true(world)


def test_a_new_day_is_not_mixed_up_with_the_end_of_the_window() -> None:
    world = running(setup(permissives=PermissiveLimits(max_on_per_day_s=600.0), window=NOON_TO_FIVE))
    world.soc_for(98.0, 599.0).wait_through(1.0).soc(98.0)
    assert (off_because(Cause.DUTY_LIMIT, world), due_in(world)) == (world, 12 * HOUR - 900.0)


# ---- on: what would take it off ----

VETOES = "a limit is reached, or data are lost"


def test_on_from_surplus_the_cut_out_or_a_veto_ends_it() -> None:
    world = running()
    assert seen(world)[:2] == (Position.OFF, f"the state of charge falls below 93 %, or {VETOES}")
    assert due_in(world) is None


def test_by_hand_only_the_floor_counts() -> None:
    world = dwelt().soc(90.0).select(Selector.HAND, for_s=1800.0)
    assert words(world) == f"the run by hand is over, or the state of charge falls below the floor, 50 %, or {VETOES}"
    assert due_in(world) == 1800.0
    assert_it_comes_true(world, percent=90.0)


def test_a_short_time_by_hand_is_held_by_the_minimum_on_time() -> None:
    world = dwelt().soc(90.0).select(Selector.HAND, for_s=60.0)
    assert due_in(world) == 300.0
    assert_it_comes_true(world, percent=90.0)


def test_hand_during_surplus_goes_on_into_auto() -> None:
    world = running().select(Selector.HAND, for_s=1800.0)
    assert words(world) == f"the state of charge falls below the floor, 50 %, or {VETOES}"
    assert due_in(world) is None
    world.soc_for(98.0, 1800.0)
    assert world.seen_as == ("on", "surplus")


def test_held_by_the_minimum_on_time_it_is_due_at_its_end() -> None:
    world = running().soc_for(98.0, 100.0).soc(92.0)
    assert world.seen_as == ("on", "min_on_dwell")
    assert words(world).startswith("the minimum on time is over, or the state of charge falls below the floor, 50 %,")
    assert due_in(world) == 200.0
    assert_it_comes_true(world, percent=92.0)


def test_within_a_window_it_is_due_at_its_end() -> None:
    world = running(setup(window=NOON_TO_FIVE))
    assert words(world).startswith("the daylight window closes, or the state of charge falls below 93 %,")
    assert due_in(world) == 5 * HOUR - 300.0
    assert_it_comes_true(world)


def test_a_longest_run_is_due_at_its_end() -> None:
    world = running(setup(permissives=PermissiveLimits(max_on_s=1200.0), window=NOON_TO_FIVE))
    assert (words(world).split(", or ")[0], due_in(world)) == ("it has been on for 20 min", 1200.0)
    assert_it_comes_true(world)


def test_the_on_time_of_a_day_is_due_when_it_is_used_up() -> None:
    world = running(setup(permissives=PermissiveLimits(max_on_per_day_s=900.0))).soc_for(98.0, 100.0)
    assert (words(world).split(", or ")[0], due_in(world)) == ("the on-time of today is used up", 800.0)
    assert_it_comes_true(world)


def test_an_on_time_that_outlasts_the_day_is_no_end() -> None:
    world = running(setup(permissives=PermissiveLimits(max_on_per_day_s=23 * HOUR)))
    assert due_in(world) is None


def test_a_relay_that_could_not_be_driven_off_waits_for_a_person() -> None:
    world = running()
    world.send(Kind.ASSUME_ON, stamp=world.t)
    assert seen(world).position == Position.OFF
    assert words(world) == "a person opens the isolator, because the pin could not be driven off"
    assert due_in(world) is None
