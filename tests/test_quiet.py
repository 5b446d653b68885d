"""The bands within which a sample changes nothing, as far as they can be read off the settings."""

import math

import pytest
from world import LIMITS, World, running, setup

from dumpload.core.controller import Kind
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal
from dumpload.study.records.bounds import ALL, NONE, Band
from dumpload.study.replay.quiet import Quiet, find_quiet

QUICK = LIMITS._replace(confirm_s=0.0, min_on_s=0.0, min_off_s=0.0)
INFINITY = math.inf


def quiet(world: World) -> Quiet:
    return find_quiet(world.controller, world.t)


def band(world: World, signal: Signal = Signal.STATE_OF_CHARGE) -> Band:
    return quiet(world).bands[signal]


@pytest.mark.parametrize(
    ("percent", "expected"),
    [
        (49.9, (-INFINITY, 50.0)),
        (50.0, (50.0, 97.0)),
        (93.0, (50.0, 97.0)),
        (96.9, (50.0, 97.0)),
        (97.0, (97.0, INFINITY)),
        (100.0, (97.0, INFINITY)),
    ],
)
def test_without_surplus_the_floor_and_the_cut_in_matter(percent: float, expected: tuple[float, float]) -> None:
    assert band(World().wait(10).soc(percent)) == expected


def test_with_surplus_the_cut_out_matters() -> None:
    assert band(running().wait(10).soc(98.0)) == (93.0, INFINITY)


def test_held_on_by_the_dwell_every_threshold_matters() -> None:
    assert band(running().wait(10).soc(92.0).wait(1).soc(92.0)) == (50.0, 93.0)
    assert band(running().wait(10).soc(92.0).wait(1).soc(95.0)) == (93.0, 97.0)


def test_without_live_data_every_sample_must_be_evaluated() -> None:
    assert band(World().wait(10).wake()) == NONE
    assert band(World().wait(10).soc(80.0).wait_through(60)) == NONE


def test_a_confirmation_ends_at_the_first_sample_that_may_confirm() -> None:
    world = World().wait(10).soc(98.0)
    assert quiet(world).until == world.t + LIMITS.confirm_s
    assert quiet(world.wait(5).send(Kind.DOUBT)).until == -INFINITY


def test_a_relay_that_has_just_moved_is_not_settled() -> None:
    """With its new position the next evaluation may come to something else."""
    assert quiet(running()).until == -INFINITY
    assert quiet(running().wait(10).soc(98.0)).until > -INFINITY


def test_signals_without_limits_decide_nothing_but_the_load_may() -> None:
    world = World().wait(10).soc(80.0)
    others = set(Signal) - {Signal.STATE_OF_CHARGE, Signal.LOAD_POWER}
    assert {band(world, signal) for signal in others} == {ALL}
    assert band(world, Signal.LOAD_POWER) == NONE


def limited(**limits: float) -> World:
    return World(setup(QUICK, PermissiveLimits(**limits))).wait(10)


@pytest.mark.parametrize(
    ("volts", "expected"), [(26.9, (-INFINITY, 27.0)), (27.0, (26.0, INFINITY)), (25.9, (-INFINITY, 27.0))]
)
def test_the_voltage_has_a_band_on_either_side_of_its_hysteresis(volts: float, expected: tuple[float, float]) -> None:
    world = limited(voltage_cut_out_v=26.0, voltage_cut_in_v=27.0).measure(Signal.BATTERY_VOLTAGE, volts)
    assert band(world, Signal.BATTERY_VOLTAGE) == expected


def test_the_tank_may_run_again_at_its_cut_in_and_not_above() -> None:
    hot = limited(tank_cut_out_c=65.0, tank_cut_in_c=58.0).measure(Signal.TANK_TEMPERATURE, 65.0)
    low, high = band(hot, Signal.TANK_TEMPERATURE)
    assert (58.0 < low < 58.0 + 1e-9, high) == (True, INFINITY)
    cool = hot.wait(1).measure(Signal.TANK_TEMPERATURE, 58.0)
    assert band(cool, Signal.TANK_TEMPERATURE) == (-INFINITY, 65.0)


@pytest.mark.parametrize(("watts", "expected"), [(-100.0, (-100.0, INFINITY)), (-100.5, (-INFINITY, -100.0))])
def test_a_drain_is_on_one_side_of_its_limit(watts: float, expected: tuple[float, float]) -> None:
    world = limited(drain_limit_w=100.0, drain_limit_s=60.0, drain_rest_s=60.0).measure(Signal.BATTERY_POWER, watts)
    assert band(world, Signal.BATTERY_POWER) == expected
