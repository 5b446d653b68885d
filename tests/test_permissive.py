"""The permissives, one by one: where each ends, where it begins again, and what it forgets when its signal is lost."""

import math
from datetime import date
from itertools import combinations

import pytest

from dumpload.core import permissive
from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.permissive import PermissiveInputs, PermissiveLimits, PermissiveMemory

NOW = 50_000.0
DAY = 739_000
EVERY_LIMIT = PermissiveLimits(
    voltage_cut_out_v=25.0,
    voltage_cut_in_v=26.0,
    tank_cut_out_c=70.0,
    tank_cut_in_c=60.0,
    drain_limit_w=50.0,
    drain_limit_s=120.0,
    drain_rest_s=600.0,
    max_on_s=3_600.0,
    max_on_per_day_s=7_200.0,
)
NONE_CONFIGURED = PermissiveLimits()


def only(*prefixes: str) -> PermissiveLimits:
    """Return the limits that begin so; the others are not configured."""
    return PermissiveLimits(
        **{name: value for name, value in EVERY_LIMIT._asdict().items() if name.startswith(prefixes)}
    )


VOLTAGE, TANK, DRAIN = only("voltage"), only("tank"), only("drain")
PER_RUN, PER_DAY = only("max_on_s"), only("max_on_per_day")

WELL = PermissiveInputs(
    t=NOW,
    battery_voltage_v=28.0,
    tank_temperature_c=40.0,
    battery_power_w=200.0,
    position=Position.OFF,
    relay_since=NOW - 10_000.0,
    inside_window=True,
    window_changes_at=NEVER,
    day=DAY,
    day_began_at=NOW - 40_000.0,
    day_ends_at=NOW + 46_400.0,
)


class Story:
    """One permissive after another look: keeps the memory, counts the time."""

    def __init__(self, limits: PermissiveLimits) -> None:
        self.limits = limits
        self.memory = permissive.start(NOW)
        self.inputs = WELL
        self.permission = permissive.Permission(Cause.NONE, NEVER)

    def look(self, after_s: float = 1.0, **seen: float) -> str:
        """Look again after some time; what is not said stays as it was. Returns the cause, in lower case."""
        self.inputs = self.inputs._replace(t=self.inputs.t + after_s, **seen)
        self.memory, self.permission = permissive.step(self.limits, self.memory, self.inputs)
        return self.permission.cause.name.lower()

    def turn(self, position: Position) -> None:
        self.inputs = self.inputs._replace(position=position, relay_since=self.inputs.t)


# None configured


def test_at_the_start_nothing_is_known_to_hold() -> None:
    assert permissive.start(NOW) == PermissiveMemory(
        voltage_held=False,
        tank_held=False,
        drain_since=pytest.approx(MISSING, nan_ok=True),
        drained_at=pytest.approx(MISSING, nan_ok=True),
        on_time_s=0.0,
        counted_at=NOW,
        day=-1,
        day_ends_at=NEVER,
    )


@pytest.mark.parametrize("position", Position)
def test_what_is_not_configured_holds_always_whatever_is_measured(position: Position) -> None:
    story = Story(NONE_CONFIGURED)
    story.turn(position)
    for value in (0.0, 200.0, -30_000.0, MISSING):
        cause = story.look(
            100_000.0, battery_voltage_v=value, tank_temperature_c=value, battery_power_w=value, day=DAY + 1
        )
        assert cause == "none"
    assert story.permission.deadline == NEVER


# The window


def test_outside_the_window_it_may_not_run_and_the_deadline_is_where_that_changes() -> None:
    story = Story(NONE_CONFIGURED)
    assert story.look(inside_window=False, window_changes_at=NOW + 500.0) == "outside_window"
    assert story.permission.deadline == NOW + 500.0
    assert story.look(499.0, inside_window=True, window_changes_at=NOW + 900.0) == "none"
    assert story.permission.deadline == NOW + 900.0


# Bus voltage and tank temperature: hysteresis


