"""What all pages have: colours that can be read, and the signs of units as a printer sets them."""

import re

import pytest
from contrast import TEXT, contrast

from dumpload.html import STYLE, typeset


@pytest.mark.parametrize(
    ("sent", "printed"),
    [
        ("70 degC", "70 °C"),
        ("200 degF", "200 °F"),
        ("6 mm2 class 5", "6 mm² class 5"),
        ("33 mohm of cable", "33 mΩ of cable"),
        ("1.92 ohm", "1.92 Ω"),
        ("P = V^2 / R", "P = V² / R"),
        ("wiring.area_mm2 and driver.base_ohm and battery.resistance_mohm",) * 2,  # names of settings
        ("R = V2/P, P = I2 R", "R = V²/P, P = I² R"),
        ("2^20",) * 2,
    ],
)
def test_units_have_their_signs(sent: str, printed: str) -> None:
    assert typeset(sent) == printed


@pytest.mark.parametrize("scheme", ["day", "night"])
@pytest.mark.parametrize("name", ["ink", "quiet", "fail", "caution", "pass"])
def test_every_colour_of_words_can_be_read_on_its_paper(name: str, scheme: str) -> None:
    day, night = (dict(re.findall(r"--(\w+): (#\w+)", rule)) for rule in re.findall(r":root {(.*?)}", STYLE, re.DOTALL))
    colours = {"day": day, "night": night}[scheme]
    assert contrast(colours[name], colours["paper"]) >= TEXT
