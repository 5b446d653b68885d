"""Telling the outside what happened: in which words, how often, and with what marks."""

import json
import threading
from typing import Any

import pytest
from contract import CHANGE, STATUS
from staging import BASE, FakeLink, FakeLog, FakeNotifier, Trace
from world import NOON, START, World, running

from dumpload.config.to_mqtt import Topics
from dumpload.core.decode import Reason, Rejection
from dumpload.core.signals import Signal
from dumpload.core.topics import InboundMessage
from dumpload.daemon.publisher import REASONS, STATUS_EVERY_S, Publisher, summary

TOPICS = Topics(f"{BASE}/presence", f"{BASE}/status", f"{BASE}/change", f"{BASE}/request", f"{BASE}/alert")


class Desk:
    """An publisher, and everything that it said."""

    def __init__(self) -> None:
        self.t = START
        self.trace = Trace()
        link: Any = FakeLink(self.trace)
        notifier: Any = FakeNotifier(self.trace)
        self.publisher = Publisher(
            TOPICS, link, log=FakeLog(self.trace), notifier=notifier, clock=lambda: self.t,
            wall=lambda: self.t - START + NOON,
        )  # fmt: skip

    def said(self, to: str, what: str) -> list[Any]:
        return [call.details for call in self.trace.calls if (call.to, call.what) == (to, what)]

    def refusals(self) -> list[str]:
        sent = self.said("link", "publish")
        return [json.loads(payload)["refused"] for topic, payload, _how in sent if topic == TOPICS.change]

    def status(self, world: World | None = None) -> dict[str, Any]:
        world = world or World()
        self.publisher.status(world.settings, world.state)
        document: dict[str, Any] = json.loads(self.said("link", "publish")[-1][1])
        STATUS.validate(document)
        return document


@pytest.fixture
def desk() -> Desk:
    return Desk()


def arrival(payload: bytes, topic: str = "barge/bank") -> InboundMessage:
    return InboundMessage(topic, payload, False, START, START, NOON)


def test_presence_is_retained(desk: Desk) -> None:
    desk.publisher.presence("up")
    assert desk.said("link", "publish") == [(TOPICS.presence, "up", {"retain": True})]


def test_a_change_is_logged_in_one_sentence_with_the_age_of_every_signal_and_then_published(
    desk: Desk,
) -> None:
    world = running()
    world.measure(Signal.BATTERY_VOLTAGE, 27.1, age_s=2.5)
    [change] = [row for row in world.rows if row.changed]
    desk.publisher.change(world.state, change)
    [(event, fields)] = desk.said("log", "info")
    assert event == "relay_changed"
    assert fields["text"] == "relay ON: surplus, state of charge 98 % (was min_off_dwell)"
    assert (fields["state_of_charge_age_s"], fields["battery_voltage_age_s"]) == (0.0, 2.5)
    assert "tank_temperature_age_s" not in fields
    [(topic, payload)] = desk.said("link", "publish_acked")
    assert topic == TOPICS.change
    CHANGE.validate(json.loads(payload))
    assert [call.step for call in desk.trace.calls] == ["log.info", "link.publish_acked"]


def test_changes_and_on_time_are_counted_from_the_start_and_a_run_that_goes_on_counts_too(desk: Desk) -> None:
    world = running()
    began = world.t - world.state.law.relay_since
    told = 0

    def status() -> tuple[int, float]:
        nonlocal told
        changes = [row for row in world.rows if row.changed]
        for row in changes[told:]:
            desk.publisher.change(world.state, row)
        told, desk.t = len(changes), world.t
        document = desk.status(world)
        return document["changes"], document["on_time_s"]

    assert status() == (1, began)
    world.soc_for(98.0, 600.0)
    assert status() == (1, began + 600.0)
    world.soc(90.0).wait(1000.0)
    assert status() == (2, began + 600.0)
    world.soc_for(98.0, 600.0)
    [*_, last] = [row for row in world.rows if row.changed]
    assert status() == (3, began + 600.0 + world.t - last.t)


def test_a_change_without_live_data_says_so(desk: Desk) -> None:
    world = running().wait_through(60.0)
    desk.publisher.change(world.state, world.rows[-1])
    [(_event, fields)] = desk.said("log", "info")
    assert fields["text"] == "relay OFF: data_lost, no live state of charge (was surplus)"


