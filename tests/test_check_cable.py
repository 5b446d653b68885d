"""The cable and its fuse on paper."""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from judged import settings
from surveyed import BARGE, line, needs, state, survey, without

from dumpload.check import cable as check_cable
from dumpload.check import fault as check_fault
from dumpload.check.table import run_checks
from dumpload.config.model import flat
from dumpload.physics.conductors import GAUGES, LARGEST_OHM_PER_KM

DROP, CARRIES = "drop along the cable", "ampacity of the cable"
LOAD, CABLE = "fuse against the load", "fuse against the cable"
ORDER = ("fail", "caution", "pass", "info")

KNOWN = flat(settings(BARGE))


@pytest.mark.parametrize(
    ("length_m", "expected"), [(4, "pass"), (7.1, "pass"), (7.3, "caution"), (25.8, "caution"), (26, "fail")]
)  # By hand: 1.6888 % at 4 m; x / (1 + x) = 3 % at 7.202 m and 10 % at 25.87 m.
def test_the_drop_is_good_to_3_percent_and_bad_from_10(length_m: float, expected: str) -> None:
    assert state(DROP, {"wiring.length_m": length_m}) == expected


def test_a_drop_that_is_too_much_names_the_smallest_cable_that_passes() -> None:
    assert line(DROP, {"wiring.area_mm2": 2.5}).change == "Use 4 mm2 class 5 tinned or more."
    long = {"wiring.area_mm2": 1, "wiring.length_m": 40, "wiring.conductor": "class_2_plain"}
    assert line(DROP, long).change == "Use 35 mm2 class 2 plain or more."
    assert "No standard size" in line(DROP, {"wiring.length_m": 1000}).change
    unsaid = {"wiring.area_mm2": 2.5, **without("wiring.insulation_c")}
    assert line(DROP, unsaid).change == "Use 4 mm2 class 5 tinned or more."  # for the drop alone


def test_the_smallest_that_passes_does_pass_and_the_next_smaller_does_not() -> None:
    sizes = sorted(LARGEST_OHM_PER_KM)
    for length_m in (1, 4, 11, 40):
        for area, next_area in pairwise(sizes):
            changes: dict[str, Any] = {"wiring.length_m": length_m, "wiring.area_mm2": area}
            enough = {state(DROP, changes), state(CARRIES, changes)} == {"pass"}
            if not enough:
                change = line(DROP, changes).change or line(CARRIES, changes).change
                assert f"{area:g} mm2" not in change
                following = {**changes, "wiring.area_mm2": next_area}
                if {state(DROP, following), state(CARRIES, following)} == {"pass"}:
                    assert f"Use {next_area:g} mm2" in change


sizes = st.sampled_from([{"wiring.area_mm2": area} for area in (0.2, 0.6, 3, 300, *LARGEST_OHM_PER_KM)])


def worst(known: dict[str, Any]) -> dict[str, int]:
    found, missing = run_checks((*check_cable.CHECKS, *check_fault.CHECKS), {**KNOWN, **known})
    assert not missing
    return {finding.name: ORDER.index(finding.verdict.state.value) for finding in found}


@given(st.floats(0.1, 60), st.floats(0.1, 60), sizes)
def test_a_longer_cable_never_passes_where_a_shorter_fails(one: float, other: float, size: dict[str, Any]) -> None:
    shorter = worst({"wiring.length_m": min(one, other), **size})
    longer = worst({"wiring.length_m": max(one, other), **size})
    assert all(longer[name] <= shorter[name] for name in shorter)


@given(st.floats(0.1, 60), sizes, sizes, st.sampled_from([60, 90, 105]), st.booleans(), st.integers(1, 30))
def test_a_bigger_cable_never_fails_where_a_smaller_passes(
    length_m: float, one: dict[str, Any], other: dict[str, Any], insulation_c: int, engine: bool, bundled: int
) -> None:
    rest = {
        "wiring.length_m": length_m,
        "wiring.insulation_c": insulation_c,
        "wiring.engine_space": engine,
        "wiring.bundled": bundled,
    }
    small, big = sorted((one, other), key=lambda size: size["wiring.area_mm2"])
    smaller, bigger = worst({**rest, **small}), worst({**rest, **big})
    assert all(smaller[name] <= bigger[name] for name in smaller)


def test_thicker_gauges_never_do_worse() -> None:
    known = {key: value for key, value in KNOWN.items() if key != "wiring.area_mm2"}
    before: dict[str, int] = {}
    for gauge in GAUGES:
        found, _missing = run_checks((*check_cable.CHECKS, *check_fault.CHECKS), {**known, "wiring.gauge": gauge})
        now = {finding.name: ORDER.index(finding.verdict.state.value) for finding in found}
        assert all(before[name] <= now[name] for name in before)
        before = now


