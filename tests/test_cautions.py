"""The cautions: one text, wherever a figure is shown."""

from pathlib import Path

import pytest
from judged import settings

from dumpload.cautions import CAUTIONS
from dumpload.check.document import check_document

PACKAGE = Path(__file__).parent.parent / "dumpload"


@pytest.mark.parametrize(
    "word",
    [
        "not a safety device",
        "Fire:",
        "Arc:",
        "Mains:",
        "Scald:",
        "Legionella:",
        "Pressure:",
        "Never heat an empty tank",
        "Local codes",
        "licensed electrician",
        "licensed plumber",
    ],
)
def test_every_danger_is_named_and_local_codes_come_first(word: str) -> None:
    assert word in " ".join(CAUTIONS)


def test_the_check_says_them_all() -> None:
    assert check_document(Path("barge.toml"), settings())["cautions"] == list(CAUTIONS)


def test_the_growth_range_is_that_of_the_guidance_everywhere() -> None:
    # HSE HSG274 Part 2: 20 to 45 degC (read as reprinted).
    assert "between 20 and 45 degC" in " ".join(CAUTIONS)
    texts = [*PACKAGE.rglob("*.py"), PACKAGE.parent / "README.md", PACKAGE.parent / "config" / "dumpload.toml"]
    for file in texts:
        assert "25 and 45" not in " ".join(file.read_text().split()), file.name


def test_nobody_has_a_second_text_of_them() -> None:
    having = [file.name for file in PACKAGE.rglob("*.py") if "CAUTIONS = (" in file.read_text()]
    assert having == ["cautions.py"]
