"""What a conductor may carry, the fuse that protects it, and a short circuit."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.physics.conductors import GAUGES, awg_area_mm2
from dumpload.physics.protection import (
    BARE_DISTANCE_M,
    CEILING_BELOW_50_V,
    ENGINE_SPACE,
    FUSES_A,
    SHEATHED_DISTANCE_M,
    TABLE_5_A,
    ampacity_a,
    bundle_factor,
    fuse_for_a,
    gauge_within,
    iec_ampacity_a,
    iec_row_mm2,
    largest_fuse_a,
    needed_breaking_a,
    short_circuit_a,
)


# IEC 60364-5-52, PVC, 30 degC, three loaded conductors, as printed in two compressor makers' manuals (read).
@pytest.mark.parametrize(
    ("rules", "amperes"), [("iec_b2", (15, 20, 27, 34, 46, 62)), ("iec_c", (17, 24, 32, 41, 57, 76))]
)
def test_pvc_cable_by_the_iec_table(rules: str, amperes: tuple[int, ...]) -> None:
    rows = (1.5, 2.5, 4.0, 6.0, 10.0, 16.0)
    assert tuple(iec_ampacity_a(rules, row) for row in rows) == amperes
    # Calculated: sqrt(20 / 40) at 50 degC; up to three conductors are in the table, six take 0.6.
    assert iec_ampacity_a(rules, 6.0, 105, 3, engine_space=True) == pytest.approx(amperes[3] * 0.70711, rel=1e-4)
    assert iec_ampacity_a(rules, 6.0, 70, 6) == pytest.approx(amperes[3] * 0.6)


def test_an_area_is_looked_up_in_the_row_below() -> None:
    assert [iec_row_mm2(area) for area in (1.4, 1.5, 5.26, 16, 240)] == [None, 1.5, 4.0, 16.0, 16.0]
    with pytest.raises(ValueError, match="row_mm2 = 3"):
        iec_ampacity_a("iec_b2", 3)


# ABYC E-11, table V.A, as printed at pacergroup.net (read).
@pytest.mark.parametrize(
    ("cranking_a", "main_a", "branch_a"),
    [(650, 1500, 750), (651, 3000, 1500), (1100, 3000, 1500), (1101, 5000, 2500)],
)
def test_what_a_fuse_must_break_by_the_cranking_current(cranking_a: float, main_a: int, branch_a: int) -> None:
    assert needed_breaking_a(cranking_a) == (main_a, branch_a)


# 33 CFR 183.425 Table 5 (read).
@pytest.mark.parametrize(
    ("gauge", "insulation_c", "amperes"),
    [
        ("16", 105, 25),
        ("14", 105, 35),
        ("10", 105, 60),
        ("8", 105, 80),
        ("4", 105, 160),
        ("2", 105, 210),
        ("1/0", 105, 285),
        ("2/0", 105, 330),
        ("18", 75, 10),
        ("16", 75, 15),
        ("12", 75, 25),
        ("10", 75, 40),
        ("6", 75, 95),
        ("4", 75, 125),
        ("18", 60, 10),
        ("4/0", 200, 510),
        ("10", 104.9, 55),
    ],
)
def test_conductors_carry_what_table_5_allows(gauge: str, insulation_c: float, amperes: float) -> None:
    assert ampacity_a(gauge, insulation_c) == amperes


# A cable maker's table of boat cable, 105 degC, in an engine space (cableyutai.com.tw, read; rounded there).
@pytest.mark.parametrize(
    ("gauge", "conductors", "amperes"),
    [("16", 2, 21.3), ("10", 2, 51), ("4", 2, 136), ("16", 3, 14.9), ("10", 3, 35.7), ("10", 4, 30.6), ("10", 6, 30.6),
     ("10", 7, 25.5), ("10", 24, 25.5)],
)  # fmt: skip
def test_heat_around_and_beside_leaves_less(gauge: str, conductors: int, amperes: float) -> None:
    assert ampacity_a(gauge, 105, conductors, engine_space=True) == pytest.approx(amperes, abs=0.06)


@pytest.mark.parametrize(
    ("conductors", "factor"), [(1, 1), (2, 1), (3, 0.7), (4, 0.6), (6, 0.6), (7, 0.5), (24, 0.5), (25, 0.4)]
)
def test_a_bundle_leaves_a_part(conductors: int, factor: float) -> None:
    assert bundle_factor(conductors) == factor


def test_the_factors_of_an_engine_space_follow_the_heat_through_the_insulation() -> None:
    for insulation_c, factor in ENGINE_SPACE.items():
        assert factor == pytest.approx(math.sqrt((insulation_c - 50) / (insulation_c - 30)), abs=0.01)


def test_more_insulation_or_copper_never_carries_less() -> None:
    for row in TABLE_5_A.values():
        assert list(row) == sorted(row)
    for thinner, thicker in pairwise(GAUGES):
        assert all(small <= big for small, big in zip(TABLE_5_A[thinner], TABLE_5_A[thicker], strict=True))


@pytest.mark.parametrize(("area_mm2", "gauge"), [(1, "18"), (2.5, "14"), (4, "12"), (6, "10"), (10, "8"), (16, "6")])
def test_a_metric_cable_counts_as_the_gauge_that_fits_into_it(area_mm2: float, gauge: str) -> None:
    assert gauge_within(area_mm2) == gauge
    assert awg_area_mm2(gauge) <= area_mm2


# 1.25 I, then the next of NEC 240.6; NEC 210.20(A) (read).
@pytest.mark.parametrize(("current_a", "fuse_a"), [(12.5, 20), (16.667, 25), (20, 25), (30, 40), (16, 20), (16.01, 25)])
def test_a_fuse_is_a_quarter_above_a_lasting_load(current_a: float, fuse_a: int) -> None:
    assert fuse_for_a(current_a) == fuse_a


@given(st.floats(0.01, 480))
def test_the_fuse_is_the_smallest_that_will_do(current_a: float) -> None:
    fuse = fuse_for_a(current_a)
    assert fuse >= 1.25 * current_a * (1 - 1e-9)
    smaller = [size for size in FUSES_A if size < fuse]
    assert not smaller or smaller[-1] < 1.25 * current_a


@pytest.mark.parametrize(("limit_a", "fuse_a"), [(60, 60), (59.9, 50), (0.5, None), (0, None), (1e5, 600)])
def test_the_largest_fuse_below_a_limit(limit_a: float, fuse_a: int | None) -> None:
    assert largest_fuse_a(limit_a) == fuse_a


def test_the_rule_of_the_coast_guard() -> None:
    assert CEILING_BELOW_50_V == 1.5  # 33 CFR 183.455(c)(1) (read)
    assert pytest.approx(0.1778) == BARE_DISTANCE_M  # 7 inches, 33 CFR 183.455(b)(1) (read)
    assert pytest.approx(1.016) == SHEATHED_DISTANCE_M  # 40 inches, (b)(2) (read)


def test_a_short_circuit() -> None:
    assert short_circuit_a(3.5, 0.00075) == pytest.approx(4666.666667)  # one cell; Ohm's law, and printed as 4667 A
    assert short_circuit_a(28.8, 0.008, 0.0292) == pytest.approx(28.8 / 0.0372)


def test_what_is_outside_the_tables_is_refused() -> None:
    for insulation_c in (59, 301, math.nan):
        with pytest.raises(ValueError, match="insulation_c"):
            ampacity_a("10", insulation_c)
    with pytest.raises(ValueError, match="gauge = 13"):
        ampacity_a("13", 105)
    with pytest.raises(ValueError, match="conductors"):
        ampacity_a("10", 105, 0)
    with pytest.raises(ValueError, match="area_mm2"):
        gauge_within(0.75)
    for current in (0, 480.1, math.nan):
        with pytest.raises(ValueError, match="current_a"):
            fuse_for_a(current)
    with pytest.raises(ValueError, match="limit_a"):
        largest_fuse_a(-1)
    with pytest.raises(ValueError, match="bank_ohm"):
        short_circuit_a(28.8, 0)
    with pytest.raises(ValueError, match="cable_ohm"):
        short_circuit_a(28.8, 0.01, -1)
    with pytest.raises(ValueError, match="source_v"):
        short_circuit_a(math.inf, 0.01)
