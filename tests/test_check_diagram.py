"""The one-line diagram: drawn from the settings, and honest about what nobody stated."""

import re
import xml.etree.ElementTree as ET
from typing import Any

import pytest
from judged import LEAVE_OUT
from surveyed import BARGE, without

from dumpload.check.diagram import SYMBOLS, diagram, stations, tank_words

KNOWN: dict[str, Any] = {**BARGE, "relay.pin": 17, "wiring.conductor": "class_5_tinned", "wiring.boat_cable": True}

BARE_THERMOSTAT = without("tank.thermostat_v", "tank.thermostat_a")


def words(known: dict[str, Any]) -> dict[str, str]:
    """Return what each thing on the line is said to be, as a reader of the picture sees it."""
    texts = [one.text or "" for one in picture(known).iter("text")]
    names = [one.name for one in (*stations(known), *tank_words(known))]
    return {name: texts[texts.index(name) + 1] for name in names}


def picture(known: dict[str, Any]) -> ET.Element:
    return ET.fromstring(diagram(known))  # noqa: S314  (our own)


def test_it_says_what_the_settings_say_from_the_panels_to_the_element() -> None:
    assert words(KNOWN) == {
        "Panels": "1400 W",
        "Charger": "80 A, to 28.8 V",
        "Battery": "25.6 V, 280 Ah, LiFePO4",
        "Fuse at the battery": "25 A, 125 V DC",
        "Cable": "6 mm² class 5 tinned, 4 m one way",
        "Isolator": "48 V DC, 100 A",
        "Contact of the relay": "48 V DC, 40 A, normally open",
        "Thermostat of the heater": "70 °C, 32 V DC, 20 A",
        "Thermal cut-out, reset by hand": "85 °C, 32 V DC, 25 A",
        "Element": "300 W at 24 V",
        "Tank": "40 litres",
        "Relief valve": "opens at 3 bar",
        "Mixing valve": "fitted",
        "Dry-heating guard": "fitted",
        "Expansion": "vessel of 5 litres",
        "Second heater": "not stated",
    }
    assert "GPIO17" in [one.text for one in picture(KNOWN).iter("text")]


def test_what_nobody_stated_is_said_and_dashed() -> None:
    bare = words({"relay.pin": 17})
    assert set(bare.values()) == {"not stated", "no DC rating stated"}
    dashed = [one for one in picture({"relay.pin": 17}).iter("path") if one.get("class") == "u"]
    assert len(dashed) == 8  # panels, charger, fuse, cable, isolator, contact, thermostat, cut-out


@pytest.mark.parametrize(
    ("changes", "name", "said"),
    [
        ({"tank.cut_out": False}, "Thermal cut-out, reset by hand", "NOT FITTED"),
        ({"tank.relief_valve": False}, "Relief valve", "NOT FITTED"),
        (BARE_THERMOSTAT, "Thermostat of the heater", "70 °C, rated for DC"),
        ({**BARE_THERMOSTAT, "tank.thermostat_dc": False}, "Thermostat of the heater", "70 °C, NOT rated for DC"),
        ({"tank.thermostat_breaks": "coil"}, "Thermostat of the heater", "70 °C, 32 V DC, 20 A, breaks the coil"),
        ({"contact.normally_open": False}, "Contact of the relay", "48 V DC, 40 A, normally CLOSED"),
        ({"tank.sealed": False}, "Expansion", "back into the supply"),
        ({"tank.other_heat": "mains", "tank.other_w": 1000}, "Second heater", "mains, 1000 W"),
        ({"tank.other_heat": "none"}, "Second heater", "none"),
    ],
)
def test_what_is_wrong_shows(changes: dict[str, Any], name: str, said: str) -> None:
    known = {key: value for key, value in {**KNOWN, **changes}.items() if value is not LEAVE_OUT}
    assert words(known)[name] == said


def test_who_does_not_see_it_is_told_the_same() -> None:
    told = picture(KNOWN).find(".//desc")
    assert told is not None
    assert told.text is not None
    for name, said in words(KNOWN).items():
        assert f"{name}: {said}" in told.text


def test_every_symbol_is_drawn_within_the_picture() -> None:
    drawn = picture(KNOWN)
    _, _, width, height = map(float, (drawn[0].get("viewBox") or "").split())
    for path in drawn.iter("path"):
        for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path.get("d") or ""):
            assert 0 <= float(x) <= width
            assert 0 <= float(y) <= height
    assert {one.symbol for one in stations(KNOWN)} == set(SYMBOLS)


def test_a_fitting_that_is_there_without_a_figure_is_fitted() -> None:
    known = {key: value for key, value in KNOWN.items() if key != "tank.relief_bar"}
    assert words(known)["Relief valve"] == "fitted"
