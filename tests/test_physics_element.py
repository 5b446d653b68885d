"""What a resistive element draws."""

import math

import pint
import pytest

from dumpload.physics.conductors import loop_ohm
from dumpload.physics.element import element_current_a, element_power_w, element_resistance_ohm

NOT_NUMBERS = (math.nan, math.inf, -1.0)


# Ohm's law, calculated.
@pytest.mark.parametrize(("rated_w", "rated_v", "ohm"), [(300, 24, 1.92), (200, 12, 0.72)])
def test_the_plate_gives_the_resistance(rated_w: float, rated_v: float, ohm: float) -> None:
    assert element_resistance_ohm(rated_w, rated_v) == pytest.approx(ohm, rel=1e-9)


# P = V² / R and I = V / R, calculated.
@pytest.mark.parametrize(
    ("ohm", "volts", "watts", "amperes"),
    [
        (1.92, 25.6, 341.3333333, 13.33333333),
        (1.92, 26.4, 363, 13.75),
        (1.92, 28.8, 432, 15),
        (1.92, 29.2, 444.0833333, 15.20833333),
        (0.72, 12.8, 227.5555556, 17.77777778),
        (0.72, 13.2, 242, 18.33333333),
        (0.72, 14.4, 288, 20),
        (0.72, 14.6, 296.0555556, 20.27777778),
    ],
)
def test_power_follows_the_square_of_the_voltage(ohm: float, volts: float, watts: float, amperes: float) -> None:
    assert element_power_w(volts, ohm) == pytest.approx(watts, rel=1e-9)
    assert element_current_a(volts, ohm) == pytest.approx(amperes, rel=1e-9)


@pytest.mark.parametrize(("volts", "ratio"), [(28.8, 1.44), (25.6, 1.137777778)])  # P ~ V², calculated
def test_the_rating_holds_at_its_own_voltage_only(volts: float, ratio: float) -> None:
    ohm = element_resistance_ohm(300, 24)
    assert element_power_w(volts, ohm) / 300 == pytest.approx(ratio, rel=1e-9)


# Series circuit at 20 degC, calculated: 28.8 V, 1.92 ohm, 8 m of loop, IEC 60228 class 5 plain.
@pytest.mark.parametrize(
    ("ohm_per_km", "watts"),
    [(7.98, 404.6438265), (4.95, 414.7165267), (1.91, 425.2052198), (1.21, 427.6767222)],
)
def test_a_cable_in_series_takes_its_part(ohm_per_km: float, watts: float) -> None:
    assert element_power_w(28.8, 1.92, loop_ohm(ohm_per_km, 4, 20)) == pytest.approx(watts, rel=1e-6)


def test_units_agree_with_a_library_of_units() -> None:
    units = pint.UnitRegistry()
    resistance = (24 * units.volt) ** 2 / (300 * units.watt)
    assert element_resistance_ohm(300, 24) == pytest.approx(resistance.to(units.ohm).magnitude)
    power = (28.8 * units.volt) ** 2 / resistance
    assert element_power_w(28.8, 1.92) == pytest.approx(power.to(units.watt).magnitude)


@pytest.mark.parametrize("value", [*NOT_NUMBERS, 1e9])
def test_what_is_no_installation_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="rated_w"):
        element_resistance_ohm(value, 24)
    with pytest.raises(ValueError, match="rated_v"):
        element_resistance_ohm(300, value)
    with pytest.raises(ValueError, match="source_v"):
        element_power_w(value, 1.92)
    with pytest.raises(ValueError, match="element_ohm"):
        element_current_a(24, value)
    with pytest.raises(ValueError, match="series_ohm"):
        element_current_a(24, 1.92, value)