@pytest.mark.parametrize(
    ("volts", "causes"),
    [
        ([25.5], ["voltage_low"]),  # in the band at the start: not known to hold
        ([26.0], ["none"]),  # begins at the cut-in
        ([math.nextafter(26.0, 0.0)], ["voltage_low"]),
        ([26.0, 25.0], ["none", "none"]),  # ends strictly below the cut-out
        ([26.0, math.nextafter(25.0, 0.0)], ["none", "voltage_low"]),
        ([26.0, 25.5, 26.5], ["none", "none", "none"]),
        ([26.0, 24.9, 25.5, 25.99, 26.0], ["none", "voltage_low", "voltage_low", "voltage_low", "none"]),
        # lost: off, and it starts over as "does not hold"
        ([26.0, MISSING, 25.5, 26.0], ["none", "data_lost", "voltage_low", "none"]),
        ([MISSING, 25.5], ["data_lost", "voltage_low"]),
    ],
)
def test_bus_voltage(volts: list[float], causes: list[str]) -> None:
    story = Story(VOLTAGE)
    assert [story.look(battery_voltage_v=value) for value in volts] == causes


@pytest.mark.parametrize(
    ("celsius", "causes"),
    [
        ([65.0], ["tank_hot"]),
        ([60.0], ["none"]),  # begins at the cut-in
        ([math.nextafter(60.0, 100.0)], ["tank_hot"]),
        ([60.0, math.nextafter(70.0, 0.0)], ["none", "none"]),
        ([60.0, 70.0], ["none", "tank_hot"]),  # ends at the cut-out
        ([60.0, 70.0, 65.0, 60.01, 60.0], ["none", "tank_hot", "tank_hot", "tank_hot", "none"]),
        ([60.0, MISSING, 65.0, 60.0], ["none", "data_lost", "tank_hot", "none"]),
        ([MISSING, 65.0], ["data_lost", "tank_hot"]),
        ([-40.0, 125.0], ["none", "tank_hot"]),
    ],
)
def test_tank_temperature(celsius: list[float], causes: list[str]) -> None:
    story = Story(TANK)
    assert [story.look(tank_temperature_c=value) for value in celsius] == causes


def test_hysteresis_goes_on_while_another_permissive_vetoes() -> None:
    """Outside the window the voltage falls and comes back into the band: then it does not hold."""
    story = Story(VOLTAGE)
    assert story.look(battery_voltage_v=27.0) == "none"
    assert story.look(battery_voltage_v=24.0, inside_window=False) == "outside_window"
    assert story.look(battery_voltage_v=25.5, inside_window=True) == "voltage_low"


# Drain: more than 50 W out of the bank for 120 s, then 600 s of rest


def test_a_drain_at_the_limit_is_no_drain() -> None:
    story = Story(DRAIN)
    assert [story.look(1_000.0, battery_power_w=watts) for watts in (-50.0, 0.0, 5_000.0)] == ["none"] * 3
    assert story.permission.deadline == NEVER


def test_a_drain_above_the_limit_trips_when_it_has_lasted() -> None:
    story = Story(DRAIN)
    assert story.look(battery_power_w=-50.01) == "none"
    assert story.permission.deadline == story.inputs.t + 120.0
    assert story.look(119.999) == "none"
    assert story.look(0.001) == "drain_limit"


def test_a_pause_in_the_drain_starts_its_time_anew() -> None:
    story = Story(DRAIN)
    story.look(battery_power_w=-100.0)
    assert story.look(119.0, battery_power_w=-50.0) == "none"
    assert story.look(1.0, battery_power_w=-100.0) == "none"
    assert story.look(119.0) == "none"
    assert story.look(1.0) == "drain_limit"


def test_after_the_drain_it_rests() -> None:
    story = Story(DRAIN)
    story.look(battery_power_w=-100.0)
    assert story.look(120.0) == "drain_limit"
    tripped_at = story.inputs.t
    assert story.look(1.0, battery_power_w=100.0) == "drain_limit"
    assert story.permission.deadline == tripped_at + 600.0
    assert story.look(598.0) == "drain_limit"
    assert story.look(1.0) == "none"
    assert story.look(10_000.0) == "none"


def test_the_rest_goes_on_while_the_drain_does() -> None:
    story = Story(DRAIN)
    story.look(battery_power_w=-100.0)
    story.look(120.0)
    assert story.look(600.0) == "drain_limit"
    assert story.look(5_000.0) == "drain_limit"
    assert story.look(1.0, battery_power_w=0.0) == "none"


def test_without_its_power_a_drain_is_data_lost_and_a_rest_does_not_end() -> None:
    story = Story(DRAIN)
    assert story.look(battery_power_w=MISSING) == "data_lost"
    story.look(battery_power_w=-100.0)
    assert story.look(120.0) == "drain_limit"
    assert story.look(600.0, battery_power_w=MISSING) == "data_lost"
    assert not is_missing(story.memory.drained_at)
    assert story.look(1.0, battery_power_w=0.0) == "none"


