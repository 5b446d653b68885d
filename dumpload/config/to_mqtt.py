"""What the settings mean at the broker: topics, subscriptions, and how to get there. Opens nothing."""

from typing import NamedTuple

from dumpload.config.model import Settings
from dumpload.config.to_core import topic_fields
from dumpload.core.topics import TopicMap
from dumpload.mqtt import LinkOptions, Subscription, Will


class Topics(NamedTuple):
    """Where the daemon speaks and listens."""

    presence: str
    status: str
    change: str
    request: str
    alert: str


def base_topics(settings: Settings) -> Topics:
    """Return the daemon's own topics."""
    return Topics(*(f"{settings.mqtt.base_topic}/{leaf}" for leaf in Topics._fields))


def topic_map(settings: Settings) -> TopicMap:
    """Return which signals each topic carries, and the source's own will."""
    telemetry = settings.telemetry
    absent = telemetry.absent_payload
    return TopicMap(topic_fields(settings), telemetry.presence_topic, b"" if absent is None else absent.encode())


def link_options(settings: Settings) -> LinkOptions:
    """Return how the daemon connects: telemetry without retained values, requests with (to refuse those)."""
    mqtt, topics = settings.mqtt, base_topics(settings)
    listen = [Subscription(topic) for topic in topic_map(settings).topics]
    if settings.request.enabled:
        listen.append(Subscription(topics.request, 1, retained=True))
    return LinkOptions(
        host=mqtt.host,
        port=mqtt.port,
        protocol=mqtt.protocol,
        client_id=mqtt.client_id,
        keepalive_s=mqtt.keepalive_s,
        username=mqtt.username,
        password_file=mqtt.password_file,
        tls=mqtt.tls,
        ca_file=mqtt.ca_file,
        client_cert_file=mqtt.client_cert_file,
        client_key_file=mqtt.client_key_file,
        subscriptions=tuple(listen),
        will=Will(topics.presence, "down"),
    )
