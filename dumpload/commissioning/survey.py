"""Collects what arrives on each topic and for each configured signal. Pure: time comes in with the message.

Decodes with the daemon's own `core.decode`, so that what is rejected here is what the daemon rejects.
"""

from collections import Counter
from collections.abc import Mapping
from itertools import pairwise
from statistics import median
from typing import Any, NamedTuple

from dumpload.core.decode import (
    Field,
    Outcome,
    Reading,
    Reason,
    Rejection,
    decode,
    parse_json,
    resolve,
    source_time,
)
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.signals import Signal

# Arrivals remembered for each topic: half a minute of a hundred messages a second.
MOST_ARRIVALS = 3000
# Topics remembered; a broker with more has them counted, not listed.
MOST_TOPICS = 2000
# Pointers listed for one JSON document, and how deep they are followed.
MOST_POINTERS = 40
DEEPEST_POINTER = 6
# A number that is within a day of now, read as Unix time, is taken for a timestamp.
DAY_S = 86400.0


class Arrived(NamedTuple):
    """One message: `t` on a monotonic clock, `wall` in Unix time (s)."""

    topic: str
    payload: bytes
    retained: bool
    t: float
    wall: float


class TopicSurvey:
    """What arrived on one topic. `gaps_s`: the time between live messages."""

    def __init__(self) -> None:
        self.live = 0
        self.retained = 0
        self.payload = b""
        self._arrivals: list[float] = []

    def take(self, message: Arrived) -> None:
        """Count one message; only live ones tell how often it comes."""
        self.payload = message.payload
        self.retained += message.retained
        if not message.retained:
            self.live += 1
            if len(self._arrivals) < MOST_ARRIVALS:
                self._arrivals.append(message.t)

    @property
    def gaps_s(self) -> list[float]:
        """The times between one live message and the next (s)."""
        return [later - earlier for earlier, later in pairwise(self._arrivals)]

    @property
    def typical_gap_s(self) -> float:
        """The median time between live messages (s), NaN with fewer than two."""
        gaps = self.gaps_s
        return median(gaps) if gaps else MISSING


class SignalSurvey:
    """What a configured signal came to: its values, its last outcome, what was rejected and why.

    `clock_ahead_s`: by how much the source's own clock was ahead of ours, in its last message (NaN: it has none).
    """

    def __init__(self, field: Field, topic: str) -> None:
        self.field = field
        self.topic = topic
        self.values: list[float] = []
        self.last: Outcome | None = None
        self.rejected: Counter[Reason] = Counter()
        self.clock_ahead_s = MISSING

    def take(self, outcome: Outcome, message: Arrived) -> None:
        """Take what one live message means for this signal."""
        self.last = outcome
        if isinstance(outcome, Reading) and len(self.values) < MOST_ARRIVALS:
            self.values.append(outcome.value)
        elif isinstance(outcome, Rejection):
            self.rejected[outcome.reason] += 1
        if self.field.timestamp_pointer is not None:
            taken = _time_at(message.payload, self.field.timestamp_pointer)
            self.clock_ahead_s = taken - message.wall if not is_missing(taken) else self.clock_ahead_s


class Survey:
    """Everything heard. `topics`: by name, in the order heard; `uncounted`: messages on topics beyond `MOST_TOPICS`."""

    def __init__(self, fields: Mapping[str, tuple[Field, ...]]) -> None:
        self._fields = fields
        self.topics: dict[str, TopicSurvey] = {}
        self.signals: dict[Signal, SignalSurvey] = {
            field.signal: SignalSurvey(field, topic) for topic, carried in fields.items() for field in carried
        }
        self.uncounted = 0

    def take(self, message: Arrived) -> None:
        """Take one message. Never raises on any payload."""
        if message.topic not in self.topics and len(self.topics) >= MOST_TOPICS:
            self.uncounted += 1
            return
        self.topics.setdefault(message.topic, TopicSurvey()).take(message)
        fields = self._fields.get(message.topic, ())
        if message.retained:
            return  # its age is unknown: shown, never judged
        for outcome in decode(message.payload, fields, message.wall):
            self.signals[outcome.signal].take(outcome, message)


def document_of(payload: bytes) -> Any:
    """Return the JSON document in a payload, or None where there is none."""
    try:
        return parse_json(payload)
    except ValueError:
        return None


def leaves_of(document: Any) -> dict[str, Any]:
    """Return every value that is no object or array, by its RFC 6901 pointer; at most `MOST_POINTERS` of them."""
    found: dict[str, Any] = {}
    waiting: list[tuple[str, Any, int]] = [("", document, 0)]
    while waiting and len(found) < MOST_POINTERS:
        pointer, value, depth = waiting.pop(0)
        if isinstance(value, dict | list) and depth < DEEPEST_POINTER:
            pairs = value.items() if isinstance(value, dict) else enumerate(value)
            waiting += [(f"{pointer}/{_escaped(str(key))}", child, depth + 1) for key, child in pairs]
        elif not isinstance(value, dict | list):
            found[pointer] = value
    return found


def _escaped(token: str) -> str:
    return token.replace("~", "~0").replace("/", "~1")


def time_pointers(document: Any, wall: float) -> list[str]:
    """Return where in a document a time of about now stands (`wall`: Unix s)."""
    times = {pointer: source_time(value) for pointer, value in leaves_of(document).items() if pointer}
    return [pointer for pointer, taken in times.items() if abs(taken - wall) < DAY_S]


def _time_at(payload: bytes, pointer: tuple[str, ...]) -> float:
    try:
        return source_time(resolve(document_of(payload), pointer))
    except LookupError:
        return MISSING