def test_the_status_is_retained_expires_and_goes_to_the_service_manager_in_one_line(desk: Desk) -> None:
    desk.status()
    [(topic, _payload, how)] = desk.said("link", "publish")
    assert (topic, how) == (TOPICS.status, {"retain": True, "expires_s": 90})
    assert desk.said("notifier", "status") == [("off: starting",)]


def test_the_status_is_due_at_once_and_then_every_half_minute(desk: Desk) -> None:
    assert desk.publisher.status_due_at == START
    desk.status()
    assert desk.publisher.status_due_at == START + STATUS_EVERY_S
    desk.t += 5.0
    desk.publisher.status_soon()
    assert desk.publisher.status_due_at == desk.t


def test_sequences_count_from_one_and_every_start_has_its_own_name() -> None:
    first, second = Desk(), Desk()
    told = [first.status(), first.status(), second.status()]
    assert [document["sequence"] for document in told] == [1, 2, 1]
    assert told[0]["boot_id"] == told[1]["boot_id"] != told[2]["boot_id"]


def test_every_rejected_value_is_counted_but_only_one_a_minute_of_a_kind_is_logged(desk: Desk) -> None:
    kind = Rejection(Signal.STATE_OF_CHARGE, Reason.OUT_OF_RANGE)
    for _ in range(61):
        desk.publisher.rejected(kind, arrival(b"980"))
        desk.t += 1.0
    first, second = [fields for _event, fields in desk.said("log", "warning")]
    assert first["text"] == "state_of_charge rejected: out_of_range, payload '980' on barge/bank"
    assert second["text"].endswith(" on barge/bank (59 more like this since)")
    assert second["total"] == 61
    assert desk.status()["rejected"] == 61


def test_kinds_of_rejection_are_told_apart_by_signal_reason_and_topic(desk: Desk) -> None:
    desk.publisher.rejected(Rejection(Signal.STATE_OF_CHARGE, Reason.RETAINED), arrival(b"98"))
    desk.publisher.rejected(Rejection(Signal.STATE_OF_CHARGE, Reason.NOT_JSON), arrival(b"98"))
    desk.publisher.rejected(Rejection(Signal.BATTERY_POWER, Reason.NOT_JSON), arrival(b"98"))
    desk.publisher.rejected(Rejection(Signal.BATTERY_POWER, Reason.NOT_JSON), arrival(b"98", "barge/other"))
    assert len(desk.said("log", "warning")) == 4


def test_of_a_rejected_payload_only_the_beginning_is_shown_and_nothing_that_moves_a_terminal(desk: Desk) -> None:
    rejection = Rejection(Signal.STATE_OF_CHARGE, Reason.NOT_JSON)
    desk.publisher.rejected(rejection, arrival(b"\x1b[2J\xff\n" + b"9" * 60_000))
    text = desk.said("log", "warning")[0][1]["text"]
    assert len(text) < 200
    assert text.isprintable()


def test_a_refusal_is_published_and_logged_at_once(desk: Desk) -> None:
    desk.publisher.refused("expired: issued 90 s ago, at most 60 s are accepted", b"{}")
    desk.publisher.refused("malformed: nothing requested", b"{}")
    assert desk.refusals() == [
        "expired: issued 90 s ago, at most 60 s are accepted",
        "malformed: nothing requested",
    ]
    assert len(desk.said("log", "warning")) == 2


def test_another_request_that_is_wrong_in_the_same_way_is_answered_too(desk: Desk) -> None:
    for payload in (b'{"for_s": 1}', b'{"for_s": 2}', b'{"for_s": 2}'):
        desk.publisher.refused("malformed: nothing requested", payload)
    assert desk.refusals() == ["malformed: nothing requested"] * 2


def test_a_person_who_tries_again_is_answered_again(desk: Desk) -> None:
    for _ in range(3):
        desk.publisher.refused("malformed: nothing requested", b"{}")
        desk.t += 1.0
    assert desk.refusals() == ["malformed: nothing requested"] * 3
    assert len(desk.said("log", "warning")) == 1