@pytest.mark.parametrize(
    ("insulation_c", "engine_space", "bundled", "figure", "expected"),
    [
        (105, False, 2, " carries 60 A (read at row gauge 10)", "pass"),
        (105, True, 2, " carries 51 A (read at row gauge 10)", "pass"),
        (105, True, 3, " carries 35.7 A (", "pass"),
        (75, False, 2, " carries 40 A (", "pass"),
        (75, True, 24, " carries 15 A (", "caution"),  # 40 x 0.75 x 0.5: the load's 15 A, but no fuse of 125 %
        (60, True, 25, " carries 9.28 A (", "fail"),  # 40 x 0.58 x 0.4
    ],
)
def test_heat_takes_from_what_the_cable_carries(
    insulation_c: float, engine_space: bool, bundled: int, figure: str, expected: str
) -> None:
    changes = {
        "wiring.insulation_c": insulation_c,
        "wiring.engine_space": engine_space,
        "wiring.bundled": bundled,
    }
    assert line(CARRIES, changes).figure.startswith(f"6 mm2 class 5 tinned{figure}")
    assert state(CARRIES, changes) == expected


@pytest.mark.parametrize(
    ("fuse_a", "for_load", "for_cable"),
    [(10, "fail", "pass"), (15, "caution", "pass"), (20, "pass", "pass"), (50, "pass", "pass"), (60, "pass", "fail")],
)
def test_a_fuse_is_above_the_load_and_not_above_the_cable(fuse_a: float, for_load: str, for_cable: str) -> None:
    changes = {"wiring.fuse_a": fuse_a}
    assert (state(LOAD, changes), state(CABLE, changes)) == (for_load, for_cable)


def test_the_ceiling_of_the_us_rule_is_reported_as_such_below_50_v_only() -> None:
    verdict = line(CABLE, {"wiring.fuse_a": 60})
    assert verdict.limit == (
        "at most 51 A, the cable's ampacity (read at row gauge 10); US boats below 50 V may by law go to 76.5 A, 150 %"
    )
    assert verdict.change.startswith("Fit a fuse of at most 50 A")
    high = {"battery.nominal_v": 48, "battery.highest_v": 57.6}
    assert "150 %" not in line(CABLE, high).limit
    assert "150 %" not in line(CABLE, without("installation.rules")).limit
    assert "150 %" not in line(CABLE, without("battery.highest_v")).limit


def test_no_fuse_protects_a_hair() -> None:
    assert line(CABLE, {"wiring.area_mm2": 0.4}).change == "Fit a thicker cable: no fuse protects one as thin as this."


def test_a_load_beyond_the_listed_fuses_is_said() -> None:
    verdict = line(LOAD, {"load.rated_w": 12_000})
    assert verdict.state.value == "fail"
    assert "no standard fuse" in verdict.change


@pytest.mark.parametrize(
    ("distance_m", "sheathed", "expected"),
    [(0.1778, False, "pass"), (0.18, False, "fail"), (0.18, True, "pass"), (1.016, True, "pass"), (1.02, True, "fail")],
)
def test_the_fuse_is_at_the_battery(distance_m: float, sheathed: bool, expected: str) -> None:
    changes = {"wiring.fuse_distance_m": distance_m, "wiring.fuse_sheathed": sheathed}
    assert state("distance of the fuse", changes) == expected


@pytest.mark.parametrize(
    ("name", "changes", "expected"),
    [
        ("voltage of the fuse", {"wiring.fuse_v": 28.8}, "pass"),
        ("voltage of the fuse", {"wiring.fuse_v": 28}, "fail"),
        ("breaking capacity of the fuse", {"wiring.fuse_interrupts_a": 4800}, "pass"),
        ("breaking capacity of the fuse", {"wiring.fuse_interrupts_a": 1000}, "fail"),
        ("breaking capacity of the fuse", {"wiring.fuse_interrupts_a": 4800, "battery.resistance_mohm": 5}, "fail"),
        ("short circuit at the load", {"wiring.length_m": 20}, "caution"),  # 22.4 / 0.1709 = 131 A, 5.2 x 25
        ("short circuit at the load", {"wiring.length_m": 60}, "fail"),
    ],
)
def test_the_fuse_breaks_what_can_flow_and_something_flows(name: str, changes: dict[str, Any], expected: str) -> None:
    if expected == "caution":
        assert state(name, changes) == "pass"
        changes = {**changes, "wiring.length_m": 22}
    assert state(name, changes) == expected


def test_nothing_is_guessed() -> None:
    bare = without(*(key for key in BARGE if key.startswith("wiring.")))
    assert needs(DROP, bare) == ("wiring.length_m", "wiring.area_mm2 or wiring.gauge")
    assert needs(CABLE, bare) == (
        "wiring.fuse_a",
        "wiring.area_mm2 or wiring.gauge",
        "wiring.insulation_c",
        "wiring.engine_space",
        "wiring.bundled",
    )
    found, _missing = survey(bare)
    assert not [
        finding for finding in found if finding.check.part.name == "cable and fuse" and finding.check.id != "rules"
    ]
