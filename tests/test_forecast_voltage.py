"""What a forecast learns of a bank's voltage: rest voltage, resistance, and hysteresis between charge and discharge."""

from typing import Any

import pytest

np = pytest.importorskip("numpy")

from dumpload.forecast import bank  # noqa: E402

STEP_S, CELLS, OHM, SLOW_OHM, FULL_V = 60.0, 8, 0.009, 0.006, 28.4
COUNTING = bank.Counting(100.0 / 280.0, 100.0 / 280.0, 0.0, 0.01)


def cycled(hysteresis_v: float, noise_v: float = 0.005) -> tuple[Any, Any, Any]:
    """Return charge (percent), current and voltage of twenty days: sun by day, with clouds, and the house by night."""
    draw = np.random.default_rng(5)
    hour = np.arange(20 * 1440) / 60.0 % 24.0
    cloud = np.repeat(draw.choice([0.3, 1.0], len(hour) // 15), 15)
    amps = np.where((hour > 8.0) & (hour < 16.0), 16.0 * cloud - 3.0, -4.0)
    charge = np.clip(60.0 + np.cumsum(amps) * STEP_S / 3600.0 * 100.0 / 280.0, 1.0, 99.9)
    rest = np.array([bank.usual_rest_v(percent, CELLS) for percent in charge])
    side = bank.sides(STEP_S, amps, COUNTING, 0.4)
    volts = rest + OHM * amps + SLOW_OHM * bank.slow_amps(STEP_S, amps) + hysteresis_v * side
    return charge, amps, volts + noise_v * draw.standard_normal(len(volts))


def fitted(charge: Any, amps: Any, volts: Any) -> bank.Voltage:
    return bank.voltage_of(STEP_S, volts, amps, charge, COUNTING, CELLS, 0.01, FULL_V)


@pytest.mark.parametrize("hysteresis_v", [0.04, 0.08])
def test_hysteresis_is_learned_from_the_record(hysteresis_v: float) -> None:
    voltage = fitted(*cycled(hysteresis_v))
    assert voltage.hysteresis_v == pytest.approx(hysteresis_v, rel=0.15)
    assert voltage.side_per_percent == 0.4
    assert voltage.ohm == pytest.approx(OHM, rel=0.1)


def test_a_bank_without_hysteresis_has_none() -> None:
    voltage = fitted(*cycled(0.0))
    assert abs(voltage.hysteresis_v) < 0.005
    assert voltage.ohm == pytest.approx(OHM, rel=0.1)


def test_the_expected_voltage_is_the_measured_one_but_for_noise() -> None:
    charge, amps, volts = cycled(0.08)
    expected = bank.expected_v(fitted(charge, amps, volts), charge, amps, COUNTING, STEP_S)
    inside = (charge > 15.0) & (charge < 98.0)
    assert np.median(np.abs(expected - volts)[inside]) < 0.008


def test_the_voltage_changes_sides_as_charge_flows_and_not_by_itself() -> None:
    """After charging, 2.5 percent of discharge take it two thirds of the way: a part of 0.4 with each percent."""
    hours = 2.5 / (10.0 * 100.0 / 280.0)
    charged, moved = np.full(600, 20.0), np.full(round(hours * 60.0), -10.0)
    side = bank.sides(STEP_S, np.concatenate([charged, np.zeros(500), moved]), COUNTING, 0.4)
    assert side[599] == pytest.approx(1.0, abs=1e-3)
    assert side[1099] == side[599]
    assert side[-1] == pytest.approx(2.0 * np.exp(-1.0) - 1.0, abs=0.02)
