"""The count of cells: never guessed, and refused where no such cell is charged like that."""

from typing import Any

import pytest
from surveyed import line, needs, state, without

# A "48 V" LiFePO4 bank of 16 cells, as it is sold; round(48 / 3.2) would be 15.
BANK_48 = {
    "battery.nominal_v": 48,
    "battery.highest_v": 57.6,
    "battery.lowest_v": 44,
    "solar.absorption_v": 56.8,
    "solar.float_v": 54,
    "load.rated_v": 60,
}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "pass"),
        (without("battery.cells"), "missing"),
        ({**BANK_48, "battery.cells": 16}, "pass"),  # 57.6 / 16 = 3.6 V; nominal 3.0 V
        ({**BANK_48, "battery.cells": 15}, "fail"),  # 57.6 / 15 = 3.84 V
        ({"battery.highest_v": 29.2}, "pass"),  # 3.65 V, a general note on LFP charging
        ({"battery.highest_v": 29.3}, "fail"),
        ({"battery.highest_v": 26.7, "solar.absorption_v": 26.7, "solar.float_v": 26}, "fail"),  # 3.3375 V: never full
        ({"battery.cells": 7}, "fail"),
        ({"battery.chemistry": "lead_acid", "battery.cells": 12}, "pass"),  # 2.4 V
        ({"battery.chemistry": "lead_acid", "battery.cells": 6}, "fail"),
        ({"battery.chemistry": "other"}, ""),
    ],
)
def test_a_charging_voltage_that_no_such_cell_has_fails(changes: dict[str, Any], expected: str) -> None:
    assert state("cell-voltage", changes) == expected


def test_it_says_the_figure_of_a_cell() -> None:
    assert "57.6 V over 15 cells is 3.84 V each" in line("cell-voltage", {**BANK_48, "battery.cells": 15}).figure


def test_without_the_count_nothing_is_worked_out_per_cell() -> None:
    uncounted = without("battery.cells")
    assert needs("surplus", uncounted) == ("battery.cells",)
    changes = {
        **uncounted,
        "telemetry.battery_voltage.topic": "barge/bank/voltage",
        "permissive.voltage_cut_in": 28.2,
        "permissive.voltage_cut_out": 26.4,
    }
    assert "% charge" not in line("voltage-evidence", changes).figure
    assert state("surplus", {**changes, "battery.throttle_percent": 99}) == "pass"
