"""What all pages have: the signs of units, as a printer sets them."""

import pytest

from dumpload.study.page import typeset


@pytest.mark.parametrize(
    ("sent", "printed"),
    [
        ("70 degC", "70 °C"),
        ("6 mm2 class 5", "6 mm² class 5"),
        ("33 mohm of cable", "33 mΩ of cable"),
        ("1.92 ohm", "1.92 Ω"),
        ("P = V^2 / R", "P = V² / R"),
        ("wiring.area_mm2 and driver.base_ohm and battery.resistance_mohm",) * 2,  # names of settings
        ("2^20",) * 2,
    ],
)
def test_units_have_their_signs(sent: str, printed: str) -> None:
    assert typeset(sent) == printed
