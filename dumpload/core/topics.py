"""A message to events: which signals its topic carries, what a retained or an absent message means.

Live messages and captured ones go through here alike. Never raises on any message.
"""

from collections.abc import Mapping
from typing import NamedTuple

from dumpload.core.controller import Event, Kind
from dumpload.core.decode import Field, Reading, Reason, Rejection, Unknown, decode


class InboundMessage(NamedTuple):
    """One message as it came: `stamp` is when it counts as arrived, `t` is now (monotonic s), `wall` now (Unix s)."""

    topic: str
    payload: bytes
    retained: bool
    stamp: float
    t: float
    wall: float


class TopicMap(NamedTuple):
    """The fields that each topic carries, and the source's own will (`presence_topic` None if it has none)."""

    fields: Mapping[str, tuple[Field, ...]]
    presence_topic: str | None = None
    absent_payload: bytes = b""

    @property
    def topics(self) -> tuple[str, ...]:
        """Every topic to listen to."""
        return (*self.fields, *((self.presence_topic,) if self.presence_topic is not None else ()))

    def read(self, arrival: InboundMessage) -> list[Event | Rejection]:
        """Return what a message means, in the order of its topic's fields; nothing for a topic that is not ours."""
        fields = self.fields.get(arrival.topic, ())
        if arrival.retained:
            return [Rejection(field.signal, Reason.RETAINED) for field in fields]
        if arrival.topic == self.presence_topic:
            is_absent = arrival.payload == self.absent_payload
            return [Event(arrival.t, arrival.wall, Kind.ABSENT)] if is_absent else []
        items = [_event(outcome, arrival) for outcome in decode(arrival.payload, fields, arrival.wall)]
        return _joined(items) if len(items) > 1 else items


def _joined(items: list[Event | Rejection]) -> list[Event | Rejection]:
    """Mark each event that another one of the same message follows."""
    follows = False
    for index in reversed(range(len(items))):
        item = items[index]
        if isinstance(item, Event):
            items[index] = item._replace(more=True) if follows else item
            follows = True
    return items


def _event(outcome: Reading | Unknown | Rejection, arrival: InboundMessage) -> Event | Rejection:
    t, wall = arrival.t, arrival.wall
    if isinstance(outcome, Reading):
        stamp = min(arrival.stamp, t - outcome.source_age_s)
        return Event(t, wall, Kind.SAMPLE, outcome.signal, outcome.value, stamp)
    if isinstance(outcome, Unknown):
        return Event(t, wall, Kind.UNKNOWN, outcome.signal)
    return outcome