def test_a_lost_power_starts_the_time_of_the_drain_anew() -> None:
    story = Story(DRAIN)
    story.look(battery_power_w=-100.0)
    assert story.look(60.0, battery_power_w=MISSING) == "data_lost"
    assert story.look(1.0, battery_power_w=-100.0) == "none"
    assert story.look(119.0) == "none"
    assert story.look(1.0) == "drain_limit"


def test_a_drain_that_may_not_last_trips_at_once() -> None:
    story = Story(DRAIN._replace(drain_limit_s=0.0))
    assert story.look(battery_power_w=-51.0) == "drain_limit"


# Duty: 3600 s per run, 7200 s per local day


@pytest.mark.parametrize(("on_for", "cause"), [(0.0, "none"), (3_599.999, "none"), (3_600.0, "duty_limit")])
def test_a_run_ends_when_it_has_used_up_its_time(on_for: float, cause: str) -> None:
    story = Story(PER_RUN)
    story.turn(Position.ON)
    assert story.look(on_for) == cause
    assert story.permission.deadline == (NEVER if cause == "duty_limit" else NOW + 3_600.0)


def test_a_run_that_ended_leaves_nothing_behind() -> None:
    story = Story(PER_RUN)
    story.turn(Position.ON)
    assert story.look(3_600.0) == "duty_limit"
    story.turn(Position.OFF)
    assert story.look(0.001) == "none"


def test_the_day_ends_it_when_its_runs_add_up() -> None:
    story = Story(PER_DAY)
    for run_s in (3_000.0, 4_000.0):
        story.turn(Position.ON)
        assert story.look(run_s) == "none"
        story.turn(Position.OFF)
        assert story.look(1_000.0) == "none"
    assert story.memory.on_time_s == 7_000.0
    story.turn(Position.ON)
    assert story.look(0.0) == "none"
    assert story.permission.deadline == story.inputs.t + 200.0
    assert story.look(199.999) == "none"
    assert story.look(0.001) == "duty_limit"
    story.turn(Position.OFF)
    assert story.look(10_000.0) == "duty_limit"
    assert story.permission.deadline == story.inputs.day_ends_at


def test_a_new_local_day_has_its_whole_on_time_again() -> None:
    story = Story(PER_DAY)
    story.turn(Position.ON)
    assert story.look(7_200.0) == "duty_limit"
    story.turn(Position.OFF)
    assert story.look(39_199.0) == "duty_limit"
    midnight = story.inputs.t + 1.0
    assert story.look(1.0, day=DAY + 1, day_began_at=midnight, day_ends_at=midnight + 86_400.0) == "none"
    assert story.memory.on_time_s == 0.0


def test_a_run_across_midnight_counts_in_the_new_day_from_midnight() -> None:
    story = Story(PER_DAY)
    story.turn(Position.ON)
    story.look(1_000.0)
    midnight = story.inputs.t + 500.0
    story.look(800.0, day=DAY + 1, day_began_at=midnight, day_ends_at=midnight + 86_400.0)
    assert story.memory.on_time_s == 300.0


def test_a_clock_set_back_does_not_renew_the_day() -> None:
    story = Story(PER_DAY)
    story.look()
    story.turn(Position.ON)
    assert story.look(7_200.0) == "duty_limit"
    assert story.look(1.0, day=DAY - 1, day_began_at=NOW - 86_400.0, day_ends_at=NOW + 60_000.0) == "duty_limit"
    story.turn(Position.OFF)
    assert story.look(1.0) == "duty_limit"


# 1970-01-01 00:01, as a board without a clock of its own starts.
UNSET = {"day": date(1970, 1, 1).toordinal(), "day_began_at": NOW - 60.0, "day_ends_at": NOW + 86_340.0}


def restored(day: int) -> Story:
    """Seen from a clock that is not set yet: a budget that an earlier run had used up on that day."""
    story = Story(PER_DAY)
    story.memory = permissive.start(NOW, 7_200.0, day)
    story.look(**UNSET)
    return story


def test_a_clock_that_is_set_after_the_start_does_not_renew_a_restored_day() -> None:
    story = restored(DAY)
    assert story.look(300.0, **UNSET) == "duty_limit"
    assert story.look(1.0, day=DAY, day_began_at=NOW - 40_000.0, day_ends_at=NOW + 46_400.0) == "duty_limit"


def test_a_restored_day_that_is_over_is_known_to_be_when_the_clock_is_set() -> None:
    story = restored(DAY - 1)
    assert story.look(300.0, **UNSET) == "duty_limit", "it may still be that day"
    assert story.look(1.0, day=DAY, day_began_at=NOW - 40_000.0, day_ends_at=NOW + 46_400.0) == "none"


