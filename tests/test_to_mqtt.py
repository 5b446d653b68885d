"""What the settings mean at the broker: our topics, what we listen to, how we get there."""

from pathlib import Path

from judged import settings

from dumpload.config.to_mqtt import Topics, base_topics, link_options, topic_map
from dumpload.core.signals import Signal
from dumpload.mqtt import Subscription, Will


def test_our_topics_stand_below_our_name() -> None:
    assert base_topics(settings({"name": "barge"})) == Topics(
        "dumpload/barge/presence",
        "dumpload/barge/status",
        "dumpload/barge/change",
        "dumpload/barge/request",
        "dumpload/barge/alert",
    )


def test_a_base_topic_of_one_s_own_takes_its_place() -> None:
    assert base_topics(settings({"mqtt.base_topic": "barge/heater"})).status == "barge/heater/status"


TWO_SIGNALS = {
    "telemetry.state_of_charge.topic": "barge/bank",
    "telemetry.state_of_charge.pointer": "/charge",
    "telemetry.battery_voltage.topic": "barge/bank",
    "telemetry.battery_voltage.pointer": "/volts",
    "telemetry.tank_temperature.topic": "barge/water",
}
PRESENCE = {"telemetry.presence_topic": "barge/presence", "telemetry.absent_payload": "gone"}


def test_each_topic_carries_its_signals() -> None:
    fields = topic_map(settings(TWO_SIGNALS)).fields
    assert {topic: [field.signal for field in one] for topic, one in fields.items()} == {
        "barge/bank": [Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE],
        "barge/water": [Signal.TANK_TEMPERATURE],
    }


def test_the_source_s_own_will_is_known_if_it_has_one() -> None:
    without, with_presence = topic_map(settings()), topic_map(settings(PRESENCE))
    assert (without.presence_topic, without.absent_payload) == (None, b"")
    assert (with_presence.presence_topic, with_presence.absent_payload) == ("barge/presence", b"gone")


def test_an_absent_payload_may_be_empty() -> None:
    assert topic_map(settings({**PRESENCE, "telemetry.absent_payload": ""})).absent_payload == b""


def test_every_topic_is_subscribed_to_once_and_without_its_retained_value() -> None:
    options = link_options(settings({**TWO_SIGNALS, **PRESENCE}))
    assert options.subscriptions == (
        Subscription("barge/bank"),
        Subscription("barge/water"),
        Subscription("barge/presence"),
    )


def test_requests_are_listened_to_only_if_enabled_and_retained_ones_too_so_that_they_can_be_refused() -> None:
    assert Subscription("dumpload/dumpload/request", 1, retained=True) not in link_options(settings()).subscriptions
    last = link_options(settings({"request.enabled": True})).subscriptions[-1]
    assert last == Subscription("dumpload/dumpload/request", 1, retained=True)


def test_the_will_says_down() -> None:
    assert link_options(settings({"name": "barge"})).will == Will("dumpload/barge/presence", "down")


def test_the_client_id_is_made_of_the_name_unless_there_is_one() -> None:
    assert link_options(settings({"name": "barge"})).client_id == "dumpload-barge"
    assert link_options(settings({"mqtt.client_id": "stoker"})).client_id == "stoker"


def test_everything_else_is_passed_on() -> None:
    options = link_options(
        settings(
            {
                "mqtt.host": "broker.barge",
                "mqtt.port": 8883,
                "mqtt.protocol": "3.1.1",
                "mqtt.keepalive_s": 20,
                "mqtt.username": "stoker",
                "mqtt.password_file": "/run/password",
                "mqtt.tls": True,
                "mqtt.ca_file": "/etc/ca.pem",
                "mqtt.client_cert_file": "/etc/cert.pem",
                "mqtt.client_key_file": "/etc/key.pem",
            }
        )
    )
    assert options[:3] == ("broker.barge", 8883, "3.1.1")
    assert (options.keepalive_s, options.username, options.password_file) == (20, "stoker", Path("/run/password"))
    assert (options.tls, options.ca_file) == (True, Path("/etc/ca.pem"))
    assert (options.client_cert_file, options.client_key_file) == (Path("/etc/cert.pem"), Path("/etc/key.pem"))
