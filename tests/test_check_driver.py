"""The coil and its driver on paper."""

import re
from typing import Any

import pytest
from judged import LEAVE_OUT
from surveyed import line, needs, state, without

LOW, HIGH = "coil at the lowest voltage", "coil at the highest voltage"
BASE, GATE = "transistor and base resistor", "transistor and gate resistor"
RELEASE = "release time of the coil"
MOSFET = {"driver.transistor": "mosfet", "driver.gate_ohm": 470, "driver.gate_full_v": 2.5}


@pytest.mark.parametrize(
    ("name", "changes", "expected"),
    [
        # 22.4 - 0.3 = 22.1 V; / 1.25 = 17.68 V
        (LOW, {"driver.pull_in_v": 17.68}, "pass"),
        (LOW, {"driver.pull_in_v": 17.69}, "caution"),
        (LOW, {"driver.pull_in_v": 22.1}, "caution"),
        (LOW, {"driver.pull_in_v": 22.2}, "fail"),
        (LOW, {"driver.pull_in_v": 17.4, "driver.saturation_v": LEAVE_OUT}, "caution"),  # 0.7 V: 21.7 / 1.25 = 17.36
        (LOW, {"driver.supply_v": 12}, "fail"),  # pulls in at 16.8 V
        (HIGH, {"driver.coil_most_v": 28.8}, "pass"),
        (HIGH, {"driver.coil_most_v": 26.4}, "fail"),
        (HIGH, {"driver.coil_most_v": 26.4, "driver.supply_v": 24}, "pass"),
        (BASE, {"driver.base_ohm": 1390}, "pass"),  # 1.87 - 0.07 = 1.80 mA wanted: 2.6 V / 1.87 mA = 1390 ohm
        (BASE, {"driver.base_ohm": 1400}, "fail"),
        (BASE, {"driver.base_ohm": 330}, "pass"),  # 7.88 mA
        (BASE, {"driver.base_ohm": 320}, "caution"),  # 8.125 mA
        (BASE, MOSFET, ""),
        (GATE, {}, ""),
        (GATE, MOSFET, "pass"),
        (GATE, {**MOSFET, "driver.gate_full_v": 4.5}, "fail"),
        (GATE, {**MOSFET, "driver.gate_ohm": 100}, "caution"),  # 33 mA
        ("input of the board", {"driver.transistor": "module"}, "missing"),
        ("input of the board", {"driver.transistor": "module", "driver.input_ma": 8}, "pass"),
        ("input of the board", {"driver.transistor": "module", "driver.input_ma": 9}, "caution"),
        ("driver of the coil", {}, ""),
        ("coil suppression", {"driver.flyback": "none"}, "fail"),
        ("coil suppression", {"driver.flyback": "diode"}, "pass"),
        ("coil suppression", {**without("driver.flyback"), "driver.transistor": "module"}, "missing"),
        (RELEASE, {"driver.flyback": "none"}, ""),
        (RELEASE, {"driver.flyback": "diode"}, "pass"),
        (RELEASE, without("driver.clamp_v"), "missing"),
        (RELEASE, without("driver.coil_h"), "missing"),
        # 10 / 320 x ln(29.5 / 3.58) = 65.9 ms
        (RELEASE, {"driver.flyback": "diode", "driver.coil_h": 10}, "caution"),
        # 1.535 ms against half a second; and against 1 ms
        (RELEASE, {"relay.feedback_pin": 27}, "pass"),
        (RELEASE, {"relay.feedback_pin": 27, "relay.feedback_s": 0.001}, "caution"),
    ],
)
def test_coil_and_driver(name: str, changes: dict[str, Any], expected: str) -> None:
    assert state(name, changes) == expected


def test_what_is_not_said_is_asked_for() -> None:
    assert needs("driver of the coil", without("driver.transistor")) == ("driver.transistor",)
    assert needs(BASE, without("driver.base_ohm", "driver.least_gain")) == ("driver.base_ohm", "driver.least_gain")
    assert needs(GATE, {"driver.transistor": "mosfet"}) == ("driver.gate_ohm", "driver.gate_full_v")
    assert needs(LOW, without("battery.lowest_v")) == ("driver.supply_v or battery.lowest_v",)


def test_the_advice_on_the_base_resistor_passes_at_both_ends() -> None:
    change = line(BASE, {"driver.base_ohm": 5000}).change
    least, most = re.findall(r"(\d+) to (\d+) ohm", change)[0]
    for ohm in (least, most):
        assert state(BASE, {"driver.base_ohm": float(ohm)}) == "pass"


def test_no_base_resistor_fits_a_hungry_coil() -> None:
    assert "No base resistor fits" in line(BASE, {"driver.coil_ohm": 30}).change


def test_the_advice_on_the_gate_resistor_passes() -> None:
    change = line(GATE, {**MOSFET, "driver.gate_ohm": 100}).change
    (ohm,) = re.findall(r"at least (\d+) ohm", change)
    assert state(GATE, {**MOSFET, "driver.gate_ohm": float(ohm)}) == "pass"


def test_a_slow_coil_is_told_how_fast_a_zener_diode_would_be() -> None:
    change = line(RELEASE, {"driver.flyback": "diode", "driver.coil_h": 10}).change
    # 10 / 320 x ln((28.8 + 29.5) / (2.88 + 29.5)) = 18.4 ms
    assert "a clamp of 28.8 V, which this transistor is rated for, would make it 18.4 ms" in change


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        # 28.8 + 27 + 0.7 = 56.5 V; 28.8 / 320 = 90 mA
        ({"driver.transistor_v": 56.5}, "pass"),
        ({"driver.transistor_v": 56}, "fail"),
        ({"driver.transistor_v": 56, "driver.flyback": "diode"}, "pass"),
        ({"driver.transistor_v": 29, "driver.flyback": "diode"}, "fail"),  # 29.5 V
        ({"driver.transistor_a": 0.09}, "pass"),
        ({"driver.transistor_a": 0.08}, "fail"),
        (without("driver.transistor_v"), "missing"),
        (without("driver.clamp_v"), "missing"),
        ({"driver.flyback": "none"}, ""),
        ({"driver.transistor": "module"}, ""),
    ],
)
def test_the_transistor_must_stand_supply_and_clamp_together(changes: dict[str, Any], expected: str) -> None:
    assert state("transistor-rating", changes) == expected


def test_no_clamp_is_advised_that_the_transistor_is_not_known_to_stand() -> None:
    slow = {"driver.flyback": "diode", "driver.coil_h": 10}
    unsaid = line(RELEASE, {**slow, **without("driver.transistor_v")}).change
    assert "needs a transistor rated for it" in unsaid
    # 45 - 28.8 - 0.7 = 15.5 V is left for the clamp.
    assert "a clamp of 15.5 V" in line(RELEASE, {**slow, "driver.transistor_v": 45}).change


def test_the_pull_down_takes_from_the_gate() -> None:
    # 3.3 x 1000 / 1470 = 2.245 V, below the 2.5 V of the data sheet; with 10 kohm 3.152 V.
    weak = {**MOSFET, "driver.pull_down_ohm": 1000}
    assert state(GATE, weak) == "fail"
    assert "gets 2.24 V of 3.3 V" in line(GATE, weak).figure
    assert "a larger pull-down" in line(GATE, weak).change
    assert state(GATE, {**MOSFET, "driver.gate_full_v": 3.15}) == "pass"
    assert state(GATE, {**MOSFET, "driver.gate_full_v": 3.16}) == "fail"
