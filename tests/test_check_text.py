"""The installation check as text: verdict first, then what to fix, then the rest; 80 columns, nothing but ASCII."""

import re
from pathlib import Path
from typing import Any

import pytest
from judged import settings
from surveyed import BARGE

from dumpload.check.document import check_document
from dumpload.check.text import check_text, headline

BAD = {
    **BARGE,
    "wiring.area_mm2": 0.75,
    "contact.dc_v": 24,
    "tank.mixing_valve": False,
    "tank.dry_fire_guard": False,
    "battery.night_wh": 5000,
}


def text(keys: dict[str, Any]) -> str:
    return check_text(check_document(Path("/barge/dumpload.toml"), settings(keys)))


@pytest.mark.parametrize("keys", [{}, BARGE, BAD, {**BAD, "name": "h" * 64}], ids=["bare", "barge", "bad", "long"])
def test_it_fits_80_columns_and_needs_no_colour_and_no_special_letters(keys: dict[str, Any]) -> None:
    lines = text(keys).splitlines()
    assert max(len(line) for line in lines) <= 80
    assert all(line.isascii() and (line.isprintable() or not line) for line in lines)
    assert not [line for line in lines if line != line.rstrip()]


def test_the_verdict_comes_first_then_what_to_fix_by_danger_then_the_rest() -> None:
    page = text(BAD)
    lines = page.splitlines()
    assert lines[0] == "Installation check of dumpload: /barge/dumpload.toml"
    assert lines[2].startswith("FAIL: 6 things to fix before the first switch-on; 6 cautions,")
    order = ["Fix before the first", "Think about these", "Passed", "What the settings mean", "Before you act"]
    places = [page.index(title) for title in order]
    assert places == sorted(places)
    assert re.findall(r"FAIL  [^\[]*\[([^]]*)\]", page.replace("\n    ", " ")) == [
        "fire",
        "fire",
        "fire",
        "DC arc, or a load that stays on",
        "scald, infection",
        "the battery",
    ]


def test_a_finding_has_its_figure_limit_source_and_what_to_change() -> None:
    page = text({**BARGE, "contact.dc_v": 24})
    assert (
        " 1. FAIL  contact and coil: DC voltage of the contact  [DC arc, or a load that\n"
        "    stays on]\n"
        "    found     rated for 24 V DC\n"
        "    required  at least 28.8 V DC, the highest bus voltage\n"
        "    basis     the maker's DC rating; a DC arc does not extinguish itself\n"
        "    do this   Fit a contact whose maker gives a DC rating above that, or several\n"
        "              poles in series as the maker allows. Local codes and a licensed\n"
        "              electrician decide.\n"
    ) in page


def test_what_is_missing_is_named() -> None:
    page = text({key: value for key, value in BARGE.items() if key != "wiring.length_m"})
    assert "drop along the cable, not checked: needs wiring.length_m\n" in page


@pytest.mark.parametrize(
    ("counts", "verdict", "words"),
    [
        ((1, 0, 3, 0, 0), "fail", "FAIL: 1 thing to fix before the first switch-on; 3 passed."),
        ((2, 1, 3, 0, 0), "fail", "FAIL: 2 things to fix before the first switch-on; 1 caution, 3 passed."),
        ((0, 2, 3, 0, 0), "caution", "CAUTION: nothing failed, but 2 things to think about; 3 passed."),
        ((0, 0, 3, 0, 0), "pass", "PASS: nothing failed; 3 passed."),
        (
            (0, 0, 3, 1, 0),
            "caution",
            (
                "CAUTION: nothing failed; 3 passed. 1 check could not be made because data are missing, so a "
                "failure may be hidden."
            ),
        ),
        (
            (0, 1, 3, 2, 1),
            "incomplete",
            (
                "INCOMPLETE: nothing that could be checked failed; 1 safety question not answered, 1 caution, 3 "
                "passed. 2 checks could not be made because data are missing, so a failure may be hidden."
            ),
        ),
    ],
)
def test_the_headline(counts: tuple[int, int, int, int, int], verdict: str, words: str) -> None:
    names = ("fail", "caution", "pass", "not_checked", "unanswered")
    assert headline({"counts": dict(zip(names, counts, strict=True)), "verdict": verdict}) == words
