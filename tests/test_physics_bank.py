"""Energy between states of charge, cycles, drift, and where a charger throttles."""

import math
from itertools import pairwise

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.physics.bank import (
    LIFEPO4_OCV,
    counter_drift_percent,
    crossing_time_s,
    energy_wh,
    lifepo4_rest_v,
    lifepo4_throttle_charge,
    reaction_energy_wh,
    shortest_cycle_s,
)


def test_the_energy_of_a_band() -> None:
    assert energy_wh(100, 12.8, 3) == pytest.approx(38.4, rel=1e-9)  # E = Q V s / 100, calculated
    units = pint.UnitRegistry()
    whole = (280 * units("ampere * hour") * 25.6 * units.volt).to("watt * hour").magnitude
    assert energy_wh(280, 25.6) == pytest.approx(whole)


def cycle_time_s(band_wh: float, load_w: float, surplus_w: float) -> float:
    return 3600 * band_wh * (1 / surplus_w + 1 / (load_w - surplus_w))


# Calculated: t = E / P; E / (P - S); E (1/S + 1/(P - S)); 4 E / P.
def test_the_times_of_a_band() -> None:
    assert crossing_time_s(256, 300) / 60 == pytest.approx(51.2, rel=1e-9)
    assert crossing_time_s(256, 432 - 180) / 60 == pytest.approx(60.95238095, rel=1e-9)
    assert shortest_cycle_s(256, 432) / 60 == pytest.approx(142.2222222, rel=1e-9)
    assert cycle_time_s(256, 432, 216) == pytest.approx(shortest_cycle_s(256, 432))


@given(st.floats(1, 1e4), st.floats(10, 1e4), st.floats(0.01, 0.99))
def test_no_surplus_makes_a_cycle_shorter_than_the_shortest(band_wh: float, load_w: float, part: float) -> None:
    assert cycle_time_s(band_wh, load_w, part * load_w) >= shortest_cycle_s(band_wh, load_w) * (1 - 1e-9)


def test_a_counter_drifts() -> None:
    assert counter_drift_percent(0.02, 200) == pytest.approx(0.24, rel=1e-9)  # 100 I 24 / Q, calculated
    assert counter_drift_percent(0.02, 200, 7) == pytest.approx(1.68, rel=1e-9)


def test_what_a_reaction_costs() -> None:
    # P (t_stale + t_eval + t_release), calculated: 432 W for 30 + 1 + 0.03 s.
    assert reaction_energy_wh(432, 31.03) == pytest.approx(3.7236, rel=1e-9)
    # The other way round, calculated: 1 % of 5120 Wh lasts 426.67 s at 432 W.
    assert crossing_time_s(energy_wh(200, 25.6, 1), 432) == pytest.approx(426.6666667, rel=1e-9)


# OCV table of one cell in the package simses 1.3.12 (BSD-3; read).
@pytest.mark.parametrize(
    ("charge", "volts"),
    [
        (0.2, 3.2307),
        (0.5, 3.2994),
        (0.9, 3.3417),
        (0.95, 3.344),
        (0.99, 3.3686),
        (0.999, 3.5352),
        (1, 3.6),
        # Further points of that file, between the rows of ours; the first was 7.8 mV off with fifteen rows.
        (0.992599, 3.3869),
        (0.9972, 3.4685),
        (0.85, 3.3391),
        (0.75, 3.3140),
        (0.65, 3.3054),
        (0.15, 3.2109),
    ],
)
def test_the_voltage_of_a_cell_at_rest(charge: float, volts: float) -> None:
    assert lifepo4_rest_v(charge) == pytest.approx(volts, abs=0.0012)


def test_the_voltage_at_rest_says_little_below_95_percent_and_much_above_99() -> None:
    # The same table: 113.3 mV from 20 to 95 %.
    assert 1000 * (lifepo4_rest_v(0.95) - lifepo4_rest_v(0.2)) == pytest.approx(113.3, abs=0.5)
    assert lifepo4_rest_v(1) - lifepo4_rest_v(0.99) > 2 * (lifepo4_rest_v(0.95) - lifepo4_rest_v(0.2))
    assert all(low_v < high_v for (_, low_v), (_, high_v) in pairwise(LIFEPO4_OCV))


@given(st.floats(0.2, 1))
def test_without_current_a_charger_throttles_at_the_voltage_at_rest(charge: float) -> None:
    throttles = lifepo4_throttle_charge(8 * lifepo4_rest_v(charge), 0, 0, 8)
    assert throttles == pytest.approx(charge, abs=1e-9)


def test_a_charger_throttles_in_the_last_percent() -> None:
    # By hand: (28.4 - 54.7 x 0.008) / 8 = 3.4953 V, between 3.4943 V at 99.8 % and 3.5352 V at 99.9 %.
    assert lifepo4_throttle_charge(28.4, 54.7, 0.008, 8) == pytest.approx(0.99802, abs=1e-4)
    assert lifepo4_throttle_charge(30, 0, 0.008, 8) == 1


def test_what_is_no_bank_is_refused() -> None:
    with pytest.raises(ValueError, match="capacity_ah"):
        energy_wh(0, 12.8)
    with pytest.raises(ValueError, match="percent"):
        energy_wh(100, 12.8, 101)
    with pytest.raises(ValueError, match="net_w"):
        crossing_time_s(1, 0)
    with pytest.raises(ValueError, match="days"):
        counter_drift_percent(0.02, 200, -1)
    with pytest.raises(ValueError, match="reaction_s"):
        reaction_energy_wh(432, -1)
    for charge in (0.09, 1.01, math.nan):
        with pytest.raises(ValueError, match="charge"):
            lifepo4_rest_v(charge)
    with pytest.raises(ValueError, match="charger_v"):
        lifepo4_throttle_charge(24, 0, 0, 8)
    with pytest.raises(ValueError, match="cells"):
        lifepo4_throttle_charge(24, 0, 0, 0)
