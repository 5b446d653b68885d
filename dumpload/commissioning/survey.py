"""Collects what arrives on each topic and for each configured signal. Pure: time comes in with the message.

Decodes with the daemon's own `core.decode`, so that what is rejected here is what the daemon rejects.
"""

from collections import Counter
from collections.abc import Mapping
from itertools import pairwise
from statistics import median
from typing import Any, NamedTuple

from dumpload.core.decode import Field, Outcome, Reading, Reason, Rejection, decode, source_time
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.rejections import clock_ahead_s, leaves_of
from dumpload.core.signals import Signal
from dumpload.core.window import DAY_S

# Arrivals remembered for each topic: half a minute of a hundred messages a second.
MOST_ARRIVALS = 3000
# Topics remembered; a broker with more has them counted, not listed.
MOST_TOPICS = 2000
# A number that is within a day of now, read as Unix time, is taken for a timestamp.


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
        """Count one message; the interval is taken from live ones only."""
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
        ahead_s = clock_ahead_s(message.payload, self.field, message.wall)
        if not is_missing(ahead_s):
            self.clock_ahead_s = ahead_s


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


def time_pointers(document: Any, wall: float) -> list[str]:
    """Return the pointers of a document's times that are about now (`wall`: Unix s)."""
    times = {pointer: source_time(value) for pointer, value in leaves_of(document).items() if pointer}
    return [pointer for pointer, stamp in times.items() if abs(stamp - wall) < DAY_S]
