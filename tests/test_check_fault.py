"""The fault current where no milliohms are known, the class of the fuse, and main against branch fuse."""

from typing import Any

import pytest
from surveyed import line, needs, state, without

NO_OHM = without("battery.resistance_mohm")
LEAD = {**NO_OHM, "battery.chemistry": "lead_acid", "battery.cells": 12}
MAIN = {"wiring.main_fuse_a": 200, "wiring.main_fuse_interrupts_a": 10_000}


# ABYC E-11, table V.A, as printed: main and branch by cranking current; lithium banks 20 kA at 125 V DC.
@pytest.mark.parametrize(
    ("changes", "breaks_a", "expected"),
    [
        ({}, 4800, "pass"),  # 28.8 / 0.006
        ({}, 4799, "fail"),
        (NO_OHM, 20_000, "pass"),
        (NO_OHM, 19_999, "fail"),
        (LEAD, 20_000, "missing"),
        ({**LEAD, "battery.cranking_a": 650}, 1500, "pass"),
        ({**LEAD, "battery.cranking_a": 651}, 1500, "fail"),
        ({**LEAD, "battery.cranking_a": 1100}, 3000, "pass"),
        ({**LEAD, "battery.cranking_a": 1101}, 4999, "fail"),
        ({**LEAD, **MAIN, "battery.cranking_a": 1101}, 2500, "pass"),  # a branch
        ({**LEAD, **MAIN, "battery.cranking_a": 650}, 749, "fail"),
        ({**LEAD, "battery.cranking_a": 650, "battery.highest_v": 57.6}, 1500, "missing"),  # beyond the table
    ],
)
def test_what_the_fuse_must_break(changes: dict[str, Any], breaks_a: float, expected: str) -> None:
    assert state("fuse-breaking", {**changes, "wiring.fuse_interrupts_a": breaks_a}) == expected


def test_what_tells_it_is_asked_for() -> None:
    assert needs("fuse-breaking", LEAD) == ("battery.resistance_mohm or battery.cranking_a",)
    assert needs("fuse-breaking", {**LEAD, "battery.highest_v": 57.6}) == ("battery.resistance_mohm",)
    assert needs("main-fuse-breaking", {"wiring.main_fuse_a": 200}) == ("wiring.main_fuse_interrupts_a",)
    assert state("main-fuse-breaking", {}) == ""


def test_the_class_follows_from_the_current() -> None:
    assert "class T" in line("fuse-breaking", {**NO_OHM, "wiring.fuse_interrupts_a": 5000}).change
    assert "class T" not in line("fuse-breaking", {"wiring.fuse_interrupts_a": 1000}).change
    assert line("fuse-breaking", NO_OHM).source.id == "abyc-e11-va"


@pytest.mark.parametrize(
    ("name", "main_a", "expected"),
    [
        ("fuse-selectivity", 40, "pass"),  # 1.6 x 25
        ("fuse-selectivity", 39, "caution"),
        # 125 % of 15 + 60 A is 93.75 A.
        ("main-fuse-load", 93.75, "pass"),
        ("main-fuse-load", 80, "caution"),
        ("main-fuse-load", 74, "fail"),
    ],
)
def test_the_main_fuse(name: str, main_a: float, expected: str) -> None:
    assert state(name, {**MAIN, "wiring.main_fuse_a": main_a}) == expected
