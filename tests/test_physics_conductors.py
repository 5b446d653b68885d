"""Gauges, areas, and the resistance of copper."""

import math
from itertools import pairwise

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.physics.conductors import (
    BOAT_CABLE_CIRCULAR_MILS,
    GAUGES,
    LARGEST_OHM_PER_KM,
    MM2_PER_CIRCULAR_MIL,
    Conductor,
    area_ohm_per_km,
    awg_area_mm2,
    awg_diameter_mm,
    boat_cable_area_mm2,
    copper_factor,
    drop_v,
    loop_ohm,
    metric_ohm_per_km,
)

KINDS: tuple[Conductor, ...] = ("class_2_plain", "class_5_plain", "class_5_tinned")


# ASTM B258: diameters from memory, areas calculated from them.
@pytest.mark.parametrize(
    ("gauge", "diameter_mm", "area_mm2"),
    [
        ("18", 1.02369, 0.82305),
        ("16", 1.29085, None),
        ("14", None, 2.08091),
        ("12", 2.05253, 3.30877),
        ("10", 2.58819, None),
        ("8", None, 8.36556),
        ("6", 4.11538, 13.30177),
        ("4", 5.18940, None),
        ("2", None, 33.63083),
        ("1/0", 8.25146, 53.47512),
        ("4/0", 11.68400, None),
    ],
)
def test_gauges_have_the_diameters_of_astm_b258(gauge: str, diameter_mm: float | None, area_mm2: float | None) -> None:
    if diameter_mm is not None:
        assert awg_diameter_mm(gauge) == pytest.approx(diameter_mm, rel=1e-4)
    if area_mm2 is not None:
        assert awg_area_mm2(gauge) == pytest.approx(area_mm2, rel=1e-4)


# ASTM B258, calculated; a printed wire table has 26251 for 6, 41740 for 4 and 211592 for 4/0 (read).
@pytest.mark.parametrize(
    ("gauge", "circular_mils"),
    [("16", 2582.7), ("14", 4106.7), ("10", 10_383), ("8", 16_509.7), ("6", 26_251), ("4", 41_741.3), ("2", 66_371.3),
     ("4/0", 211_600)],
)  # fmt: skip
def test_gauges_in_circular_mils(gauge: str, circular_mils: float) -> None:
    assert awg_area_mm2(gauge) / MM2_PER_CIRCULAR_MIL == pytest.approx(circular_mils, rel=1e-3)


# IACS, calculated; the printed table has 0.3951 ohm per 1000 ft for 6 and 0.2485 for 4 (read).
@pytest.mark.parametrize(
    ("gauge", "ohm_per_km"),
    [("18", 20.94824), ("16", 13.17448), ("12", 5.21081), ("10", 3.27711), ("6", 1.29617), ("4", 0.81517),
     ("1/0", 0.32242), ("4/0", 0.1608), ("6", 0.3951 / 0.3048), ("4", 0.2485 / 0.3048)],
)  # fmt: skip
def test_gauges_have_the_resistance_of_annealed_copper(gauge: str, ohm_per_km: float) -> None:
    assert area_ohm_per_km(awg_area_mm2(gauge)) == pytest.approx(ohm_per_km, rel=2e-3)


# Catalogues of two cable makers (read).
@pytest.mark.parametrize(
    ("gauge", "circular_mils"),
    [("16", 2336), ("14", 3702), ("10", 9343), ("8", 14_810), ("4", 37_360), ("2", 62_450), ("1", 77_790),
     ("1/0", 98_980), ("2/0", 125_100), ("3/0", 158_600), ("4/0", 205_500)],
)  # fmt: skip
def test_boat_cable_may_be_filter_than_its_gauge(gauge: str, circular_mils: int) -> None:
    assert BOAT_CABLE_CIRCULAR_MILS[gauge] == circular_mils
    assert 0.87 < boat_cable_area_mm2(gauge) / awg_area_mm2(gauge) < 1


