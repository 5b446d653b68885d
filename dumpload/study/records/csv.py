"""Reads a CSV record: a header with a time and any signals, then one row per moment.

Plain blocks are cut into columns without touching any row in Python; what is not so plain (quotes, a bad row, times
of several forms) is read row by row, with the same result.
"""

import csv
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path
from typing import NamedTuple, Protocol

from dumpload.core.signals import Signal
from dumpload.study.records.cells import Cells
from dumpload.study.records.columns import TextColumn
from dumpload.study.records.csv_columns import Codes, cells_of, find_columns, remarks
from dumpload.study.records.file import Block, blocks
from dumpload.study.records.items import Stretch
from dumpload.study.records.record import Account, Complaint, Form, RecordError
from dumpload.study.records.time import ClockError, Times

ROWS = 1024
"""Rows that are handed on together, where they were not read as a block."""

_DELIMITERS = (",", ";", "\t")

NumberedRow = tuple[int, list[str]]

_PATIENCE = 8
"""So many parts in a row that a quick reader cannot take, and it is asked no more."""


class Layout(NamedTuple):
    """Where things stand in a row of `width` cells."""

    delimiter: str
    width: int
    time: int
    signals: Mapping[Signal, tuple[int, Cells]]
    names: Sequence[str]


class Cutter(Protocol):
    """A quick reader of the lines of one file."""

    def cut(self, data: bytes, after: float) -> Stretch | None:
        """Return whole lines as rows, none before `after` (Unix s); None where the plain reader might differ."""


class CsvRecord:
    """One CSV file."""

    kind = "CSV"

    def __init__(
        self,
        path: Path,
        form: Form | None = None,
        unknown: Codes | None = None,
        cutter: Callable[[Layout, Times], Cutter] | None = None,
    ) -> None:
        """Keep how it is written, and the codes that mean "not known now". Opens nothing yet.

        `cutter`: a quick reader, which is asked first about every part of the file.
        """
        self.path = path
        self._cutter = cutter
        self._form = form or Form()
        self._unknown: Codes = unknown or {}

    def read(self, account: Account) -> Iterator[Stretch]:
        """Yield the rows in order of time."""
        reading = _Reading(self, account)
        yield from _sorted(reading.stretches()) if self._form.sort else reading.stretches()
        account.notes += remarks(reading.highest_charge)

    def layout(self, header: Block) -> Layout:
        """Return where things stand, from the first line of a block.

        Raises:
            RecordError: a column that is needed is not there, or there twice.
        """
        line = header.text.partition("\n")[0]
        delimiter = self._form.delimiter or max(_DELIMITERS, key=line.count)
        names = [name.strip() for name in next(csv.reader([line], delimiter=delimiter), [])]
        time, places = find_columns(self.path, self._form, names, header.line)
        signals = {signal: (place, cells_of(self._form, self._unknown, signal)) for signal, place in places.items()}
        return Layout(delimiter, len(names), time, signals, names)

    @property
    def is_quick(self) -> bool:
        """Whether there is a quick reader that may be able to read such a file."""
        return self._cutter is not None and not (self._form.sort or self._form.decimal_comma or self._form.time_format)

    def cutter(self, layout: Layout, times: Times) -> Cutter | None:
        """Return the quick reader for a file so laid out, if there is one."""
        return self._cutter(layout, times) if self._cutter and self.is_quick else None


