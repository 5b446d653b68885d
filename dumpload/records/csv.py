"""Reads a CSV record: a header with a time and any signals, then one row per time."""

import csv
import re
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import chain, islice
from pathlib import Path
from typing import NamedTuple, Protocol

from dumpload.core.signals import Signal
from dumpload.records.cells import (
    CellParser,
    RelayParser,
    UnknownCodes,
    comma_traps,
    find_columns,
    find_relay,
    parser_of,
    ratio_remark,
)
from dumpload.records.file import NUL_BYTES, PART_BYTES, Part, TextLines, parts, torn_words
from dumpload.records.items import BATCH_ROWS, RowBatch, in_order
from dumpload.records.record import ReadLog, RecordError, RowError, TableFormat
from dumpload.records.time import EXPECTED, NO_OFFSET, NOT_MIXED, ClockError, TimeKind, Times
from dumpload.records.traps import LOOKED_AT_TIMES, guess_formats

OUT_OF_ORDER = "a time not earlier than the row above (--sort sorts the rows)"

# Where nobody said which zone local times are of: at least all days are whole.
_UTC = ("--timezone", "UTC")

_DELIMITERS = (",", ";", "\t")
_BLANK_LINES = re.compile(rb"\A(?:[ \t\r]*\n)+")

# Give up on the Arrow reader after this many consecutive refusals.
_PATIENCE = 8

# What the Arrow reader is offered at a time.
_OFFERED_BYTES = 16 * PART_BYTES


class Layout(NamedTuple):
    """Where things are in a row of `width` cells, by number of the cell; `names`: the header."""

    delimiter: str
    width: int
    time: int
    signals: Mapping[Signal, tuple[int, CellParser]]
    names: Sequence[str]
    relay: int | None = None


class ArrowReader(Protocol):
    """A quick reader of the lines of one file."""

    def read(self, data: bytes, after: float) -> RowBatch | None:
        """Return whole lines as rows, none before `after` (Unix s); None where the plain reader might differ."""


class CsvRecord:
    """One CSV file."""

    kind = "CSV"

    def __init__(
        self,
        path: Path,
        form: TableFormat | None = None,
        unknown: UnknownCodes | None = None,
        arrow: Callable[[Layout, Times], ArrowReader] | None = None,
    ) -> None:
        """Keep how it is written, and the codes that mean "not known now". Opens nothing yet.

        `arrow`: a quick reader, which is asked first about every part of the file.
        """
        self.path = path
        self._form = form or TableFormat()
        self._unknown: UnknownCodes = unknown or {}
        self._arrow = None if self._form.sort or self._form.decimal_comma or self._form.time_format else arrow

    def read(self, log: ReadLog) -> Iterator[RowBatch]:
        """Yield the rows in order of time."""
        source = parts(self.path, log, _OFFERED_BYTES if self._arrow else PART_BYTES)
        header, source = _header(self.path, log, source)
        layout = self._layout(header)
        reading = _CsvPass(self.path, self._form, layout, log)
        batches = reading.quickly(source, self._arrow) if self._arrow else reading.batches(source)
        yield from in_order(batches) if self._form.sort else batches
        reading.judge_times()
        log.notes += ratio_remark(layout.signals[Signal.STATE_OF_CHARGE][1].highest)
        for trap in comma_traps(parser for _place, parser in layout.signals.values()):
            log.advise(trap)

    def _layout(self, header: Part) -> Layout:
        """Return where things are, from the header.

        Raises:
            RecordError: a column that is needed is not there, or there twice.
        """
        line = header.data.decode("utf-8", "replace").rstrip("\r\n")
        delimiter = self._form.delimiter or max(_DELIMITERS, key=line.count)
        try:
            names = [name.strip() for name in next(csv.reader([line], delimiter=delimiter), [])]
        except csv.Error as error:
            raise RecordError(self.path, f"a header line of CSV: {error}", line=header.line) from None
        time, places = find_columns(self.path, self._form, names, header.line)
        signals = {signal: (place, parser_of(self._form, self._unknown, signal)) for signal, place in places.items()}
        return Layout(
            delimiter, len(names), time, signals, names, find_relay(self.path, self._form, names, header.line)
        )


def _header(path: Path, log: ReadLog, source: Iterator[Part]) -> tuple[Part, Iterator[Part]]:
    """Return the first line that is not blank, and the rest."""
    for part in source:
        data = _BLANK_LINES.sub(b"", part.data)
        if not data:
            continue
        number = part.line + part.data[: len(part.data) - len(data)].count(b"\n")
        line, feed, rest = data.partition(b"\n")
        if b"\0" in line:
            raise RecordError(path, NUL_BYTES, line=number)
        return Part(number, line + feed), chain([Part(number + 1, rest, part.torn)] if rest else [], source)
    reason = log.torn or "the file is empty"
    raise RecordError(path, f"a header line such as time,state_of_charge; {reason}")


