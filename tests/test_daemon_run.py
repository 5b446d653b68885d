"""A whole day in seconds, and what the daemon publishes all the while. Nothing here is out of order."""

import re
from itertools import pairwise

import pytest
from brokers import HOST, Broker
from daemons import BASE, MAX_AGE_S
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from rig import FULL, Barge, Client, Source
from waiting import eventually, never

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
STATUS_KEYS = {
    "relay", "cause", "since", "selector", "state_of_charge", "data", "data_age_s", "next", "rejected", "boot_id",
    "sequence", "uptime_s", "version",
}  # fmt: skip
CHANGE_KEYS = {"at", "relay", "cause", "previous_cause", "state_of_charge", "after_s"}


def test_on_at_98_percent_off_below_96_and_off_when_the_telemetry_is_lost(barge: Barge, protocol: str) -> None:
    """Common practice, no source."""
    settings = {"control__cut_in_percent": 98.0, "control__cut_out_percent": 96.0}
    daemon = barge.start(**settings, mqtt__protocol=protocol, records=False)
    for percent in (93.0, 97.9):
        barge.source.set(percent)
        barge.await_status(relay="off", cause="below_cut_in")
        never(lambda: barge.changes, f"a change at {percent} %", 0.7)
        assert barge.ask()["state_of_charge"] == percent
    barge.source.set(98.0)
    assert barge.expect("on", "surplus")["state_of_charge"] == 98.0
    barge.source.set(96.0)
    never(lambda: barge.changes[1:], "off at the cut-out, not below it", 0.7)
    barge.source.set(95.9)
    assert barge.expect("off", "below_cut_out")["state_of_charge"] == 95.9
    barge.source.set(97.9)
    never(lambda: barge.changes[2:], "on below the cut-in", 0.7)
    barge.source.set(98.0)
    barge.expect("on", "surplus")
    barge.source.set(None)
    lost = barge.expect("off", "data_lost")
    assert (lost["state_of_charge"], lost["previous_cause"]) == (None, "surplus")
    assert lost["after_s"] < MAX_AGE_S + 2.0
    assert daemon.stop() == 0
    barge.expect_no_change()


def test_what_is_published_is_whole_in_order_and_agrees_with_the_line(barge: Barge) -> None:
    daemon = barge.started_on()
    barge.source.set(40)
    barge.expect("off", "below_floor")
    barge.source.set(98)
    barge.expect("on", "surplus")
    barge.ask()
    assert daemon.stop() == 0
    barge.expect("off", "stopping")
    barge.await_presence("down")
    changes, statuses = barge.changes, barge.client.documents("status")
    assert all(set(change) == CHANGE_KEYS for change in changes)
    assert all(set(status) >= STATUS_KEYS for status in statuses)
    assert all(MOMENT.fullmatch(text) for text in [*(c["at"] for c in changes), *(s["since"] for s in statuses)])
    assert [change["relay"] == "on" for change in changes] == [edge.on for edge in daemon.line]
    for (before, after), change in zip(pairwise(daemon.line), changes[1:], strict=True):
        assert change["after_s"] == pytest.approx(after.t - before.t, abs=0.5)
    assert len({status["boot_id"] for status in statuses}) == 1
    sequences = [status["sequence"] for status in statuses]
    assert sequences == sorted(set(sequences))
    assert statuses[-1]["relay"] == "off"


def test_status_and_presence_are_retained_and_changes_are_not(barge: Barge) -> None:
    barge.started_on()
    barge.ask()
    late = Client(barge.broker.port, f"{BASE}/#")
    eventually(lambda: len(late.heard) >= 2, "what is retained")
    retained = {one.topic.removeprefix(f"{BASE}/"): one.payload for one in late.heard if one.retained}
    late.close()
    assert set(retained) == {"presence", "status"}
    assert retained["presence"] == b"up"


def test_on_mqtt_5_the_status_expires_and_the_presence_does_not(barge: Barge, broker: Broker) -> None:
    if not broker.speaks_5:
        pytest.skip("the embedded broker does not speak MQTT 5, and mosquitto is not installed")
    barge.start()
    expiries: dict[str, Properties] = {}
    reader = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    reader.on_connect = lambda client, *_: client.subscribe(f"{BASE}/#")
    reader.on_message = lambda _client, _userdata, message: expiries.update({message.topic: message.properties})
    reader.connect(HOST, broker.port)
    reader.loop_start()
    eventually(lambda: len(expiries) >= 2, "what is retained")
    reader.disconnect()
    reader.loop_stop()
    reader._reset_sockets()
    assert 80 <= expiries[f"{BASE}/status"].MessageExpiryInterval <= 90
    assert not hasattr(expiries[f"{BASE}/presence"], "MessageExpiryInterval")


def test_case_57_a_source_whose_will_says_that_it_is_gone_ends_the_load_at_once(barge: Barge) -> None:
    max_age_s = 30.0
    presence = {"telemetry__presence_topic": "barge/gateway", "telemetry__absent_payload": "gone"}
    daemon = barge.start(**presence, telemetry__state_of_charge__max_age_s=max_age_s)
    gateway = Client(barge.broker.port, "barge/none", will=("barge/gateway", "gone"))
    source = Source(gateway)
    source.set(FULL)
    barge.expect("on", "surplus")
    barge.client.publish("here", "barge/gateway", qos=1)  # proves nothing, and harms nothing
    never(lambda: not daemon.line[-1].on, "off", 0.5)
    source.close()
    gateway.vanish()
    barge.expect("off", "data_lost")
    assert daemon.line[-1].t - source.sent_at < max_age_s / 3
    barge.client.publish("gone", "barge/gateway", qos=1, retain=True)
    barge.client.publish("here", "barge/gateway", qos=1)
    never(lambda: daemon.line[-1].on, "on without telemetry", 1.0)
    barge.comes_on(daemon)