def test_where_the_clock_is_never_set_its_own_midnight_renews_the_day() -> None:
    story = restored(DAY)
    assert story.look(86_338.0, **UNSET) == "duty_limit"
    midnight = NOW + 86_340.0
    assert story.look(1.0, day=int(UNSET["day"]) + 1, day_began_at=midnight, day_ends_at=midnight + 86_400.0) == "none"
    assert story.look(1.0, day=DAY + 1, day_began_at=NOW - 40_000.0, day_ends_at=NOW + 90_000.0) == "none"


def test_no_on_time_is_counted_twice_or_lost_however_often_it_is_looked_at() -> None:
    story = Story(PER_DAY)
    story.turn(Position.ON)
    for _ in range(70_000):
        assert story.look(0.1) == "none"
    assert story.memory.on_time_s == pytest.approx(7_000.0, abs=1e-6)
    left_s = story.permission.deadline - story.inputs.t
    assert left_s == pytest.approx(200.0, abs=1e-6)
    assert story.look(left_s) == "duty_limit"


# The order, and lost data


AS_FAILED: dict[str, dict[str, float]] = {
    "outside_window": {"inside_window": False},
    "voltage_low": {"battery_voltage_v": 20.0},
    "tank_hot": {"tank_temperature_c": 90.0},
    "drain_limit": {"battery_power_w": -500.0},
    "duty_limit": {"relay_since": NOW - 9_999.0, "position": Position.ON},
}


def at_once(**failing: float) -> str:
    limits = EVERY_LIMIT._replace(drain_limit_s=0.0)
    _, permission = permissive.step(limits, permissive.start(NOW), WELL._replace(**failing))
    return permission.cause.name.lower()


def test_all_that_is_well_holds() -> None:
    assert at_once() == "none"


@pytest.mark.parametrize("name", AS_FAILED)
def test_each_is_named(name: str) -> None:
    assert at_once(**AS_FAILED[name]) == name


@pytest.mark.parametrize(("first", "second"), list(combinations(AS_FAILED, 2)))
def test_of_two_that_do_not_hold_the_earlier_is_named(first: str, second: str) -> None:
    assert at_once(**AS_FAILED[first], **AS_FAILED[second]) == first


@pytest.mark.parametrize(
    ("signal", "before", "after"),
    [
        ("battery_voltage_v", "outside_window", "tank_hot"),
        ("tank_temperature_c", "voltage_low", "drain_limit"),
        ("battery_power_w", "tank_hot", "duty_limit"),
    ],
)
def test_a_lost_signal_stands_where_its_permissive_stands(signal: str, before: str, after: str) -> None:
    assert at_once(**{signal: MISSING}) == "data_lost"
    assert at_once(**{signal: MISSING}, **AS_FAILED[after]) == "data_lost"
    assert at_once(**{signal: MISSING}, **AS_FAILED[before]) == before


@pytest.mark.parametrize(
    ("limits", "cause"),
    [
        (VOLTAGE._replace(voltage_cut_in_v=MISSING), "voltage_low"),
        (TANK._replace(tank_cut_in_c=MISSING), "tank_hot"),
    ],
)
def test_a_band_without_its_cut_in_never_holds(limits: PermissiveLimits, cause: str) -> None:
    """The config refuses half a band; should one come through all the same, it is off."""
    story = Story(limits)
    for volts, celsius in ((28.0, 20.0), (150.0, -40.0), (25.5, 65.0)):
        assert story.look(battery_voltage_v=volts, tank_temperature_c=celsius) == cause


@pytest.mark.parametrize("limits", [VOLTAGE, TANK, DRAIN, PER_RUN, PER_DAY, EVERY_LIMIT])
def test_nothing_changes_by_itself_before_the_deadline(limits: PermissiveLimits) -> None:
    story = Story(limits)
    for on, watts in ((False, -500.0), (True, -500.0), (True, 0.0), (False, MISSING), (True, -20.0)):
        story.turn(Position(on))
        story.look(30.0, battery_power_w=watts)
        end = min(story.permission.deadline, story.inputs.t + 1e6, story.inputs.day_ends_at)
        for share in (0.001, 0.5, 0.999):
            later = story.inputs._replace(t=story.inputs.t + share * (end - story.inputs.t))
            _, permission = permissive.step(limits, story.memory, later)
            assert permission.cause == story.permission.cause
