"""Whose rules cable and fuse are judged by."""

from typing import Any

import pytest
from surveyed import line, needs, state, without

UNSAID = without("installation.rules")
BUILDING = {"installation.place": "building", "installation.rules": "iec_b2", "wiring.engine_space": False}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "info"),
        (BUILDING, "info"),
        ({**BUILDING, "installation.rules": "iec_c"}, "info"),
        ({**BUILDING, "installation.rules": "us_boat"}, "caution"),
        ({"installation.rules": "iec_c"}, "caution"),  # on a boat
        ({"installation.place": "vehicle"}, "caution"),
        (UNSAID, "info"),
        (without("installation.place"), "missing"),
    ],
)
def test_rules_are_asked_for_and_must_fit_the_place(changes: dict[str, Any], expected: str) -> None:
    assert state("rules", changes) == expected


def test_what_is_not_said_is_asked_for() -> None:
    assert needs("rules", {**UNSAID, **without("installation.place")}) == ("installation.place",)


# By hand: 6 mm² is 34 A by method B2, 41 A by method C; 10 AWG at 105 degC 60 A; an engine space leaves
# sqrt(20 / 40) = 0.7071 and 0.85 of them.
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "6 mm2 class 5 tinned carries 51 A (read at row gauge 10)"),
        ({"wiring.area_mm2": 16}, "carries 102 A (read at row gauge 6)"),
        (BUILDING, "carries 34 A (read at method B2, row 6 mm2)"),
        ({**BUILDING, "installation.rules": "iec_c"}, "carries 41 A (read at method C, row 6 mm2)"),
        ({**BUILDING, "wiring.area_mm2": 7}, "carries 34 A (read at method B2, row 6 mm2)"),
        ({**BUILDING, "wiring.area_mm2": 50}, "carries 62 A (read at method B2, row 16 mm2)"),
        (
            UNSAID,
            "carries 24 A (read at method B2, row 6 mm2, the strictest of the known rules)",
        ),
        ({**UNSAID, "wiring.engine_space": False, "wiring.insulation_c": 60}, "carries 29.4 A (read at method B2"),
    ],
)  # 34 x sqrt(30 / 40) = 29.44
def test_the_row_that_was_read_is_said(changes: dict[str, Any], words: str) -> None:
    assert words in line("cable-ampacity", changes).figure


def test_rules_made_for_another_place_do_not_hold() -> None:
    abroad = {"installation.place": "building", "installation.rules": "us_boat"}
    assert "24 A (read at method B2, row 6 mm2, the strictest" in line("cable-ampacity", abroad).figure
    assert state("fuse-distance", {**abroad, "wiring.fuse_distance_m": 2}) == "caution"
    assert "150 %" not in line("fuse-cable", abroad).limit
    unplaced = without("installation.place")
    assert "row gauge 10" in line("cable-ampacity", unplaced).figure


def test_the_source_is_cited_as_it_was_read() -> None:
    assert line("cable-ampacity", BUILDING).source.id == "iec-60364-5-52"
    assert "as printed in two manuals" in line("cable-ampacity", BUILDING).source.text
    assert line("cable-ampacity").source.id == "cfr-183-425"
    assert line("fuse-cable", BUILDING).source.id == "iec-60364-5-52"


def test_boat_rules_hold_on_us_boats_only() -> None:
    far = {"wiring.fuse_distance_m": 2}
    assert state("fuse-distance", far) == "fail"
    assert state("fuse-distance", {**far, **BUILDING}) == "caution"
    assert "the US boat rule" in line("fuse-distance", {**far, **UNSAID}).limit
    assert "US boats" not in line("fuse-cable", BUILDING).limit


def test_no_wire_so_thin_carries_zero_amperes_in_the_words() -> None:
    figure = line("cable-ampacity", {"wiring.area_mm2": 0.4}).figure
    assert figure == "0.4 mm2 class 5 tinned is thinner than any row of the tables; the load is 15 A continuous"
    assert "0 A" not in line("fuse-cable", {"wiring.area_mm2": 0.4}).limit
