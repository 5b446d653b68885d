"""What can be measured: every signal has a base unit, a believable range, and units that convert into it."""

import math

import pytest

from dumpload.core.signals import QUANTITIES, Signal, in_range, signal_name

SIGNALS = pytest.mark.parametrize("signal", list(Signal), ids=signal_name)


def test_the_names_are_those_of_the_config_tables() -> None:
    assert [signal_name(signal) for signal in Signal] == [
        "state_of_charge",
        "battery_voltage",
        "battery_power",
        "load_power",
        "solar_power",
        "tank_temperature",
        "heartbeat",
    ]


def test_signals_number_their_places_in_a_list() -> None:
    assert [signal.value for signal in Signal] == list(range(len(Signal)))
    assert list(QUANTITIES) == list(Signal)


def test_state_of_charge_is_percent_from_0_to_100() -> None:
    quantity = QUANTITIES[Signal.STATE_OF_CHARGE]
    assert (quantity.unit, quantity.low, quantity.high) == ("percent", 0.0, 100.0)


@SIGNALS
def test_the_base_unit_is_published_unchanged(signal: Signal) -> None:
    quantity = QUANTITIES[signal]
    assert quantity.scales[quantity.unit] == (1.0, 0.0)


@SIGNALS
def test_the_range_includes_its_ends_and_nothing_beyond(signal: Signal) -> None:
    low, high = QUANTITIES[signal].low, QUANTITIES[signal].high
    assert in_range(signal, low)
    assert in_range(signal, high)
    assert not in_range(signal, math.nextafter(low, -math.inf))
    assert not in_range(signal, math.nextafter(high, math.inf))


@SIGNALS
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_never_in_range(signal: Signal, value: float) -> None:
    assert not in_range(signal, value)


@pytest.mark.parametrize(
    ("signal", "unit", "raw", "base"),
    [
        (Signal.STATE_OF_CHARGE, "ratio", 0.97, 97.0),
        (Signal.BATTERY_VOLTAGE, "mV", 26_400.0, 26.4),
        (Signal.BATTERY_POWER, "kW", -1.4, -1_400.0),
        (Signal.LOAD_POWER, "kW", 0.3, 300.0),
        (Signal.SOLAR_POWER, "kW", 1.4, 1_400.0),
        (Signal.TANK_TEMPERATURE, "degF", 140.0, 60.0),
        (Signal.TANK_TEMPERATURE, "K", 333.15, 60.0),
    ],
)
def test_published_units_convert_to_the_base_unit(signal: Signal, unit: str, raw: float, base: float) -> None:
    factor, offset = QUANTITIES[signal].scales[unit]
    assert raw * factor + offset == pytest.approx(base, abs=1e-9)
