"""A rejection in words: what was expected, what is in the payload, and where else to look."""

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.core.decode import Field, Reason, Rejection, decode
from dumpload.core.rejections import DEEPEST_POINTER, MOST_POINTERS, clock_ahead_s, leaves_of, why_rejected
from dumpload.core.signals import Signal

WALL = 1_750_075_200.0
TOPIC = "barge/bank"
WHOLE = Field(Signal.STATE_OF_CHARGE, (), "percent", 60.0, None, ())
TIMED = WHOLE._replace(pointer=("soc",), timestamp_pointer=("ts",))
FROM_FUTURE = (
    "the source's clock is 3600 s ahead of this computer's; at most 5 s is accepted. Correct one of the two clocks"
)
BEHIND = "Either it is stale, or the source's clock is slow"


def words(payload: bytes, field: Field) -> str:
    """What is said of a payload that the decoder rejects."""
    [found] = decode(payload, [field], WALL)
    assert isinstance(found, Rejection)
    return why_rejected(found.reason, field, TOPIC, payload, clock_ahead_s(payload, field, WALL))


@pytest.mark.parametrize(
    ("field", "document", "said"),
    [
        (
            WHOLE._replace(pointer=("SOC",)),
            {"soc": 97, "v": 26.9, "cells": [3.3]},
            "messages arrive on barge/bank, but /SOC is not in them; they contain: /soc, /v, /cells/0",
        ),
        (
            WHOLE._replace(pointer=("soc",)),
            97,
            "messages arrive on barge/bank, but /soc is not in them; they contain: the number itself",
        ),
        (
            WHOLE._replace(pointer=("soc",)),
            {},
            "messages arrive on barge/bank, but /soc is not in them; they contain: nothing",
        ),
        (WHOLE, "97 %", "expected a number, got '97 %'"),
        (WHOLE, True, "expected a number, got True"),
        (WHOLE, 255, "255 in percent is outside 0 to 100 percent: wrong unit, or a code for unknown?"),
        (TIMED, {"soc": 97, "ts": WALL + 3600}, f"{FROM_FUTURE} (most often, one of them treats local time as UTC)"),
        (TIMED, {"soc": 97, "ts": WALL + 40}, FROM_FUTURE.replace("3600", "40")),
        (
            TIMED,
            {"soc": 97, "ts": WALL - 90},
            f"the value is 90 s old by its own timestamp; at most 60 s is accepted. {BEHIND}",
        ),
        (
            TIMED._replace(timestamp_pointer=("at",)),
            {"soc": 97, "ts": 1},
            "messages arrive on barge/bank, but no time at /at; they contain: /soc, /ts",
        ),
        (
            TIMED,
            {"soc": 97, "ts": "noon"},
            "/ts is not a time: expected RFC 3339, or Unix seconds or milliseconds",
        ),
    ],
)
def test_what_is_rejected_says_why_in_words(field: Field, document: Any, said: str) -> None:
    assert words(json.dumps(document).encode(), field) == said


def test_what_is_no_text_is_shown_as_it_is() -> None:
    assert words(b"\xff\xfe", WHOLE) == "not utf8: the payload is '��'"


def test_a_value_kept_by_the_broker_has_no_age() -> None:
    assert "its age is unknown" in why_rejected(Reason.RETAINED, WHOLE, TOPIC, b"97", math.nan)


def test_a_clock_is_ahead_by_what_the_message_says_and_not_known_without_a_time() -> None:
    assert clock_ahead_s(json.dumps({"ts": WALL - 90}).encode(), TIMED, WALL) == -90
    assert math.isnan(clock_ahead_s(b"{}", TIMED, WALL))
    assert math.isnan(clock_ahead_s(b"97", WHOLE, WALL))


def test_pointers_are_those_of_rfc_6901_and_bounded() -> None:
    """RFC 6901, section 3: "~" is written ~0, "/" is written ~1."""
    assert leaves_of({"m~n": 1, "a/b": [2]}) == {"/m~0n": 1, "/a~1b/0": 2}
    assert len(leaves_of({str(number): number for number in range(500)})) == MOST_POINTERS
    deep: Any = "too deep"
    for _level in range(DEEPEST_POINTER + 1):
        deep = [deep]
    assert leaves_of([deep, 1]) == {"/1": 1}


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


@given(payload=st.binary() | json_values, reason=st.sampled_from(Reason))
def test_whatever_is_in_a_payload_there_are_words(payload: Any, reason: Reason) -> None:
    said = payload if isinstance(payload, bytes) else json.dumps({"soc": payload, "ts": payload}).encode()
    assert why_rejected(reason, TIMED, TOPIC, said, clock_ahead_s(said, TIMED, WALL))
