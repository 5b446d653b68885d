"""What the resistor at the driver's input pulls to, and boards with an opto-isolated low-level input."""

from typing import Any

import pytest
from judged import LEAVE_OUT, complaints
from surveyed import line, needs, state, without

NO_PULL = without("driver.pull_down_ohm")
LOW_IS_ON = {"relay.active_high": False}
UP = {**NO_PULL, "driver.pull_up_ohm": 10_000}
FLOATS = {**NO_PULL, "driver.input_floats": True}
BOARD = {"driver.transistor": "module"}
MOSFET = {"driver.transistor": "mosfet", "driver.gate_ohm": 470, "driver.gate_full_v": 2.5}
OPTO = {**BOARD, **LOW_IS_ON, "driver.opto_supply_v": 3.3}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "pass"),  # pulled down, on when high
        (UP, "fail"),
        (LOW_IS_ON, "fail"),  # the pull-down holds it at on
        ({**LOW_IS_ON, **UP}, "pass"),
        ({**OPTO, **UP}, "pass"),
        (OPTO, "fail"),  # still pulled down
        ({"driver.pull_down_ohm": 1_000_000}, "caution"),
        ({"driver.pull_down_ohm": 100}, "caution"),
        (NO_PULL, "missing"),
        ({**NO_PULL, "driver.input_floats": False}, "caution"),
        (FLOATS, "caution"),  # a base without current is off
        ({**FLOATS, **MOSFET}, "fail"),  # a gate keeps its charge
        ({**FLOATS, **BOARD}, "caution"),
        ({**FLOATS, **BOARD, **LOW_IS_ON}, "fail"),
        ({**FLOATS, **OPTO}, "pass"),  # no current through the LED
    ],
)
def test_the_resistor_is_judged_by_what_it_pulls_to(changes: dict[str, Any], expected: str) -> None:
    assert state("driver-input", changes) == expected


def test_a_pull_down_on_a_board_that_is_on_when_low_is_never_advised_nor_passed() -> None:
    verdict = line("driver-input", LOW_IS_ON)
    assert verdict.figure == "10000 ohm pulls the input down, which is on: relay.active_high is false"
    assert verdict.change.startswith("Take it out and fit a pull-up, to the pin's supply")
    assert "pull-down" not in line("relay-level", LOW_IS_ON).change
    assert "pull-up" in line("driver-input", {**FLOATS, **BOARD, **LOW_IS_ON}).change
    assert "pull-down" in line("driver-input", FLOATS).change


def test_a_floating_input_says_what_it_does() -> None:
    assert "a gate keeps the level it had, so the load may stay on" in line("driver-input", {**FLOATS, **MOSFET}).figure
    assert "without base current it is off" in line("driver-input", FLOATS).figure
    assert "its LED has no current: off" in line("driver-input", {**FLOATS, **OPTO}).figure


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "info"),
        (LOW_IS_ON, "caution"),
        ({**LOW_IS_ON, **UP}, "info"),
        ({**OPTO, **UP}, "info"),
        ({**OPTO, "relay.active_high": True}, "fail"),  # off and on are changed about
    ],
)
def test_the_level_that_closes_the_contact(changes: dict[str, Any], expected: str) -> None:
    assert state("relay-level", changes) == expected


@pytest.mark.parametrize(
    ("supply_v", "expected"), [(3.3, "pass"), (3.4, "caution"), (4.5, "caution"), (4.6, "fail"), (5, "fail")]
)  # The LED conducts from about 1.2 V: 3.3 + 1.2 = 4.5 V (common practice, no source).
def test_an_opto_isolated_input_must_not_conduct_at_the_pins_high(supply_v: float, expected: str) -> None:
    assert state("opto-supply", {**OPTO, "driver.opto_supply_v": supply_v}) == expected


def test_a_board_is_not_called_checked() -> None:
    assert needs("coil-suppression", {**BOARD, **without("driver.flyback")}) == ("driver.flyback",)
    assert needs("driver-kind", BOARD) == ("driver.input_ma",)
    assert "the transistor on it is not checked" in line("driver-kind", {**BOARD, "driver.input_ma": 5}).figure


def test_an_input_is_pulled_one_way_only() -> None:
    both = {"driver.pull_down_ohm": 10_000, "driver.pull_up_ohm": 10_000}
    assert complaints(both) == ["driver.pull_up_ohm = 10000: expected either this or driver.pull_down_ohm, not both"]
    assert complaints({"driver.input_floats": True, "driver.pull_up_ohm": 10_000})
    assert not complaints({"driver.input_floats": False, "driver.pull_up_ohm": 10_000})
    assert not complaints({**both, "driver.pull_up_ohm": LEAVE_OUT})
