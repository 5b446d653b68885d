"""What the reader of a record yields, in order of time: batches of rows, instants, restarts of the recorded program.

`RowBatch` is the boundary between reading and playing. The plain loop goes through it row by row; a compiled loop takes
the same arrays (both kinds have the buffer protocol: `numpy.asarray` copies nothing):

    times    float64, Unix s, never going back
    columns  by signal: `values`, float64 in the signal's base unit, NaN where there is no plain sample; and `codes`,
             uint8, what is in each row: PLAIN, EMPTY, UNKNOWN or REJECTED. `codes` is None where all rows are PLAIN.
    relay    the same for what the recorded relay did: 1 on, 0 off; None where the record has no such column
"""

from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain, repeat
from typing import NamedTuple, Protocol

from dumpload.core.controller import Event, Kind, Lockout
from dumpload.core.decode import Reason, Rejection
from dumpload.core.law import Selector
from dumpload.core.signals import Signal

# What is in a row of a column: a sample that counts, nothing, a code for "not known now", a value that does not count.
PLAIN, EMPTY, UNKNOWN, REJECTED = range(4)

# Rows handed on together by the plain readers.
BATCH_ROWS = 1024


class Numbers(Protocol):
    """An `array` of the standard library, or one of numpy, of one dimension."""

    def __len__(self) -> int: ...
    def __getitem__(self, row: int, /) -> float: ...
    def tolist(self) -> list[float]:
        """Return the numbers as Python's own."""


class Codes(Protocol):
    """The same, of small whole numbers."""

    def __len__(self) -> int: ...
    def tolist(self) -> list[int]:
        """Return the numbers as Python's own."""


class Column(NamedTuple):
    """What one signal says in each row of a batch; see the module."""

    values: Numbers
    codes: Codes | None = None


class RowBatch(NamedTuple):
    """Rows in order of time; see the module."""

    times: Numbers
    columns: Mapping[Signal, Column]
    relay: Column | None = None

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return len(self.times)

    def row_events(self) -> Iterator[tuple[float, Sequence[Event | Rejection]]]:
        """Yield each row: its time (Unix s), and what it says, the state of charge last."""
        times = self.times.tolist()
        columns = [
            _column_events(signal, column, times) for signal, column in sorted(self.columns.items(), reverse=True)
        ]
        if all(column.codes is None for column in self.columns.values()):
            return zip(times, zip(*columns, strict=True), strict=True)
        rows = zip(*columns, strict=True)
        return ((t, [sample for sample in row if sample is not None]) for t, row in zip(times, rows, strict=True))


def _column_events(signal: Signal, column: Column, times: Sequence[float]) -> Iterable[Event | Rejection | None]:
    values, sample = column.values.tolist(), Kind.SAMPLE
    if column.codes is None:
        return map(Event, times, times, repeat(sample), repeat(signal), values, times)
    return (
        Event(t, t, sample, signal, value, t) if code == PLAIN else _odd(signal, code, t)
        for t, value, code in zip(times, values, column.codes.tolist(), strict=True)
    )


def _odd(signal: Signal, code: int, t: float) -> Event | Rejection | None:
    if code == EMPTY:
        return None
    return Event(t, t, Kind.UNKNOWN, signal) if code == UNKNOWN else Rejection(signal, Reason.OUT_OF_RANGE)


def in_order(batches: Iterable[RowBatch]) -> Iterator[RowBatch]:
    """Put all rows in order of time; rows of one time stay as they were. All of them are in memory at once."""
    parts = list(batches)
    times = list(chain.from_iterable(part.times.tolist() for part in parts))
    order = sorted(range(len(times)), key=times.__getitem__)
    signals = parts[0].columns if parts else ()
    whole = {s: _joined([part.columns[s] for part in parts]) for s in signals}
    relays = [part.relay for part in parts if part.relay is not None]
    relay = _joined(relays) if relays else None
    for begin in range(0, len(order), BATCH_ROWS):
        rows = order[begin : begin + BATCH_ROWS]
        columns = {s: _picked(column, rows) for s, column in whole.items()}
        moved = None if relay is None else _picked(relay, rows)
        yield RowBatch(array("d", [times[row] for row in rows]), columns, moved)


def _joined(columns: Sequence[Column]) -> tuple[list[float], list[int]]:
    values = list(chain.from_iterable(column.values.tolist() for column in columns))
    return values, list(chain.from_iterable(_codes(column) for column in columns))


def _picked(column: tuple[Sequence[float], Sequence[int]], rows: Sequence[int]) -> Column:
    values, codes = column
    return column_of([values[row] for row in rows], [codes[row] for row in rows])


def _codes(column: Column) -> Sequence[int]:
    return [PLAIN] * len(column.values) if column.codes is None else column.codes.tolist()


def column_of(values: Sequence[float], codes: Sequence[int]) -> Column:
    """Return a column of the standard library's arrays."""
    return Column(array("d", values), array("B", codes) if any(codes) else None)


class Hold(NamedTuple):
    """The last value of a signal kept arriving up to `until` (s), as recorded after thinning."""

    signal: Signal
    until: float


class Moved(NamedTuple):
    """The recorded relay moved: not the replayed one, but what its load drew is known by it."""

    on: bool


class Instant(NamedTuple):
    """What came at `t` (s on a clock that never goes back), one after another. Unix time is `t - ahead`."""

    t: float
    items: Sequence[Event | Rejection | Hold | Moved]
    ahead: float = 0.0


class Restart(NamedTuple):
    """The recorded program ended or started at `t` (s): the relay is off, and nothing is known but this."""

    t: float
    ahead: float = 0.0
    selector: Selector = Selector.AUTO
    lockout: Lockout = Lockout.NONE


Item = RowBatch | Instant | Restart