@pytest.mark.parametrize("payload", [b"{}", b'{"%d": 0}'])
@pytest.mark.parametrize("reason", ["malformed: nothing requested", "malformed: unknown key '{}'"])
def test_a_flood_of_refusals_is_counted_even_if_no_two_are_alike(desk: Desk, reason: str, payload: bytes) -> None:
    for number in range(6100):
        desk.publisher.refused(reason.format(number), payload % number if b"%" in payload else payload)
        desk.t += 0.001
    assert 6 < len(desk.refusals()) <= 7 * (REASONS + 1)
    assert len(desk.said("log", "warning")) <= REASONS + 1


def test_what_was_left_out_is_counted(desk: Desk) -> None:
    for _ in range(100):
        desk.publisher.refused("malformed: nothing requested", b"{}")
    desk.t += 60.0
    desk.publisher.refused("malformed: nothing requested", b"{}")
    assert desk.refusals() == ["malformed: nothing requested", "malformed: nothing requested (99 more like this since)"]
    texts = [fields["text"] for _event, fields in desk.said("log", "warning")]
    assert texts == [f"request refused: {refusal}" for refusal in desk.refusals()]


def test_a_flood_of_refusals_does_not_hide_trouble_with_the_pin(desk: Desk) -> None:
    for number in range(1000):
        desk.publisher.refused(f"malformed: unknown key '{number}'", b"%d" % number)
    desk.publisher.pin_trouble("pin_fault", "the pin cannot be read back: GPIO17")
    assert desk.said("log", "error") == [("pin_fault", {"text": "the pin cannot be read back: GPIO17"})]


def test_changes_that_never_reached_the_broker_are_counted_in_the_log(desk: Desk) -> None:
    for given_up in (0, 3, 4, 9):
        desk.publisher.undelivered(given_up)
    desk.t += 60.0
    for _ in range(2):
        desk.publisher.undelivered(9)
    assert [(fields["text"], fields["total"]) for _event, fields in desk.said("log", "warning")] == [
        ("3 messages never reached the broker: too many were queued", 3),
        ("6 messages never reached the broker: too many were queued", 9),
    ]


def test_a_broker_that_stays_away_is_logged_once_a_minute(desk: Desk) -> None:
    for retry_s in (1.4, 2.8, 5.6):
        desk.publisher.broker_down("refused", retry_s)
        desk.t += 30.0
    texts = [fields["text"] for _event, fields in desk.said("log", "warning")]
    assert texts == ["broker: refused; next try in 1 s", "broker: refused; next try in 6 s (1 more like this since)"]


def test_a_fault_of_a_part_is_logged_and_shown_until_it_is_over(desk: Desk) -> None:
    desk.status()
    desk.publisher.fault("history", "cannot be written")
    assert desk.publisher.status_due_at == desk.t
    assert desk.status()["notes"] == ["history: cannot be written"]
    desk.publisher.fault("history", "the disk is full")
    assert desk.status()["notes"] == ["history: the disk is full"]
    desk.publisher.fault("history", "")
    assert desk.status()["notes"] == []
    assert [fields["text"] for _event, fields in desk.said("log", "warning")] == [
        "history: cannot be written",
        "history: the disk is full",
        "history: recovered",
    ]


def test_the_summary_is_what_the_load_does_and_why() -> None:
    assert summary(World().state) == "off: starting"
    assert summary(running().state) == "on: surplus"


def test_a_fault_that_another_thread_reports_meanwhile_is_not_lost_nor_one_that_ended_kept(desk: Desk) -> None:
    """The writers of the history and of what is kept report from threads of their own."""
    publisher, reported = desk.publisher, threading.Event()

    class Slow(dict[str, str]):
        def items(self) -> Any:
            found = list(super().items())
            other = threading.Thread(target=lambda: (publisher.fault("history", ""), reported.set()), daemon=True)
            other.start()
            other.join(0.2)  # where it can, the other one comes right in between
            return found

    publisher.fault("history", "the disk is full")
    publisher._faults = Slow(publisher._faults)
    publisher.fault("state", "cannot be written")
    assert reported.wait(20)
    assert desk.status()["notes"] == ["state: cannot be written"]