# IEC 60228 as printed at mycableengineering.com and uecables.com (read).
@pytest.mark.parametrize(
    ("area_mm2", "class_2", "class_5", "tinned"),
    [
        (0.75, 24.5, 26, 26.7),
        (1, 18.1, 19.5, 20),
        (2.5, 7.41, 7.98, 8.21),
        (4, 4.61, 4.95, 5.09),
        (6, 3.08, 3.30, 3.39),
        (10, 1.83, 1.91, 1.95),
        (16, 1.15, 1.21, 1.24),
        (35, 0.524, 0.554, 0.565),
        (50, 0.387, 0.386, 0.393),
        (95, 0.193, 0.206, 0.21),
        (120, 0.153, 0.161, 0.164),
    ],
)
def test_metric_cables_follow_iec_60228(area_mm2: float, class_2: float, class_5: float, tinned: float) -> None:
    assert [metric_ohm_per_km(area_mm2, kind) for kind in KINDS] == [class_2, class_5, tinned]


def test_an_area_between_two_standard_ones_counts_as_the_smaller() -> None:
    assert metric_ohm_per_km(5.9, "class_5_plain") == metric_ohm_per_km(4, "class_5_plain")
    assert metric_ohm_per_km(999, "class_5_plain") == metric_ohm_per_km(240, "class_5_plain")


# uecables.com: R20 = R(t) k (read). IEC 60228 rounds the coefficient to 0.004, hence 0.5 %.
@pytest.mark.parametrize(("celsius", "factor"), [(30, 0.962), (50, 0.893), (90, 0.781)])
def test_copper_rises_with_temperature_as_in_iec_60228(celsius: float, factor: float) -> None:
    assert 1 / copper_factor(celsius) == pytest.approx(factor, rel=5e-3)


# BS 7671 Table 4E4B (mV per ampere and metre, two cores at 90 degC), printed to two figures at
# cse-distributors.co.uk (read).
@pytest.mark.parametrize(("area_mm2", "millivolt"), [(1.5, 31), (4, 12), (6, 7.9), (16, 2.9)])
def test_the_drop_agrees_with_the_table_of_bs_7671(area_mm2: float, millivolt: float) -> None:
    drop = drop_v(1, loop_ohm(metric_ohm_per_km(area_mm2, "class_2_plain"), 1, 90))
    assert 1000 * drop == pytest.approx(millivolt, rel=0.025)


# I x R20 x 2 L, calculated: 15 A over 4 m, IEC 60228 class 5 plain.
@pytest.mark.parametrize(
    ("area_mm2", "celsius", "volts"),
    [(1.5, 20, 1.596), (2.5, 20, 0.9576), (6, 20, 0.396), (10, 20, 0.2292), (4, 70, 0.710721)],
)
def test_the_drop_of_a_cable_out_and_back(area_mm2: float, celsius: float, volts: float) -> None:
    resistance = loop_ohm(metric_ohm_per_km(area_mm2, "class_5_plain"), 4, celsius)
    assert drop_v(15, resistance) == pytest.approx(volts, rel=1e-9)


# The printed rule of small craft: circular mils = 10.75 I L / E, with L out and back in feet (reprint of a cable
# maker, read: 10 A over 21 ft and 12 V need 1881.25 for 10 % and 6270.83 for 3 %). 10.75 is copper at about 29 degC.
@pytest.mark.parametrize(("part", "circular_mils"), [(0.10, 1881.25), (0.03, 6270.833333)])
def test_the_drop_agrees_with_the_rule_of_small_craft(part: float, circular_mils: float) -> None:
    ohm_per_km = area_ohm_per_km(circular_mils * MM2_PER_CIRCULAR_MIL)
    assert drop_v(10, loop_ohm(ohm_per_km, 21 / 2 * 0.3048, 29.3)) == pytest.approx(12 * part, rel=2e-3)


