"""How long a contact lasts, and what moves it."""

import math

import pytest
from scipy.integrate import solve_ivp

from dumpload.physics.contacts import (
    HOT_COIL,
    base_current_a,
    coil_current_a,
    contact_life_years,
    divided_v,
    largest_base_ohm,
    most_operations_per_day,
    pin_current_a,
    release_time_s,
)


# N / (n x 365.25), calculated.
@pytest.mark.parametrize(
    ("operations", "per_day", "years"),
    [(100_000, 6, 45.63084645), (100_000, 144, 1.901285269), (30_000, 20, 4.106776181)],
)
def test_endurance_in_years(operations: float, per_day: float, years: float) -> None:
    assert contact_life_years(operations, per_day) == pytest.approx(years, rel=1e-6)


def test_dwells_bound_how_often_a_contact_works() -> None:
    assert most_operations_per_day(300, 300) == pytest.approx(144, rel=1e-9)  # 86400 / (on + off), calculated
    assert most_operations_per_day(0, 0) == math.inf


# RL decay against a clamp, calculated: 0.5 H, 400 ohm, 12 V, to 10 %; a diode, and a 24 V Zener diode in series.
@pytest.mark.parametrize(("clamp_v", "milliseconds"), [(0.7, 2.374685134), (24.7, 0.4356672329)])
def test_a_coil_lets_go_faster_against_more_voltage(clamp_v: float, milliseconds: float) -> None:
    assert 1000 * release_time_s(0.5, 400, 12, clamp_v) == pytest.approx(milliseconds, rel=1e-6)


@pytest.mark.parametrize("clamp_v", [0.0, 0.7, 24.7, 50.0])
def test_the_decay_agrees_with_a_solved_equation(clamp_v: float) -> None:
    henry, ohm, volts = 1.2, 300.0, 24.0

    def falls(_time: float, current: list[float]) -> list[float]:
        return [-(ohm * current[0] + clamp_v) / henry]

    def released(_time: float, current: list[float]) -> float:
        return current[0] - 0.1 * volts / ohm

    released.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(falls, (0, 1), [volts / ohm], events=released, rtol=1e-10, atol=1e-14)
    assert release_time_s(henry, ohm, volts, clamp_v) == pytest.approx(solved.t_events[0][0], rel=1e-6)


def test_a_transistor_that_drives_a_coil() -> None:
    # By hand: 24 V over 576 ohm are 41.7 mA; of 3.3 V, 2.6 V stay for 1 kilohm: 2.6 mA, less 0.7 V / 10 kilohm.
    assert coil_current_a(24, 576) == pytest.approx(0.0416667, rel=1e-5)
    assert base_current_a(3.3, 1000) == pytest.approx(0.0026)
    assert base_current_a(3.3, 1000, 10_000) == pytest.approx(0.00253)
    assert base_current_a(0.5, 1000, 10_000) == 0
    assert pin_current_a(3.3, 1000, 0.7) == pytest.approx(0.0026)
    assert pin_current_a(3.3, 100, 0) == pytest.approx(0.033)
    assert pin_current_a(0.5, 100, 0.7) == 0


def test_the_largest_base_resistor_gives_just_twice_the_base_current_that_is_needed() -> None:
    for pull_down_ohm in (math.inf, 10_000.0):
        ohm = largest_base_ohm(3.3, 0.0416667, 100, pull_down_ohm)
        assert base_current_a(3.3, ohm, pull_down_ohm) == pytest.approx(2 * 0.0416667 / 100)


def test_what_is_no_coil_is_refused() -> None:
    with pytest.raises(ValueError, match="least_on_s"):
        most_operations_per_day(-1, 0)
    with pytest.raises(ValueError, match="per_day"):
        contact_life_years(1000, 0)
    with pytest.raises(ValueError, match="operations"):
        contact_life_years(math.nan, 1)
    with pytest.raises(ValueError, match="coil_ohm"):
        coil_current_a(24, 0)
    with pytest.raises(ValueError, match="base_ohm"):
        base_current_a(3.3, 0)
    with pytest.raises(ValueError, match="pull_down_ohm"):
        base_current_a(3.3, 1000, 0)
    with pytest.raises(ValueError, match="series_ohm"):
        pin_current_a(3.3, 0, 0)
    with pytest.raises(ValueError, match="pin_v"):
        largest_base_ohm(0.7, 0.04, 100)
    with pytest.raises(ValueError, match="least_gain"):
        largest_base_ohm(3.3, 0.04, 0.5)
    with pytest.raises(ValueError, match="part"):
        release_time_s(0.5, 400, 12, 0.7, 0)
    with pytest.raises(ValueError, match="clamp_v"):
        release_time_s(0.5, 400, 12, -1)


def test_a_hot_coil_needs_a_quarter_more() -> None:
    # Copper 0.00393 per K (IACS), 60 K warmer: 1.2358 times the resistance, and as many times the voltage for the same
    # current.
    assert 1 + 0.00393 * 60 <= HOT_COIL <= 1.05 * (1 + 0.00393 * 60)


def test_a_pull_down_divides_what_the_gate_gets() -> None:
    assert divided_v(3.3, 470, 10_000) == pytest.approx(3.3 * 10_000 / 10_470)  # calculated
    assert divided_v(3.3, 470) == 3.3
