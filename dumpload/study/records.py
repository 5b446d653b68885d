"""What a record of telemetry is made of, whatever file it comes from: stretches of rows, and single moments.

The readers (`records_csv`, `records_capture`, `records_history`) yield these in order of time; replay plays them.
Decides nothing. A row that cannot be read is left out and told; a record that cannot be is a `RecordError`.
"""

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from datetime import tzinfo
from itertools import takewhile
from operator import sub
from pathlib import Path
from typing import NamedTuple, Protocol

from dumpload.core.controller import Event, Kind, Lockout
from dumpload.core.decode import Reason, Rejection, to_base_unit
from dumpload.core.law import Selector
from dumpload.core.signals import QUANTITIES, Signal, in_range
from dumpload.layers import show
from dumpload.study.quiet import ALL, Band

SHOWN_BAD_ROWS = 5
"""So many bad rows are told one by one; the rest are counted."""

_REMEMBERED_TEXTS = 5000
_SHOWN_CHARACTERS = 40


class Complaint(NamedTuple):
    """What is wrong with a file: where (line 0: the file itself), in which column, what stands there, what should."""

    path: Path
    line: int
    column: str
    text: str
    expected: str

    def __str__(self) -> str:
        """The complaint in one line of printable text."""
        place = f"{self.path}, line {self.line}" if self.line else f"{self.path}"
        parts = (place, self.column and f"column {self.column}", self.text and _quoted(self.text))
        line = ": ".join((*(part for part in parts if part), f"expected {self.expected}"))
        return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in line)


def _quoted(text: str) -> str:
    return show(text if len(text) <= _SHOWN_CHARACTERS else text[: _SHOWN_CHARACTERS - 3] + "...")


class RecordError(Exception):
    """The record cannot be used; `complaint` says why."""

    def __init__(self, path: Path, expected: str, *, line: int = 0, column: str = "", text: str = "") -> None:
        """Keep what is wrong."""
        self.complaint = Complaint(path, line, column, text, expected)
        super().__init__(self.complaint)

    @classmethod
    def of(cls, complaint: Complaint) -> "RecordError":
        """Return the error for a complaint."""
        path, line, column, text, expected = complaint
        return cls(path, expected, line=line, column=column, text=text)

    def __str__(self) -> str:
        """Return one line."""
        return str(self.complaint)


class Form(NamedTuple):
    """How a record of another logger is written; the defaults are our own form.

    `columns`: our name to theirs, "time" among them. `units`: by signal, where not the base unit. `time_format`: as
    `datetime.strptime` takes it. `zone`: of times without an offset. `sort`: rows may be out of order.
    """

    columns: Mapping[str, str] = {}
    units: Mapping[Signal, str] = {}
    time_format: str | None = None
    zone: tzinfo | None = None
    decimal_comma: bool = False
    delimiter: str | None = None
    sort: bool = False


class Account:
    """What one reading of a record came across. `watch` is told how much of the file is read (0 to 1)."""

    def __init__(self, watch: Callable[[float], None] = lambda _part: None) -> None:
        """Start with nothing read."""
        self.watch = watch
        self.rows = 0
        self.dropped = 0
        self.bad: list[Complaint] = []
        self.torn = ""
        self.notes: list[str] = []

    def drop(self, complaint: Complaint) -> None:
        """Leave a row out."""
        self.dropped += 1
        if len(self.bad) < SHOWN_BAD_ROWS:
            self.bad.append(complaint)


class Run(NamedTuple):
    """The last value of a signal kept arriving up to `until` (s), as far as a thinned record tells."""

    signal: Signal
    until: float


class Moment(NamedTuple):
    """What came at `t` (s on a clock that never goes back), one after another. Unix time is `t - ahead`."""

    t: float
    items: Sequence[Event | Rejection | Run]
    ahead: float = 0.0


class Restart(NamedTuple):
    """The recorded program ended or started at `t` (s): the relay is off, and nothing is known but this."""

    t: float
    ahead: float = 0.0
    selector: Selector = Selector.AUTO
    lockout: Lockout = Lockout.NONE