# Table for 3 % of 12 V, loop of 20 ft and 40 ft, 5 to 100 A, boat cable (hollandmarine.com 2022, page 52; read).
@pytest.mark.parametrize(
    ("loop_ft", "printed"),
    [(20, "14 10 10 8 6 6 6 4 4 2 2 2 2"), (40, "10 8 6 6 4 4 2 2 1 1/0 1/0 2/0 2/0")],
)
def test_the_gauge_that_is_enough_is_the_one_of_the_printed_table(loop_ft: float, printed: str) -> None:
    currents = (5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 90, 100)
    for current, expected in zip(currents, printed.split(), strict=True):
        needed = 10.75 * current * loop_ft / 0.36
        enough = next(gauge for gauge in GAUGES if BOAT_CABLE_CIRCULAR_MILS[gauge] >= needed)
        assert enough == expected, current
        resistance = loop_ohm(area_ohm_per_km(boat_cable_area_mm2(expected)), loop_ft / 2 * 0.3048, 29.3)
        assert drop_v(current, resistance) <= 0.36 * 1.002


def test_units_agree_with_a_library_of_units() -> None:
    units = pint.UnitRegistry()
    assert pytest.approx((1 * units.circular_mil).to("mm**2").magnitude, rel=1e-9) == MM2_PER_CIRCULAR_MIL
    resistance = (1 / 58 * units("ohm*mm**2/m")) * (8 * units.meter) / (5 * units("mm**2"))
    assert loop_ohm(area_ohm_per_km(5), 4, 20) == pytest.approx(resistance.to("ohm").magnitude)


@pytest.mark.parametrize("kind", KINDS)
def test_a_bigger_cable_never_has_more_resistance(kind: Conductor) -> None:
    for smaller, bigger in pairwise(sorted(LARGEST_OHM_PER_KM)):
        assert metric_ohm_per_km(bigger, kind) < metric_ohm_per_km(smaller, kind)
    for thinner, thicker in pairwise(GAUGES):
        assert boat_cable_area_mm2(thinner) < boat_cable_area_mm2(thicker)


@given(
    areas=st.tuples(st.floats(0.5, 1000), st.floats(0.5, 1000)),
    lengths=st.tuples(st.floats(0, 100), st.floats(0, 100)),
    celsius=st.floats(-40, 200),
    kind=st.sampled_from(KINDS),
)
def test_longer_or_filter_is_never_less(
    areas: tuple[float, float], lengths: tuple[float, float], celsius: float, kind: Conductor
) -> None:
    least = loop_ohm(metric_ohm_per_km(max(areas), kind), min(lengths), celsius)
    most = loop_ohm(metric_ohm_per_km(min(areas), kind), max(lengths), celsius)
    assert least <= most


@pytest.mark.parametrize("gauge", ["0", "37", "5/0", "0/0", "", "-1", "1.5", "²"])
def test_what_is_no_gauge_is_refused(gauge: str) -> None:
    with pytest.raises(ValueError, match="expected"):
        awg_diameter_mm(gauge)


def test_what_is_no_cable_is_refused() -> None:
    with pytest.raises(ValueError, match="gauge = 13"):
        boat_cable_area_mm2("13")
    for area in (0.4, 1001, math.nan):
        with pytest.raises(ValueError, match="area_mm2"):
            metric_ohm_per_km(area, "class_5_plain")
    for area in (0, 1001, math.nan):
        with pytest.raises(ValueError, match="area_mm2"):
            area_ohm_per_km(area)
    for celsius in (-51, 251, math.nan):
        with pytest.raises(ValueError, match="conductor_c"):
            copper_factor(celsius)
    for length in (-1, math.inf):
        with pytest.raises(ValueError, match="length_m"):
            loop_ohm(5, length, 20)
    with pytest.raises(ValueError, match="ohm_per_km"):
        loop_ohm(0, 4, 20)
    with pytest.raises(ValueError, match="current_a"):
        drop_v(-1, 0)
    with pytest.raises(ValueError, match="resistance_ohm"):
        drop_v(1, -1)
