"""What may be asked of a running daemon: every acceptance, every refusal, and never an exception."""

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import NOON

from dumpload.core.law import Selector
from dumpload.core.request import MAX_AGE_S, Refusal, Request, Terms, read_request
from dumpload.core.text import utc_text

TERMS = Terms(wall=NOON, boot_id="5eed", max_hand_s=7200.0)


def read(document: Any, *, retained: bool = False) -> Request | Refusal:
    payload = document if isinstance(document, bytes) else json.dumps(document).encode()
    return read_request(payload, retained=retained, terms=TERMS)


def accepted(document: Any) -> tuple[Selector | None, float, bool]:
    """What is asked; 0 s stands for "no time goes with it"."""
    answer = read(document)
    assert isinstance(answer, Request), answer
    return answer.selector, 0.0 if math.isnan(answer.for_s) else answer.for_s, answer.reset


def refusal(document: Any, *, retained: bool = False) -> str:
    answer = read(document, retained=retained)
    assert isinstance(answer, Refusal), answer
    return answer.reason


# ---- accepted ----


@pytest.mark.parametrize(
    ("document", "asked"),
    [
        ({"selector": "hand", "for_s": 1800}, (Selector.HAND, 1800.0, False)),
        ({"selector": "hand", "for_s": 0.5}, (Selector.HAND, 0.5, False)),
        ({"selector": "hand", "for_s": 7200}, (Selector.HAND, 7200.0, False)),
        ({"selector": "hand"}, (Selector.HAND, 7200.0, False)),
        ({"selector": "off"}, (Selector.OFF, 0.0, False)),
        ({"selector": "auto"}, (Selector.AUTO, 0.0, False)),
        ({"reset": True}, (None, 0.0, True)),
        ({"selector": "auto", "reset": True}, (Selector.AUTO, 0.0, True)),
        ({"selector": "hand", "for_s": 60, "reset": True}, (Selector.HAND, 60.0, True)),
        ({"selector": "off", "reset": False}, (Selector.OFF, 0.0, False)),
        ({"selector": "off", "boot_id": "5eed"}, (Selector.OFF, 0.0, False)),
        ({"selector": "off", "issued_at": "2025-06-16T12:00:00Z"}, (Selector.OFF, 0.0, False)),
        ({"selector": "off", "issued_at": "2025-06-16T14:00:00.000+02:00"}, (Selector.OFF, 0.0, False)),
        (b' {"selector":\n"off"} ', (Selector.OFF, 0.0, False)),
    ],
)
def test_a_request_that_is_plain_is_obeyed(document: Any, asked: tuple[Selector | None, float, bool]) -> None:
    assert accepted(document) == asked


@pytest.mark.parametrize("age_s", [MAX_AGE_S, 1.0, 0.0, -1.0, -MAX_AGE_S])
def test_a_request_may_be_a_minute_old_or_a_minute_ahead(age_s: float) -> None:
    assert accepted({"selector": "off", "issued_at": utc_text(NOON - age_s)})


# ---- refused ----


@pytest.mark.parametrize("payload", [b'{"selector": "off"}', b"", b"junk"])
def test_a_retained_request_is_refused_whatever_it_says(payload: bytes) -> None:
    assert refusal(payload, retained=True) == "retained: a request must be sent live; clear it at the broker"


