"""What every record of telemetry has, whatever file it comes from: its form, its complaints, what reading it came to.

The readers are `csv`, `capture` and `history`. A row that cannot be read is left out and told;
a record that cannot be is a `RecordError`.
"""

from collections.abc import Callable, Iterator, Mapping
from datetime import tzinfo
from pathlib import Path
from typing import NamedTuple, Protocol

from dumpload.core.signals import Signal
from dumpload.layers import show
from dumpload.study.records.items import Item

SHOWN_BAD_ROWS = 5
"""So many bad rows are told one by one; the rest are counted."""

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


class Record(Protocol):
    """One file of telemetry, which can be read any number of times. `kind`: what sort of file, in words."""

    path: Path
    kind: str

    def read(self, account: Account) -> Iterator[Item]:
        """Yield all of it in order of time, never more than a part of it in memory; tell the account.

        Raises:
            RecordError: it is no record of that kind, or its times go back.
        """
