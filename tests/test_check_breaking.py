"""Everything that breaks the load's current is asked for volts and amperes."""

from typing import Any

import pytest
from surveyed import line, needs, state, without

BARE = without("tank.thermostat_v", "tank.thermostat_a")
NO_BUS = without("load.rated_w")


@pytest.mark.parametrize(
    ("name", "changes", "expected"),
    [
        ("thermostat", {}, "pass"),
        ("thermostat", BARE, "caution"),  # a bare "rated for DC"
        ("thermostat", {"tank.thermostat_dc": False}, "fail"),
        ("thermostat", {**BARE, **without("tank.thermostat_dc")}, "missing"),
        ("thermostat", without("tank.thermostat_dc"), "pass"),  # volts and amperes say more
        ("thermostat", without("tank.thermostat_a"), "caution"),
        ("thermostat", {"tank.thermostat_v": 28.8, "tank.thermostat_a": 18.75}, "pass"),
        ("thermostat", {"tank.thermostat_v": 28.7}, "fail"),
        ("thermostat", {"tank.thermostat_a": 18.7}, "caution"),  # at its rating for hours
        ("thermostat", {"tank.thermostat_a": 14.9}, "fail"),
        ("thermostat", NO_BUS, "caution"),
        # It breaks the coil: 28.8 / 320 = 90 mA.
        ("thermostat", {"tank.thermostat_a": 1, "tank.thermostat_breaks": "coil"}, "pass"),
        ("thermostat", {"tank.thermostat_a": 0.1, "tank.thermostat_breaks": "coil"}, "caution"),
        ("cut-out-rating", {}, "pass"),
        ("cut-out-rating", without("tank.cut_out_v"), "missing"),
        ("cut-out-rating", {"tank.cut_out_v": 24}, "fail"),
        ("cut-out-rating", {"tank.cut_out_a": 15}, "caution"),
        ("cut-out-rating", {"tank.cut_out": False}, ""),
        ("isolator", {}, "pass"),
        ("isolator", without("wiring.isolator_a"), "missing"),
        ("isolator", {"wiring.isolator_a": 10}, "fail"),
    ],
)
def test_volts_and_amperes(name: str, changes: dict[str, Any], expected: str) -> None:
    assert state(name, changes) == expected


def test_it_says_what_it_is_rated_for_and_what_it_breaks() -> None:
    assert line("thermostat").figure == "rated for 32 V and 20 A DC; it breaks 15 A"
    assert line("thermostat").limit == "at least 28.8 V and at least 18.8 A DC, 125 %; below 15 A it fails"


def test_it_is_the_electricians() -> None:
    assert needs("cut-out-rating", without("tank.cut_out_v", "tank.cut_out_a")) == ("tank.cut_out_v", "tank.cut_out_a")