class _Reading:
    """One pass through the file."""

    def __init__(self, record: CsvRecord, account: Account) -> None:
        form = record._form  # noqa: SLF001  (its other half)
        self._record, self._account = record, account
        self._path = record.path
        self._in_order = not form.sort
        self._times = Times(form.time_format, form.zone)
        self._last = -float("inf")
        self._layout = Layout(",", 0, 0, {}, ())
        self._cutter: Cutter | None = None
        self._refused = 0

    @property
    def highest_charge(self) -> float:
        """The highest state of charge so far, percent."""
        return self._layout.signals[Signal.STATE_OF_CHARGE][1].highest

    def stretches(self) -> Iterator[Stretch]:
        """Yield the rows of every block."""
        take = self._take if self._record.is_quick else None
        source = _without_blank_start(blocks(self._path, self._account, take))
        first = next(source, None)
        if first is None:
            found = self._account.torn or "the file is empty"
            raise RecordError(self._path, f"a header line such as time,state_of_charge; {found}")
        self._layout = self._record.layout(first)
        self._cutter = self._record.cutter(self._layout, self._times)
        rest = first.text.partition("\n")[2]
        source = chain([Block(first.line + 1, rest, first.lines - 1, first.torn)] if rest else [], source)
        for block in source:
            if block.taken:
                yield block.taken
                continue
            if '"' in block.text:  # a quoted cell may reach across lines and blocks
                self._cutter = None
                yield from self._quoted(chain([block], source))
                return
            stretch = None if block.torn else self._columns(block)
            yield stretch or self._rows(_numbered(block, self._layout.delimiter), torn=block.torn)

    def _take(self, data: bytes) -> Stretch | None:
        """Have the quick reader read some lines, if there is one, and it can."""
        stretch = self._cutter.cut(data, self._last) if self._cutter and self._refused < _PATIENCE else None
        if stretch is None:
            self._refused += 1
            return None
        self._refused = 0
        self._last = stretch.time(stretch.rows - 1)
        self._account.rows += stretch.rows
        return stretch

    def _columns(self, block: Block) -> Stretch | None:
        """Cut a block into columns; None when it is not plain."""
        layout, text = self._layout, block.text
        rows, width, delimiter = block.lines, layout.width, layout.delimiter
        cells = text.replace("\n", f"{delimiter}\n").split(delimiter)
        heads = cells[:-1:width]
        # Every line feed stands at the start of a cell: if it is always the first of a row, all rows are as wide.
        if len(cells) != width * rows + 1 or (layout.time and "".join(heads).count("\n") != rows - 1):
            return None
        heads[0] = f"\n{heads[0]}"  # where the times come first, `read_column` looks for the line feeds
        times = self._times.read_column(heads if layout.time == 0 else cells[layout.time :: width])
        if times is None or times[0] < self._last:
            return None
        self._last = times[-1]
        self._account.rows += rows
        columns = {
            signal: TextColumn(reader, [cell[1:] for cell in heads] if place == 0 else cells[place::width])
            for signal, (place, reader) in layout.signals.items()
        }
        return Stretch(times, columns)

    def _quoted(self, source: Iterable[Block]) -> Iterator[Stretch]:
        lines = _Lines(source)
        reader = csv.reader(lines, delimiter=self._layout.delimiter)
        rows: list[NumberedRow] = []
        try:
            for cells in reader:
                rows.append((lines.first + reader.line_num - 1, cells))
                if len(rows) == ROWS:
                    yield self._rows(rows)
                    rows = []
        except csv.Error as error:
            line = lines.first + reader.line_num - 1
            raise RecordError(self._path, f"rows of CSV: {error}", line=line) from None
        yield self._rows(rows, torn=lines.torn)

    def _rows(self, rows: list[NumberedRow], *, torn: bool = False) -> Stretch:
        """Read rows one by one. A last row that is `torn` and cannot be read is no bad row."""
        kept: list[list[str]] = []
        times: list[float] = []
        rows = [(line, cells) for line, cells in rows if any(cells)]
        for line, cells in rows:
            is_torn = torn and line == rows[-1][0]
            try:
                times.append(self._time(line, cells, is_torn=is_torn))
                kept.append(cells)
            except _BadRowError as bad:
                if is_torn:
                    self._account.torn = f"the last line ({line}) is torn and was left out"
                else:
                    self._account.drop(bad.complaint)
        self._account.rows += len(times)
        columns = {
            signal: TextColumn(reader, [row[place] for row in kept])
            for signal, (place, reader) in self._layout.signals.items()
        }
        return Stretch(times, columns)

    def _time(self, line: int, cells: list[str], *, is_torn: bool) -> float:
        layout = self._layout
        if len(cells) != layout.width:
            expected = f"{layout.width} columns, not {len(cells)}"
            raise _BadRowError(Complaint(self._path, line, "", layout.delimiter.join(cells), expected))
        text = cells[layout.time]
        name = layout.names[layout.time]
        try:
            t = self._times.read(text)
        except ValueError as error:
            raise _BadRowError(Complaint(self._path, line, name, text, str(error))) from None
        except ClockError as error:
            raise RecordError(self._path, str(error), line=line, column=name, text=text) from None
        if self._in_order and t < self._last:
            expected = "a time not before the row above (--sort puts rows in order)"
            if is_torn:
                raise _BadRowError(Complaint(self._path, line, name, text, expected))
            raise RecordError(self._path, expected, line=line, column=name, text=text)
        self._last = t
        return t


class _BadRowError(Exception):
    def __init__(self, complaint: Complaint) -> None:
        super().__init__(complaint)
        self.complaint = complaint


class _Lines:
    """The lines of blocks, for the CSV reader; remembers the number of the first, and whether the last was torn."""

    def __init__(self, source: Iterable[Block]) -> None:
        self._source = source
        self.first = 0
        self.torn = False

    def __iter__(self) -> Iterator[str]:
        for block in self._source:
            self.first = self.first or block.line
            self.torn = block.torn
            yield from block.text.splitlines(keepends=True)


def _numbered(block: Block, delimiter: str) -> list[NumberedRow]:
    lines = block.text.split("\n")[:-1]
    return [(block.line + index, line.split(delimiter)) for index, line in enumerate(lines)]


def _without_blank_start(source: Iterable[Block]) -> Iterator[Block]:
    """Leave out blank lines before the header."""
    begun = False
    for block in source:
        if begun or not block.text.strip():
            if begun:
                yield block
            continue
        begun = True
        text = block.text.lstrip("\n")
        blank = len(block.text) - len(text)
        yield Block(block.line + blank, text, block.lines - blank, block.torn)


def _sorted(stretches: Iterable[Stretch]) -> Iterator[Stretch]:
    """Put all rows in order of time; rows of one moment stay as they were. All of them are in memory at once."""
    readers: dict[Signal, Cells] = {}
    rows: list[tuple[float, tuple[str, ...]]] = []
    for stretch in stretches:
        columns = {signal: column for signal, column in stretch.columns.items() if isinstance(column, TextColumn)}
        readers = {signal: column.cells for signal, column in columns.items()}
        rows += zip(stretch.times, zip(*(column.texts for column in columns.values()), strict=True), strict=True)
    rows.sort(key=lambda row: row[0])
    for begin in range(0, len(rows), ROWS):
        part = rows[begin : begin + ROWS]
        pairs = zip(readers.items(), zip(*(texts for _t, texts in part), strict=True), strict=True)
        sorted_columns = {signal: TextColumn(reader, list(texts)) for (signal, reader), texts in pairs}
        yield Stretch([t for t, _texts in part], sorted_columns)