class Cells:
    """How to read the texts of one column."""

    def __init__(
        self, signal: Signal, unit: str, unknown: Sequence[float | str] = (), *, decimal_comma: bool = False
    ) -> None:
        """Keep the unit, the codes that mean "not known now", and whether a comma is the decimal sign."""
        self.signal = signal
        self._unit = unit
        self._unknown = frozenset(unknown)
        self._decimal_comma = decimal_comma
        self._known: dict[Band, set[str]] = {}

    def read(self, text: str) -> float | Reason | None:
        """Return the value in the signal's base unit, None for a code that means unknown, or why it does not count."""
        text = text.strip()
        if text in self._unknown:
            return None
        try:
            number = self._number(text)
        except ValueError:
            return Reason.WRONG_TYPE
        if number in self._unknown:
            return None
        if not math.isfinite(number):
            return Reason.NOT_FINITE
        value = to_base_unit(self.signal, self._unit, number)
        return value if in_range(self.signal, value) else Reason.OUT_OF_RANGE

    def _number(self, text: str) -> float:
        if "_" in text or not text.isascii():  # Python's own ways of writing numbers
            raise ValueError(text)
        return float(text.replace(",", ".") if self._decimal_comma else text)

    def event(self, text: str, t: float, ahead: float = 0.0) -> Event | Rejection:
        """Return what a cell that is not empty says at `t` (s)."""
        value = self.read(text)
        if value is None:
            return Event(t, t - ahead, Kind.UNKNOWN, self.signal)
        if isinstance(value, Reason):
            return Rejection(self.signal, value)
        return Event(t, t - ahead, Kind.SAMPLE, self.signal, value, t)

    def leading(self, texts: Sequence[str], band: Band) -> int:
        """Return how many of the first texts are plain numbers in range and in the band.

        Nothing is done per row in Python: loggers write few different texts, and what is known of one is kept.
        """
        known = self._known.setdefault(band, set())
        if known.issuperset(texts):
            return len(texts)
        count = sum(map(bool, takewhile(known.__contains__, texts)))
        value = self.read(texts[count])
        if not isinstance(value, float) or not band.low <= value < band.high:
            return count
        failed = len(texts) + 1  # the first so many fail
        while failed - count > 1:
            tried = (count + failed) // 2 if failed <= len(texts) else len(texts)
            if self._learn(set(texts[count:tried]) - known, band):
                count = tried
            else:
                failed = tried
        return count

    def _learn(self, texts: set[str], band: Band) -> bool:
        """Return whether all texts are plain numbers in the band, and remember them if they are few."""
        extremes = self.extremes(texts) if texts else (band.low, band.low)
        if extremes is None or not (band.low <= extremes[0] and (extremes[1] < band.high or not texts)):
            return False
        known = self._known[band]
        if len(known) + len(texts) > _REMEMBERED_TEXTS:
            known.clear()
        if len(texts) <= _REMEMBERED_TEXTS // 10:
            known |= texts
        return True

    def extremes(self, texts: set[str]) -> tuple[float, float] | None:
        """Return the least and the largest value; None unless all are plain numbers in range."""
        numbers = self._plain_numbers(texts)
        if numbers is None or not self._unknown.isdisjoint(texts) or not self._unknown.isdisjoint(numbers):
            return None
        least, most = (to_base_unit(self.signal, self._unit, number) for number in (min(numbers), max(numbers)))
        return (least, most) if in_range(self.signal, least) and in_range(self.signal, most) else None

    def numbers(self, texts: Sequence[str], *, checked: bool = False) -> list[float] | None:
        """Return the values of a whole column; None unless all are plain numbers in range and in the base unit.

        `checked`: they are known to be, or empty.
        """
        if self._unit != QUANTITIES[self.signal].unit or self._decimal_comma:
            return None
        if not checked and self.leading(texts, ALL) < len(texts):
            return None
        try:
            return list(map(float, texts))
        except ValueError:
            return None

    def _plain_numbers(self, texts: Collection[str]) -> list[float] | None:
        joined = "".join(texts)
        if "_" in joined or not joined.isascii():
            return None
        try:
            numbers = list(map(self._number if self._decimal_comma else float, texts))
        except ValueError:
            return None
        return numbers if math.isfinite(sum(numbers)) else None


class Stretch:
    """Rows in order of time, column by column; an empty cell is no sample.

    `times`: Unix s. `columns`: by signal, how to read its cells, and their texts.
    """

    def __init__(self, times: list[float], columns: Mapping[Signal, tuple[Cells, list[str]]]) -> None:
        """Keep the columns, in the order of the signals; each is as long as `times`."""
        self.times = times
        self.columns = dict(sorted(columns.items()))

    def texts(self, signal: Signal, rows: range) -> list[str]:
        """Return the cells of one column in these rows."""
        column = self.columns[signal][1]
        return column if len(rows) == len(column) else column[rows.start : rows.stop]

    def leading(self, signal: Signal, rows: range, band: Band) -> int:
        """Return how many of the first of these rows have a plain number within the band there."""
        return self.columns[signal][0].leading(self.texts(signal, rows), band)

    def gaps(self, begin: int, end: int) -> list[float]:
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

    def row(self, index: int) -> list[Event | Rejection]:
        """Return what one row says."""
        t = self.times[index]
        return [cells.event(texts[index], t) for cells, texts in self.columns.values() if texts[index].strip()]


Item = Stretch | Moment | Restart


class Record(Protocol):
    """One file of telemetry, which can be read any number of times. `kind`: what sort of file, in words."""

    path: Path
    kind: str

    def read(self, account: Account) -> Iterator[Item]:
        """Yield all of it in order of time, never more than a part of it in memory; tell the account.

        Raises:
            RecordError: it is no record of that kind, or its times go back.
        """
