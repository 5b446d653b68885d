"""What the reader of a record yields, in order of time: stretches of rows, single moments, pages of a history.

Replay plays them (`replay/player.py`, `replay/passing.py`). Holds data; decides nothing.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import takewhile
from operator import sub
from typing import NamedTuple

from dumpload.core.controller import Event, Lockout
from dumpload.core.decode import Rejection
from dumpload.core.law import Selector
from dumpload.core.signals import Signal
from dumpload.io.history_schema import HistoryRow, RowKind
from dumpload.study.records.columns import Column


class Ends(NamedTuple):
    """When a part of a record begins and ends: on the clock that never goes back, and in Unix time (s)."""

    t: float
    end_t: float
    wall: float
    end_wall: float


class Run(NamedTuple):
    """The last value of a signal kept arriving up to `until` (s), as far as a thinned record tells."""

    signal: Signal
    until: float


class Moment(NamedTuple):
    """What came at `t` (s on a clock that never goes back), one after another. Unix time is `t - ahead`."""

    t: float
    items: Sequence[Event | Rejection | Run]
    ahead: float = 0.0

    @property
    def ends(self) -> Ends:
        """When it was."""
        return Ends(self.t, self.t, self.t - self.ahead, self.t - self.ahead)


class Restart(NamedTuple):
    """The recorded program ended or started at `t` (s): the relay is off, and nothing is known but this."""

    t: float
    ahead: float = 0.0
    selector: Selector = Selector.AUTO
    lockout: Lockout = Lockout.NONE

    @property
    def ends(self) -> Ends:
        """When it was."""
        return Ends(self.t, self.t, self.t - self.ahead, self.t - self.ahead)


class Stretch:
    """Rows in order of time, column by column.

    `times`: Unix s. `columns`: what the rows say, by signal, in the order of the signals.
    """

    times: Sequence[float]
    least_window = 128
    """So many rows are worth looking at together after one that had to be evaluated."""

    def __init__(self, times: Sequence[float], columns: Mapping[Signal, Column]) -> None:
        """Keep the columns; each is as long as `times`."""
        self.times = times
        self.columns = dict(sorted(columns.items()))

    @property
    def ends(self) -> Ends:
        """When it begins and ends."""
        first, last = self.time(0), self.time(self.rows - 1)
        return Ends(first, last, first, last)

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return len(self.times)

    def time(self, row: int) -> float:
        """Return the time of a row."""
        return self.times[row]

    def first_from(self, t: float, begin: int, end: int) -> int:
        """Return the first of the rows from `begin` to `end` that is not before `t`; else `end`."""
        return bisect_left(self.times, t, begin, end)

    def gaps(self, begin: int, end: int) -> Sequence[float]:
        """Return the time (s) from each of these rows to the next."""
        times = self.times[begin:end]
        return list(map(sub, times[1:], times))

    def leading_close(self, begin: int, end: int, most_s: float) -> int:
        """Return after how many of these rows comes a gap of more than `most_s`; all of them: there is none."""
        times, rows = self.times, end - begin
        span_s = times[end - 1] - times[begin]
        step = int(most_s * rows / (2 * span_s)) if span_s > most_s else rows
        if step > 1:  # where every few rows are so close, all are: twice the mean is allowed for
            some = [*times[begin:end:step], times[end - 1]]
            if max(map(sub, some[1:], some)) <= most_s:
                return rows
        gaps = self.gaps(begin, end)
        if max(gaps, default=0.0) <= most_s:
            return rows
        return next(row for row, gap in enumerate(gaps, 1) if gap > most_s)

    def end_of_life(self, column: Column | None, rows: range, expires_at: float, max_age_s: float) -> int:
        """Return the first of the rows before which a value that expires at `expires_at` is lost; else their end.

        A sample in the column renews it for `max_age_s`.
        """
        for row in rows:
            t, has_sample = self.times[row], column is not None and column.has(row)
            if t > expires_at or (t == expires_at and not has_sample):
                return row
            if has_sample:
                expires_at = t + max_age_s
        return rows.stop

    def part(self, begin: int, end: int) -> "Stretch":
        """Return some of the rows."""
        columns = {signal: column.part(begin, end) for signal, column in self.columns.items()}
        return Stretch(self.times[begin:end], columns)

    def row(self, index: int) -> list[Event | Rejection]:
        """Return what one row says."""
        t = self.time(index)
        said = (column.event(index, t) for column in self.columns.values())
        return [one for one in said if one is not None]


Meaning = Callable[[HistoryRow, float, bool], Iterator[Moment | Restart]]


class Page:
    """Rows of a history, all of one start of the program; `t` of each is on the clock of that start.

    `shift`: what leads from there to the clock of the record (s).
    """

    def __init__(self, rows: Sequence[HistoryRow], shift: float, items: Meaning) -> None:
        """Keep the rows; `items` says what one of them means, given the shift, and whether more came with it."""
        self.rows = rows
        self.shift = shift
        self._items = items

    def part(self, begin: int, end: int) -> "Page":
        """Return some of the rows."""
        return Page(self.rows[begin:end], self.shift, self._items)

    @property
    def ends(self) -> Ends:
        """When it begins and ends."""
        first, last = self.rows[0], self.rows[-1]
        return Ends(first.t + self.shift, last.t + self.shift, first.wall, last.wall)

    def items(self, index: int) -> Iterator[Moment | Restart]:
        """Yield what one of the rows says."""
        return self._items(self.rows[index], self.shift, self._is_followed(index))

    def _is_followed(self, index: int) -> bool:
        """Return whether another value of the same message follows: those are rows of one moment."""
        rows, t = self.rows, self.rows[index].t
        later = takewhile(lambda after: rows[after].t == t, range(index + 1, len(rows)))
        return any(rows[after].kind in (RowKind.SAMPLE, RowKind.UNKNOWN) for after in later)


Item = Stretch | Moment | Restart | Page
