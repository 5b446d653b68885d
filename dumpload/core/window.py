"""The daylight window and the local calendar day: what the wall clock says, and when that next changes.

Takes Unix time as a number; there is no clock here. Uses the zone's rules, so it is right across midnight and
across a change to or from summer time.
"""

import math
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from typing import NamedTuple

from dumpload.core.freshness import NEVER

# The wall clock was stepped, not slewed, if it moved against the monotonic one by more than this between two looks.
CLOCK_STEP_S = 0.5

HOUR_S, DAY_S = 3600.0, 86_400.0
MINUTES_PER_DAY = 24 * 60


class DayWindow(NamedTuple):
    """A part of every day, in minutes of local time: from `start` (inclusive) to `end` (exclusive).

    `end` may be 1440 (24:00). An `end` before `start` reaches across midnight.
    """

    start: int
    end: int


class LocalTime(NamedTuple):
    """What holds at one wall-clock moment: valid from `wall` until `valid_until` (Unix s, exclusive)."""

    wall: float
    inside: bool
    changes_at: float
    day: int
    day_began_at: float
    day_ends_at: float
    valid_until: float


def parse_span(text: str) -> DayWindow:
    """Return the span that "HH:MM-HH:MM" means.

    Raises:
        ValueError: the text is not of that form, a time does not exist, or start and end are equal.
    """
    start, dash, end = text.partition("-")
    if not dash:
        raise ValueError(text)
    span = DayWindow(_minutes(start.strip()), _minutes(end.strip()))
    if span.start in (MINUTES_PER_DAY, span.end):
        raise ValueError(text)
    return span


def _minutes(text: str) -> int:
    hours, colon, minutes = text.partition(":")
    if not (colon and text.isascii() and len(hours) == len(minutes) == 2 and (hours + minutes).isdigit()):  # noqa: PLR2004
        raise ValueError(text)
    total = int(hours) * 60 + int(minutes)
    if int(minutes) >= 60 or total > MINUTES_PER_DAY:  # noqa: PLR2004
        raise ValueError(text)
    return total


def contains(spans: Sequence[DayWindow], minute: float) -> bool:
    """Return whether a minute of the day lies in any span. No spans means always."""
    if not spans:
        return True
    return any(
        start <= minute < end if start < end else minute >= start or minute < end  # across midnight
        for start, end in spans
    )


def minutes_a_day(spans: Sequence[DayWindow]) -> int:
    """Return how many minutes of a day lie in any span."""
    return sum(contains(spans, minute) for minute in range(MINUTES_PER_DAY))


class Schedule:
    """Answers for one set of spans in one time zone; keeps its last answer while that is valid."""

    def __init__(self, spans: Sequence[DayWindow], zone: tzinfo) -> None:
        self._spans = tuple(spans)
        self._zone = zone
        self._last = LocalTime(NEVER, True, NEVER, 0, NEVER, NEVER, -NEVER)

    def at(self, wall: float) -> LocalTime:
        """Return what holds at Unix time `wall` (s)."""
        if not self._last.wall <= wall < self._last.valid_until:
            self._last = self._look_up(float(math.floor(wall)))  # nothing changes within a second
        return self._last

    def _look_up(self, wall: float) -> LocalTime:
        today = datetime.fromtimestamp(wall, self._zone).date()
        days = [self._midnight(today + timedelta(days=ahead)) for ahead in range(4)]
        inside = self._inside(wall)
        edges = sorted(edge for edge in self._edges(today) + self._jumps(days) if edge > wall)
        changes_at = next((edge for edge in edges if self._inside(edge) != inside), NEVER)
        return LocalTime(wall, inside, changes_at, today.toordinal(), days[0], days[1], min(changes_at, days[1]))

    def _inside(self, wall: float) -> bool:
        here = datetime.fromtimestamp(wall, self._zone)
        return contains(self._spans, here.hour * 60 + here.minute)

    def _midnight(self, day: date) -> float:
        return datetime.combine(day, time(), self._zone).timestamp()

    def _edges(self, today: date) -> list[float]:
        """Return every start and end of the next days (Unix s), both readings of a repeated hour included."""
        edges = []
        for ahead in range(3):
            begin = datetime.combine(today + timedelta(days=ahead), time())
            for minute in {minute for span in self._spans for minute in span}:
                local = (begin + timedelta(minutes=minute)).replace(tzinfo=self._zone)
                edges += [local.replace(fold=0).timestamp(), local.replace(fold=1).timestamp()]
        return edges

    def _jumps(self, days: list[float]) -> list[float]:
        """Return when local time jumps, and may jump into or out of a span (Unix s)."""
        return [
            self._find_jump(begin, end) for begin, end in pairwise(days) if self._offset(begin) != self._offset(end)
        ]

    def _offset(self, wall: float) -> timedelta | None:
        return datetime.fromtimestamp(wall, self._zone).utcoffset()

    def _find_jump(self, before: float, after: float) -> float:
        """Return the whole second at which the zone's offset changes, between two Unix times."""
        low, high = int(before), int(after)
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self._offset(middle) == self._offset(before) else (low, middle)
        return float(high)
