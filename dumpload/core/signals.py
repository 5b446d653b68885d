"""What can be measured: the names, units and believable ranges of every signal.

A value outside its range is rejected, never clamped: a clamp turns most "unknown" codes into 100 %.
"""

from enum import IntEnum
from typing import NamedTuple


class Signal(IntEnum):
    """One measured quantity; the lower-case name is its config table and column name."""

    STATE_OF_CHARGE = 0
    BATTERY_VOLTAGE = 1
    BATTERY_POWER = 2
    LOAD_POWER = 3
    SOLAR_POWER = 4
    TANK_TEMPERATURE = 5


class Scale(NamedTuple):
    """How a published number becomes the base unit: `value = raw * factor + offset`."""

    factor: float
    offset: float


class Quantity(NamedTuple):
    """A signal's base unit, its believable range in that unit (inclusive) and the units it may be published in.

    The ranges are common practice, no source: wide enough for any small boat, van or cabin, narrow enough to stop
    the usual "unknown" codes (255, 65535, -1 and their scaled forms).
    """

    unit: str
    low: float
    high: float
    scales: dict[str, Scale]


_PLAIN = Scale(1.0, 0.0)
_POWER = {"W": _PLAIN, "kW": Scale(1000.0, 0.0)}

QUANTITIES: dict[Signal, Quantity] = {
    Signal.STATE_OF_CHARGE: Quantity("percent", 0.0, 100.0, {"percent": _PLAIN, "ratio": Scale(100.0, 0.0)}),
    Signal.BATTERY_VOLTAGE: Quantity("V", 0.0, 150.0, {"V": _PLAIN, "mV": Scale(0.001, 0.0)}),
    Signal.BATTERY_POWER: Quantity("W", -30_000.0, 30_000.0, _POWER),
    Signal.LOAD_POWER: Quantity("W", -100.0, 30_000.0, _POWER),
    Signal.SOLAR_POWER: Quantity("W", -100.0, 30_000.0, _POWER),
    Signal.TANK_TEMPERATURE: Quantity(
        "degC",
        -40.0,
        125.0,
        {"degC": _PLAIN, "degF": Scale(5.0 / 9.0, -160.0 / 9.0), "K": Scale(1.0, -273.15)},
    ),
}


# The ranges by number, for the compiler, which takes no dict, nor an enum as an index (hence `+ 0`, which makes an int
# of it, in less than half the time of `.value`).
_RANGES = tuple((QUANTITIES[signal].low, QUANTITIES[signal].high) for signal in Signal)


def in_range(signal: Signal, value: float) -> bool:
    """Return whether a value in the signal's base unit can be believed. NaN and the infinities never can."""
    low, high = _RANGES[signal + 0]
    return low <= value <= high


def signal_name(signal: Signal) -> str:
    """Return the name used in config, columns and JSON, such as `state_of_charge`."""
    return signal.name.lower()
