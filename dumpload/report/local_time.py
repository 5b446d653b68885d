"""Local days and hours, and how much of some spans of time falls into each."""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta, tzinfo
from operator import attrgetter
from typing import NamedTuple

from dumpload.core.window import HOUR_S


class Span(NamedTuple):
    """A time from `begin` to `end`, Unix s."""

    begin: float
    end: float

    @property
    def seconds(self) -> float:
        """How long it is."""
        return self.end - self.begin

    def within(self, other: "Span") -> float:
        """Return how many seconds of it lie within the other."""
        return max(0.0, min(self.end, other.end) - max(self.begin, other.begin))


def reaching_into(span: Span, spans: Sequence[Span]) -> Sequence[Span]:
    """Return those of `spans`, which are in order and do not overlap, that reach into a time."""
    # By halving: to look through all of them for each day of a long record took minutes.
    first = bisect_right(spans, span.begin, key=attrgetter("end"))
    return spans[first : bisect_left(spans, span.end, first, key=attrgetter("begin"))]


def midnight(day: date, zone: tzinfo) -> float:
    """Return when a local day begins, Unix s."""
    return datetime.combine(day, time(), zone).timestamp()


def local_date(wall: float, zone: tzinfo) -> date:
    """Return the local date at a Unix time (s)."""
    return datetime.fromtimestamp(wall, zone).date()


def next_midnight(wall: float, zone: tzinfo) -> float:
    """Return when the local day after that of a Unix time (s) begins."""
    return midnight(local_date(wall, zone) + timedelta(days=1), zone)


def local_days(first: float, last: float, zone: tzinfo) -> list[tuple[date, Span]]:
    """Return the local days from that of `first` to that of `last` (Unix s), whole ones, 23 or 25 h where it is so.

    A day that only begins at `last` is left out, unless there is no other; so is one that a zone passed over.
    """
    day = local_date(first, zone)
    days = [(day, Span(midnight(day, zone), next_midnight(first, zone)))]
    while (begin := days[-1][1].end) < last:
        day = local_date(begin, zone)
        days.append((day, Span(begin, next_midnight(begin, zone))))
    return days


def shares(spans: Sequence[Span], whole: Span, count: int) -> list[float]:
    """Return which share (0 to 1) of each equal part of the whole lies within the spans."""
    each_s = whole.seconds / count
    if not each_s:
        return [0.0] * count
    seconds = [0.0] * count
    for span in spans:
        first, last = (int((wall - whole.begin) / each_s) for wall in span)
        for index in range(max(0, first), min(count, last + 1)):
            seconds[index] += span.within(Span(whole.begin + index * each_s, whole.begin + (index + 1) * each_s))
    return [min(1.0, part / each_s) for part in seconds]


def clock_hour(wall: float, zone: tzinfo) -> tuple[date, float]:
    """Return the local date at a Unix time (s), and the hours that a clock on the wall shows (0 to 24)."""
    local = datetime.fromtimestamp(wall, zone)
    return local.date(), local.hour + local.minute / 60 + (local.second + local.microsecond / 1e6) / HOUR_S


def by_clock_hour(spans: Sequence[Span], zone: tzinfo) -> dict[tuple[date, int], float]:
    """Return how many seconds of the spans fall into each hour that the clock shows on each local date."""
    seconds: dict[tuple[date, int], float] = defaultdict(float)
    for span in spans:
        for part in _hours(span, zone):
            day, hour = clock_hour(part.begin, zone)
            seconds[day, int(hour)] += part.seconds
    return seconds


def _hours(span: Span, zone: tzinfo) -> Iterator[Span]:
    """Yield the parts of a span, cut where the local clock shows a whole hour."""
    begin = span.begin
    while begin < span.end:
        local = datetime.fromtimestamp(begin, zone)
        into = local.minute * 60 + local.second + local.microsecond / 1e6
        end = min(span.end, begin + max(HOUR_S - into, 1e-3))
        yield Span(begin, end)
        begin = end


def shown_time(wall: float, zone: tzinfo) -> str:
    """Return the local time of day at a Unix time (s), such as 09:10."""
    return f"{datetime.fromtimestamp(wall, zone):%H:%M}"


def shown_day(day: date) -> str:
    """Return a local date such as Tue 17 Jun."""
    return f"{day:%a} {day.day} {day:%b}"