class _CsvPass:
    """One pass through the rows of a file."""

    def __init__(self, path: Path, form: TableFormat, layout: Layout, log: ReadLog) -> None:
        self._path, self._log, self._layout = path, log, layout
        self._form = form
        self._odd_times: list[tuple[int, str]] = []
        self._times = Times(form.time_format, form.zone)
        self._relay = RelayParser()
        self._last = -float("inf")

    def quickly(self, source: Iterator[Part], arrow: Callable[[Layout, Times], ArrowReader]) -> Iterator[RowBatch]:
        """Yield the rows, as far as possible by the Arrow reader."""
        reader, refused = arrow(self._layout, self._times), 0
        for part in source:
            # A quoted cell may reach across lines and parts.
            if b'"' in part.data or refused >= _PATIENCE:
                yield from self.batches(chain([part], source))
                return
            batch = None if part.torn else reader.read(part.data, self._last)
            if batch is None:
                refused += 1
                yield from self.batches([part])
            else:
                refused = 0
                self._last = float(batch.times[-1])
                self._log.rows += batch.rows
                yield batch

    def batches(self, source: Iterable[Part]) -> Iterator[RowBatch]:
        """Yield the rows as the csv library reads them."""
        rows = self._rows(TextLines(self._path, self._log, source))
        while some := list(islice(rows, BATCH_ROWS)):
            self._log.rows += len(some)
            cells = list(zip(*(row for _t, row in some), strict=True))
            columns = {signal: parser.column(cells[place]) for signal, (place, parser) in self._layout.signals.items()}
            relay = None if self._layout.relay is None else self._relay.column(cells[self._layout.relay])
            yield RowBatch(array("d", [t for t, _row in some]), columns, relay)

    def _rows(self, lines: TextLines) -> Iterator[tuple[float, list[str]]]:
        """Yield each row that can be read, with its time."""
        for cells in self._cells(lines):
            if (t := self._time(lines, cells)) is not None:
                yield t, cells

    def _cells(self, lines: TextLines) -> Iterator[list[str]]:
        reader = csv.reader(lines, delimiter=self._layout.delimiter)
        while True:
            try:
                yield from reader
            except csv.Error as error:  # of one row: the next is read anew
                self._drop(lines, "", "", f"a row of CSV: {error}")
            else:
                return

    def _time(self, lines: TextLines, cells: list[str]) -> float | None:
        """Return the time of a row; None if the row is blank, or is dropped."""
        layout = self._layout
        if len(cells) != layout.width:
            if any(cells):
                self._drop(lines, "", layout.delimiter.join(cells), f"{layout.width} columns, not {len(cells)}")
            return None
        text = cells[layout.time]
        try:
            t = self._times.read(text)
        except ValueError as error:
            if any(cells):
                self._drop(lines, layout.names[layout.time], text, str(error))
                if not self._log.rows and len(self._odd_times) < LOOKED_AT_TIMES:
                    self._odd_times.append((lines.number, text))
            return None
        except ClockError as error:
            options = {NO_OFFSET: _UTC, NOT_MIXED: ()}[str(error)]
            raise self._error(lines.number, text, str(error), options) from None
        if t < self._last and not self._form.sort:
            if not lines.torn:
                raise self._error(lines.number, text, OUT_OF_ORDER, ("--sort",))
            self._drop(lines, "", "", "")
            return None
        self._last = t
        return t

    def judge_times(self) -> None:
        """Say whose zone the times were read in, or of what form they are if none could be read.

        Raises:
            RecordError: none could, and all have a form that is known.
        """
        if self._times.kind == TimeKind.LOCAL and self._form.zone_note:
            self._log.notes.append(self._form.zone_note)
        if self._log.rows or self._form.time_format or not self._odd_times:
            return
        number, text = self._odd_times[0]
        forms = guess_formats([text for _number, text in self._odd_times])
        if forms:
            zone = () if self._form.zone else _UTC
            expected = f"{EXPECTED}; these look like {' or '.join(forms[:2])}"
            raise self._error(number, text, expected, ("--time-format", forms[0], *zone))

    def _error(self, number: int, text: str, expected: str, options: tuple[str, ...] = ()) -> RecordError:
        name = self._layout.names[self._layout.time]
        return RecordError(self._path, expected, line=number, column=name, text=text, options=options)

    def _drop(self, lines: TextLines, column: str, text: str, expected: str) -> None:
        """Leave a row out; the last one, if it is torn, is no bad row."""
        if lines.torn:
            self._log.torn = torn_words(lines.number)
        else:
            self._log.drop(RowError(self._path, lines.number, column, text, expected))
