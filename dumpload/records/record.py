"""What every record of telemetry has, whatever file it comes from: its format, its errors, and the log of a reading.

The readers are `csv`, `capture`, `history` and `parquet`. A row that cannot be read is dropped and counted; a
record that cannot be read is a `RecordError`.
"""

from collections.abc import Callable, Iterator, Mapping
from datetime import tzinfo
from pathlib import Path
from typing import NamedTuple, Protocol

from dumpload.config.layers import show
from dumpload.core.printable import printable
from dumpload.core.signals import Signal
from dumpload.core.window import DAY_S
from dumpload.records.items import Item
from dumpload.records.traps import Trap

# Report at most this many bad rows; count the rest.
SHOWN_BAD_ROWS = 5

# A longer record is one with a clock that was not set: it would be decades of nothing (our choice, no source).
MAX_YEARS = 40
MAX_SPAN_S = MAX_YEARS * 365.25 * DAY_S

_SHOWN_CHARACTERS = 40


class RowError(NamedTuple):
    """What is wrong with a file: where, in which column, what is there, and what was expected.

    `line`: the number of the `place` ("line" or "row"); 0: the file itself.
    """

    path: Path
    line: int
    column: str
    text: str
    expected: str
    place: str = "line"

    def __str__(self) -> str:
        """The error in one line of printable text."""
        place = f"{self.path}, {self.place} {self.line}" if self.line else f"{self.path}"
        parts = (place, self.column and f"column {self.column}", self.text and _quoted(self.text))
        return printable(": ".join((*(part for part in parts if part), f"expected {self.expected}")))


def _quoted(text: str) -> str:
    return show(text if len(text) <= _SHOWN_CHARACTERS else text[: _SHOWN_CHARACTERS - 3] + "...")


class RecordError(Exception):
    """The record cannot be used; `error` says why, `options` with which of the command line it can be."""

    def __init__(
        self,
        path: Path,
        expected: str,
        *,
        line: int = 0,
        column: str = "",
        text: str = "",
        place: str = "line",
        options: tuple[str, ...] = (),
    ) -> None:
        self.options = options
        self.error = RowError(path, line, column, text, expected, place)
        super().__init__(self.error)

    @classmethod
    def of(cls, error: RowError) -> "RecordError":
        """Return the error for a row."""
        path, line, column, text, expected, place = error
        return cls(path, expected, line=line, column=column, text=text, place=place)

    def __str__(self) -> str:
        """Return one line."""
        return str(self.error)


class TableFormat(NamedTuple):
    """How a record of another logger is written; the defaults are our own format.

    `columns`: our name to theirs, "time" among them. `units`: by signal, where not the base unit. `time_format`: as
    `datetime.strptime` takes it. `zone`: of times without an offset. `sort`: rows may be out of order. `scaling`: by
    signal, what a number is multiplied by and what is then added, before its unit. `zone_note`: said where the zone
    was needed.
    """

    columns: Mapping[str, str] = {}
    units: Mapping[Signal, str] = {}
    time_format: str | None = None
    zone: tzinfo | None = None
    decimal_comma: bool = False
    delimiter: str | None = None
    sort: bool = False
    scaling: Mapping[Signal, tuple[float, float]] = {}
    zone_note: str = ""


class ReadLog:
    """What one reading of a record came across.

    `watch` is called with how much of the file is read (0 to 1). `torn`: what is missing at its end, in words.
    `options`: those of the command line with which the record is read as it was meant, as far as it shows.
    `is_sparse`: its rows are further apart than a value counts.
    """

    def __init__(self, watch: Callable[[float], None] = lambda _part: None) -> None:
        self.watch = watch
        self.rows = 0
        self.dropped = 0
        self.bad: list[RowError] = []
        self.torn = ""
        self.notes: list[str] = []
        self.options: list[str] = []
        self.is_sparse = False

    def drop(self, error: RowError) -> None:
        """Count a row that is left out."""
        self.dropped += 1
        if len(self.bad) < SHOWN_BAD_ROWS:
            self.bad.append(error)

    def advise(self, trap: Trap) -> None:
        """Note a trap, and the options that avoid it."""
        self.notes.append(trap.text)
        self.options += trap.options


class Record(Protocol):
    """One file of telemetry, which can be read any number of times. `kind`: what sort of file, in words."""

    path: Path
    kind: str

    def read(self, log: ReadLog) -> Iterator[Item]:
        """Yield all of it in order of time, never more than a part of it in memory.

        Raises:
            RecordError: it is no record of that kind, or its times go back.
        """