@pytest.mark.parametrize(
    ("document", "reason"),
    [
        (b"", "malformed: not_json"),
        (b"off", "malformed: not_json"),
        (b'{"selector": "off"', "malformed: not_json"),
        (b"\xff{}", "malformed: not_utf8"),
        (b'{"selector": "off", "selector": "hand"}', "malformed: duplicate_key"),
        (b'{"selector": "hand", "for_s": NaN}', "malformed: not_finite"),
        (b"[" * 60_000, "malformed: too_deep"),
        (b" " * 70_000, "malformed: oversized"),
        ([], "malformed: expected a JSON object"),
        ("off", "malformed: expected a JSON object"),
        (None, "malformed: expected a JSON object"),
        ({}, "malformed: nothing requested"),
        ({"reset": False}, "malformed: nothing requested"),
        ({"boot_id": "5eed"}, "malformed: nothing requested"),
        ({"reset": 1}, "malformed: reset must be true or false"),
        ({"reset": "true"}, "malformed: reset must be true or false"),
        ({"selector": "off", "reset": None}, "malformed: reset must be true or false"),
        ({"selector": "on"}, "malformed: selector must be one of off, hand, auto"),
        ({"selector": "OFF"}, "malformed: selector must be one of off, hand, auto"),
        ({"selector": None}, "malformed: selector must be one of off, hand, auto"),
        ({"selector": ["off"]}, "malformed: selector must be one of off, hand, auto"),
        ({"selector": {}}, "malformed: selector must be one of off, hand, auto"),
        ({"selector": "off", "for_s": 60}, "malformed: for_s is for hand only"),
        ({"selector": "auto", "for_s": None}, "malformed: for_s is for hand only"),
        ({"reset": True, "for_s": 60}, "malformed: for_s is for hand only"),
        ({"selector": "hand", "for_s": 0}, "malformed: for_s must be a number of seconds above 0"),
        ({"selector": "hand", "for_s": -1}, "malformed: for_s must be a number of seconds above 0"),
        ({"selector": "hand", "for_s": "60"}, "malformed: for_s must be a number of seconds above 0"),
        ({"selector": "hand", "for_s": True}, "malformed: for_s must be a number of seconds above 0"),
        ({"selector": "hand", "for_s": None}, "malformed: for_s must be a number of seconds above 0"),
        (b'{"selector": "hand", "for_s": 1e400}', "malformed: for_s must be a number of seconds above 0"),
        ({"selector": "hand", "for_s": 7201}, "over-long: 7201 s is longer than the 2 h allowed (request.max_hand_s)"),
        (
            {"selector": "hand", "for_s": 9000},
            "over-long: 2 h 30 min is longer than the 2 h allowed (request.max_hand_s)",
        ),
        ({"selector": "hand", "for_s": 1e300}, "over-long: that is longer than the 2 h allowed (request.max_hand_s)"),
        (
            {"position": "off"},
            "malformed: unknown key 'position'; expected one of boot_id, for_s, issued_at, reset, selector",
        ),
        ({"selector": "off", "boot_id": "01d"}, "expired: meant for boot '01d', this is '5eed'"),
        ({"selector": "off", "boot_id": None}, "expired: meant for boot None, this is '5eed'"),
        ({"selector": "off", "boot_id": 5}, "expired: meant for boot 5.0, this is '5eed'"),
        ({"selector": "off", "issued_at": "now"}, "malformed: issued_at must be an RFC 3339 time with its offset"),
        (
            {"selector": "off", "issued_at": "2025-06-16T12:00:00"},
            "malformed: issued_at must be an RFC 3339 time with its offset",
        ),
        ({"selector": "off", "issued_at": NOON}, "malformed: issued_at must be an RFC 3339 time with its offset"),
        (
            {"selector": "off", "issued_at": "2025-06-16T11:58:59Z"},
            "expired: issued 61 s ago, at most 60 s are accepted",
        ),
        (
            {"selector": "off", "issued_at": "2025-06-16T12:01:01Z"},
            "expired: issued 61 s ahead of this clock, at most 60 s are accepted",
        ),
    ],
)
def test_a_request_that_is_not_plain_is_refused_with_its_reason(document: Any, reason: str) -> None:
    assert refusal(document) == reason


def test_a_refusal_does_not_repeat_more_of_a_request_than_a_person_can_read() -> None:
    assert len(refusal({"selector": "off", "boot_id": "5" * 60_000})) < 200
    assert len(refusal({"k" * 60_000: 1})) < 200


# ---- anything at all ----

words = st.sampled_from(["hand", "off", "auto", "on", "5eed", "2025-06-16T12:00:00Z", "2025-06-16T25:00:00Z", ""])
scalars = st.none() | st.booleans() | st.floats() | st.integers() | words | st.text()
values = st.recursive(scalars, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=5)
keys = st.sampled_from(["selector", "for_s", "reset", "issued_at", "boot_id"]) | st.text()
documents = st.dictionaries(keys, scalars | values).map(lambda document: json.dumps(document).encode())


@given(payload=documents | values.map(lambda value: json.dumps(value).encode()) | st.binary(), retained=st.booleans())
def test_any_bytes_are_a_request_or_a_refusal_and_never_an_exception(payload: bytes, retained: bool) -> None:
    answer = read_request(payload, retained=retained, terms=TERMS)
    assert isinstance(answer, Request | Refusal)
    if isinstance(answer, Request):
        assert not retained
        assert answer.reset or answer.selector is not None
        assert math.isnan(answer.for_s) if answer.selector != Selector.HAND else 0 < answer.for_s <= TERMS.max_hand_s
    else:
        assert answer.reason.split(":")[0] in {"retained", "malformed", "expired", "over-long"}


@pytest.mark.parametrize("key", ["boot_id", "selector", "reset", "issued_at"])
def test_a_deep_nest_is_refused_at_whatever_depth_the_parser_gives_up(key: str) -> None:
    for depth in range(800, 1050, 5):
        assert refusal(b'{"' + key.encode() + b'": ' + b"[" * depth + b"]" * depth + b"}").split(":")[0] in {
            "malformed",
            "expired",
        }
