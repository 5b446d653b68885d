"""The contact on paper."""

from typing import Any

import pytest
from surveyed import line, needs, state, without

FEEDBACK = {"relay.feedback_pin": 27, "contact.feedback_ohm": 1000, "contact.feedback_least_ma": 5}


@pytest.mark.parametrize(
    ("name", "changes", "expected"),
    [
        ("DC voltage of the contact", {"contact.dc_v": 28.8}, "pass"),
        ("DC voltage of the contact", {"contact.dc_v": 28}, "fail"),
        ("DC current of the contact", {"contact.dc_a": 18.75}, "pass"),
        ("DC current of the contact", {"contact.dc_a": 18.7}, "caution"),  # 125 % for hours
        ("DC current of the contact", {"contact.dc_a": 15}, "caution"),
        ("DC current of the contact", {"contact.dc_a": 14.9}, "fail"),
        ("DC power of the contact", {}, ""),
        ("DC power of the contact", {"contact.dc_w": 432}, "pass"),
        ("DC power of the contact", {"contact.dc_w": 280}, "fail"),
        ("de-energised state of the contact", {"contact.normally_open": False}, "fail"),
        ("endurance of the contact", {"contact.operations_per_day": 28}, "caution"),  # 9.78 years
        ("endurance of the contact", {"contact.operations_per_day": 27}, "pass"),  # 10.1 years
        ("endurance of the contact", {"contact.operations_per_day": 274}, "fail"),  # 0.999 years
        ("wetting of the feedback contact", {}, ""),
        ("wetting of the feedback contact", FEEDBACK, "caution"),  # 3.3 mA
        ("wetting of the feedback contact", {**FEEDBACK, "contact.feedback_ohm": 660}, "pass"),  # 5 mA
        ("wetting of the feedback contact", {"relay.feedback_pin": 27}, "missing"),
    ],
)
def test_the_contact(name: str, changes: dict[str, Any], expected: str) -> None:
    assert state(name, changes) == expected


def test_an_ac_rating_is_not_a_dc_rating() -> None:
    changes = {**without("contact.dc_v", "contact.dc_a"), "contact.ac_v": 250}
    assert state("AC rating only", changes) == "fail"
    assert state("AC rating only", {"contact.ac_v": 250}) == ""
    assert needs("DC voltage of the contact", changes) == ("contact.dc_v",)


def test_the_advice_on_wetting_fits() -> None:
    assert line("wetting of the feedback contact", FEEDBACK).change.startswith("Use at most 660 ohm")
