"""What `dumpload listen` makes of messages: how each signal does, why one is not live, and what to change."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from judged import settings

from dumpload.commissioning.advice import advise, state_of, why_not
from dumpload.commissioning.survey import MOST_TOPICS, Arrived, Survey
from dumpload.config.to_core import topic_fields
from dumpload.core.signals import Signal

WALL = 1_750_075_200.0
TOPIC = "barge/bank"
SOC = Signal.STATE_OF_CHARGE
FROM_FUTURE = (
    "the source's clock is 3600 s ahead of this computer's; at most 5 s is accepted. Correct one of the two clocks"
)


def survey(keys: dict[str, Any], *messages: tuple[str, Any], every_s: float = 5.0, retained: bool = False) -> Survey:
    """Return what these messages, evenly spaced, come to under these settings."""
    heard = Survey(topic_fields(settings({"telemetry.state_of_charge.topic": TOPIC, **keys})))
    for number, (topic, payload) in enumerate(messages):
        said = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        heard.take(Arrived(topic, said, retained, every_s * number, WALL + every_s * number))
    return heard


def advised(heard: Survey) -> dict[str, str]:
    return {one.key: one.text for one in advise(heard, WALL)}


def test_a_value_that_counts_is_live() -> None:
    heard = survey({}, (TOPIC, 97))
    assert (state_of(heard, SOC), why_not(heard, SOC)) == ("live", "")


@pytest.mark.parametrize(
    ("keys", "payload", "words"),
    [
        (
            {"telemetry.state_of_charge.pointer": "/SOC"},
            {"soc": 97, "v": 26.9, "cells": [3.3]},
            "messages arrive on barge/bank, but /SOC is not in them; they contain: /soc, /v, /cells/0",
        ),
        ({}, "97 %", "expected a number, got '97 %'"),
        ({}, b"\xff\xfe", "not utf8: the payload is"),
        (
            {"telemetry.state_of_charge.pointer": "/soc", "telemetry.state_of_charge.timestamp_pointer": "/ts"},
            {"soc": 97, "ts": WALL + 3600},
            FROM_FUTURE + " (most often, one of them treats local time as UTC)",
        ),
    ],
)
def test_what_is_rejected_says_why_in_words(keys: dict[str, Any], payload: Any, words: str) -> None:
    heard = survey(keys, (TOPIC, payload))
    assert state_of(heard, SOC) == "rejected"
    assert why_not(heard, SOC).startswith(words)


def test_a_topic_that_is_misspelt_is_told_the_nearest_that_was_heard() -> None:
    heard = survey({"telemetry.state_of_charge.topic": "barge/bnak/charge"}, ("barge/bank/charge", 97), ("x", 1))
    assert why_not(heard, SOC) == "nothing arrived on barge/bnak/charge; did you mean barge/bank/charge?"


def test_a_value_kept_by_the_broker_does_not_count() -> None:
    heard = survey({}, (TOPIC, 97), retained=True)
    assert state_of(heard, SOC) == "retained only"
    assert "its age is unknown" in why_not(heard, SOC)


def test_an_unknown_code_is_no_fault() -> None:
    heard = survey({"telemetry.state_of_charge.unknown": [255]}, (TOPIC, 255))
    assert why_not(heard, SOC) == "the source reports it as unknown"


def test_an_age_too_short_for_the_rate_is_named_with_one_that_fits() -> None:
    heard = survey({"telemetry.state_of_charge.max_age_s": 10}, *[(TOPIC, 97)] * 4, every_s=8.0)
    assert advised(heard) == {
        "telemetry.state_of_charge.max_age_s": "messages came up to 8.0 s apart: 24 s would survive two lost messages"
    }


def test_an_age_that_fits_is_not_mentioned() -> None:
    heard = survey({"telemetry.state_of_charge.max_age_s": 30}, *[(TOPIC, 97)] * 4, every_s=5.0)
    assert advised(heard) == {}


def test_a_time_in_the_payload_is_pointed_out() -> None:
    heard = survey({"telemetry.state_of_charge.pointer": "/soc"}, (TOPIC, {"soc": 97, "ts": WALL * 1000}))
    assert 'set "/ts"' in advised(heard)["telemetry.state_of_charge.timestamp_pointer"]


POWERS = {"telemetry.battery_power.topic": "battery", "telemetry.solar_power.topic": "sun"}


@pytest.mark.parametrize(
    ("messages", "is_advised"),
    [
        ([("battery", -600), ("sun", 800)], True),
        ([("battery", 600), ("sun", 800)], False),
        ([("battery", -600), ("sun", 0)], False),
        ([("battery", -600), (TOPIC, 80), (TOPIC, 80.2)], True),
        ([("battery", -600), (TOPIC, 80.2), (TOPIC, 80)], False),
        ([("battery", -20), ("sun", 800)], False),
    ],
)
def test_a_battery_that_fills_while_its_power_is_negative_has_the_wrong_sign(
    messages: list[tuple[str, Any]], is_advised: bool
) -> None:
    heard = survey(POWERS, *messages)
    assert ("telemetry.battery_power.scale" in advised(heard)) == is_advised


def test_a_turned_sign_is_decoded_as_the_daemon_does() -> None:
    heard = survey({**POWERS, "telemetry.battery_power.scale": -1}, ("battery", -600))
    assert heard.signals[Signal.BATTERY_POWER].values == [600.0]


def test_topics_are_bounded() -> None:
    heard = survey({}, *((f"t/{number}", 1) for number in range(MOST_TOPICS + 5)))
    assert (len(heard.topics), heard.uncounted) == (MOST_TOPICS, 5)


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


@given(payload=st.binary() | json_values, retained=st.booleans())
def test_no_payload_breaks_it(payload: Any, retained: bool) -> None:
    keys = {"telemetry.state_of_charge.pointer": "/soc", "telemetry.state_of_charge.timestamp_pointer": "/ts"}
    heard = survey(keys, (TOPIC, payload), (TOPIC, {"soc": payload if not isinstance(payload, bytes) else 1}),
                   retained=retained)  # fmt: skip
    assert state_of(heard, SOC) in {"live", "unknown", "rejected", "retained only", "silent"}
    assert isinstance(why_not(heard, SOC), str)
    advise(heard, WALL)
