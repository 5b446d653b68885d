"""A message becomes events: which topic carries what, and what a retained or an absent message means."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import NOON

from dumpload.core.controller import Event, Kind
from dumpload.core.decode import Field, Reason, Rejection
from dumpload.core.freshness import is_missing
from dumpload.core.signals import Signal
from dumpload.core.topics import InboundMessage, TopicMap

NOW = 1000.0
BANK, WATER, PRESENCE = "barge/bank", "barge/water", "barge/presence"


def field(signal: Signal, pointer: str, unit: str, *, timestamp: bool = False) -> Field:
    return Field(signal, (pointer,), unit, 60.0, ("at",) if timestamp else None, (65535.0,))


CHARGE = field(Signal.STATE_OF_CHARGE, "charge", "percent")
POWER = field(Signal.BATTERY_POWER, "power", "kW")
TANK = field(Signal.TANK_TEMPERATURE, "celsius", "degC")

INTAKE = TopicMap({BANK: (CHARGE, POWER), WATER: (TANK,)}, PRESENCE, b"gone")


def read(
    topic: str, payload: bytes, *, retained: bool = False, stamp: float = NOW - 0.5, into: TopicMap = INTAKE
) -> list[Event | Rejection]:
    return into.read(InboundMessage(topic, payload, retained, stamp, NOW, NOON))


def sample(signal: Signal, value: float, stamp: float = NOW - 0.5) -> Event:
    return Event(NOW, NOON, Kind.SAMPLE, signal, value, stamp)


# ---- topics ----


def test_every_topic_is_listened_to() -> None:
    assert INTAKE.topics == (BANK, WATER, PRESENCE)
    assert TopicMap({BANK: (CHARGE,)}).topics == (BANK,)


def test_one_message_may_carry_several_signals_in_the_order_of_its_fields() -> None:
    assert read(BANK, b'{"charge": 98, "power": -0.2}') == [
        sample(Signal.STATE_OF_CHARGE, 98.0)._replace(more=True),  # nothing starts before the rest is heard
        sample(Signal.BATTERY_POWER, -200.0),
    ]


def test_a_topic_that_is_not_ours_means_nothing() -> None:
    assert read("barge/bilge", b'{"charge": 98}') == []


def test_a_field_that_cannot_be_read_is_rejected_and_its_neighbours_count() -> None:
    assert read(BANK, b'{"charge": 980, "power": 0.1}') == [
        Rejection(Signal.STATE_OF_CHARGE, Reason.OUT_OF_RANGE),
        sample(Signal.BATTERY_POWER, 100.0),
    ]


def test_a_payload_that_cannot_be_read_is_a_rejection_for_every_field() -> None:
    assert read(BANK, b"junk") == [
        Rejection(Signal.STATE_OF_CHARGE, Reason.NOT_JSON),
        Rejection(Signal.BATTERY_POWER, Reason.NOT_JSON),
    ]


def test_a_code_for_not_known_is_an_unknown_now() -> None:
    assert read(WATER, b'{"celsius": 65535}') == [Event(NOW, NOON, Kind.UNKNOWN, Signal.TANK_TEMPERATURE)]


# ---- retained ----


@pytest.mark.parametrize("payload", [b'{"charge": 98, "power": 0}', b'{"charge": 65535, "power": 0}', b"junk", b""])
def test_a_retained_message_is_never_an_event(payload: bytes) -> None:
    assert read(BANK, payload, retained=True) == [
        Rejection(Signal.STATE_OF_CHARGE, Reason.RETAINED),
        Rejection(Signal.BATTERY_POWER, Reason.RETAINED),
    ]


# ---- the source's own presence ----


def test_the_sources_absent_payload_means_that_nothing_is_known_now() -> None:
    assert read(PRESENCE, b"gone") == [Event(NOW, NOON, Kind.ABSENT)]


@pytest.mark.parametrize("payload", [b"here", b"", b"GONE", b"gone "])
def test_any_other_payload_there_proves_nothing(payload: bytes) -> None:
    assert read(PRESENCE, payload) == []


def test_a_retained_absence_says_nothing_about_now() -> None:
    assert read(PRESENCE, b"gone", retained=True) == []


# ---- when it counts as measured ----

STAMPED = TopicMap({BANK: (field(Signal.STATE_OF_CHARGE, "charge", "percent", timestamp=True),)})


@pytest.mark.parametrize(
    ("source_age_s", "arrived_ago_s", "counts_from_ago_s"),
    [
        (20.0, 0.5, 20.0),  # the source's clock says older: its time
        (0.0, 0.5, 0.5),  # the source says now: the arrival
        (-4.0, 0.5, 0.5),  # a clock a little ahead never makes a sample younger
        (0.5, 20.0, 20.0),  # it piled up with us
        (59.5, 0.0, 59.5),
    ],
)
def test_a_source_timestamp_moves_the_stamp_back_and_never_forward(
    source_age_s: float, arrived_ago_s: float, counts_from_ago_s: float
) -> None:
    payload = b'{"charge": 98, "at": %f}' % (NOON - source_age_s)
    [event] = read(BANK, payload, stamp=NOW - arrived_ago_s, into=STAMPED)
    assert isinstance(event, Event)
    assert event.stamp == pytest.approx(NOW - counts_from_ago_s, abs=1e-5)


@pytest.mark.parametrize(
    ("at", "reason"),
    [
        (b"%f" % (NOON - 60.0), Reason.TOO_OLD),
        (b"%f" % (NOON + 5.1), Reason.FROM_FUTURE),
        (b'"noon"', Reason.BAD_TIMESTAMP),
    ],
)
def test_a_source_timestamp_that_cannot_be_believed_rejects_the_sample(at: bytes, reason: Reason) -> None:
    payload = b'{"charge": 98, "at": %s}' % at
    assert read(BANK, payload, into=STAMPED) == [Rejection(Signal.STATE_OF_CHARGE, reason)]


# ---- anything at all ----


@given(
    topic=st.sampled_from([BANK, WATER, PRESENCE, "", "barge/bilge"]),
    payload=st.binary() | st.sampled_from([b"gone", b"98", b'{"charge": 98}', b'{"charge": 1e999}']),
    retained=st.booleans(),
)
def test_no_message_raises_and_no_retained_one_is_an_event(topic: str, payload: bytes, retained: bool) -> None:
    outcome = read(topic, payload, retained=retained)
    assert all(isinstance(item, Event | Rejection) for item in outcome)
    if retained:
        assert not any(isinstance(item, Event) for item in outcome)
    for item in outcome:
        if isinstance(item, Event) and item.kind == Kind.SAMPLE:
            assert not is_missing(item.value)
            assert item.stamp <= item.t
