"""Reads plain parts of a table with pyarrow's CSV reader; what is not plain is left to the plain reader.

Plain is what both read alike: every row as wide as the header, times of one form, numbers or nothing in the cells.
Yields just what `records/csv.py` would; where in doubt it yields nothing.
"""

from collections.abc import Iterator
from contextlib import suppress
from copy import copy

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import csv

from dumpload.core.text import MILLISECONDS_FROM
from dumpload.records.arrow_numbers import Floats, Mask, number_column, relay_column
from dumpload.records.cells import CellParser, RelayParser
from dumpload.records.csv import Layout
from dumpload.records.items import Column, RowBatch
from dumpload.records.time import LATEST, ClockError, TimeKind, Times

_AFTER_DATE = 10
_ZULU = b"Zz"
_OFFSET_WIDTH = 6
_DOT, _SLASH, _NINE = b"./9"
_LINE_FEED = 10


class ArrowTableReader:
    """Reads parts of one file, all of the same layout."""

    def __init__(self, layout: Layout, times: Times) -> None:
        self._layout = layout
        self._times = times
        names = [str(place) for place in range(layout.width)]
        numbers = {names[place]: pa.float64() for place, _parser in layout.signals.values()}
        self._parsed = csv.ParseOptions(delimiter=layout.delimiter, quote_char=False, newlines_in_values=False)
        self._names = names
        texts = {names[place]: pa.string() for place in (layout.time, layout.relay) if place is not None}
        self._relay = RelayParser()
        relay = [] if layout.relay is None else [names[layout.relay]]
        self._converted = csv.ConvertOptions(
            include_columns=[names[layout.time], *numbers, *relay],
            column_types={**numbers, **texts},
            null_values=[""],
            strings_can_be_null=False,
            check_utf8=False,
        )

    def read(self, data: bytes, after: float) -> RowBatch | None:
        """Return whole lines as rows whose times are not before `after` (Unix s); None where they are not plain."""
        if b'"' in data or b"\0" in data or (b"\r" in data and data.count(b"\r") != data.count(b"\r\n")):
            return None
        rows = np.count_nonzero(np.frombuffer(data, np.uint8) == _LINE_FEED)
        whole = csv.ReadOptions(use_threads=False, column_names=self._names, block_size=len(data) + 1)
        try:
            table = csv.read_csv(pa.BufferReader(data), whole, self._parsed, self._converted).combine_chunks()
            times = self._read_times(table.column(0).chunk(0)) if table.num_rows == rows else None
        except pa.ArrowInvalid:
            return None
        if times is None or times[0] < after or times[-1] >= LATEST or (np.diff(times) < 0.0).any():
            return None
        columns = {}
        for (signal, (_place, parser)), chunks in zip(self._layout.signals.items(), table.columns[1:], strict=False):
            column = _number_column(parser, chunks.chunk(0))
            if column is None:
                return None
            columns[signal] = column
        relay = None if self._layout.relay is None else relay_column(self._relay, table.columns[-1].chunk(0))
        return RowBatch(times, columns, relay)

    # ---- times ----

    def _read_times(self, texts: pa.StringArray) -> Floats | None:
        """Return for every text what `Times` would; None if they have not one plain form."""
        ends = self._read_ends(texts)
        if ends is None or self._times.kind == TimeKind.LOCAL:
            return None
        times = _unix(texts) if self._times.kind == TimeKind.UNIX else _zoned(texts)
        return None if times is None or [times[0], times[-1]] != ends else times

    def _read_ends(self, texts: pa.StringArray) -> list[float] | None:
        before = copy(self._times)
        try:
            return [self._times.read(texts[row].as_py()) for row in (0, -1)]
        except (ValueError, ClockError):
            self._times.__dict__.update(before.__dict__)  # nothing was read
            return None


def _bytes_of(texts: pa.StringArray) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
    """Return where each text begins (and the last ends), and all of them one after another."""
    _validity, offsets, data = texts.buffers()
    places = np.frombuffer(offsets, np.int32)[texts.offset : texts.offset + len(texts) + 1]
    return places - places[0], np.frombuffer(data, np.uint8)[places[0] : places[-1]]


def _unix(texts: pa.StringArray) -> Floats | None:
    """Read digits with or without a decimal point."""
    places, data = _bytes_of(texts)
    if data.min() < _DOT or data.max() > _NINE or (data == _SLASH).any():
        return None
    widths = np.diff(places)
    if widths.min() == 0 or (data[places[:-1]] == _DOT).any():
        return None
    numbers: Floats = pc.cast(texts, pa.float64()).to_numpy()
    if numbers.min() >= MILLISECONDS_FROM:
        return numbers / 1000.0
    return numbers if numbers.max() < MILLISECONDS_FROM else None


def _zoned(texts: pa.StringArray) -> Floats | None:
    """Read RFC 3339 with the same offset in every row, and as many digits."""
    places, data = _bytes_of(texts)
    width = int(places[1])
    if (np.diff(places) != width).any():
        return None
    table = data.reshape(len(texts), width)
    offset = 1 if table[0, -1] in _ZULU else _OFFSET_WIDTH
    if any((table[:, place] != table[0, place]).any() for place in (_AFTER_DATE, *range(-offset, 0))):
        return None
    # With so much fixed, the width alone tells hours, minutes, seconds and digits after them apart.
    microseconds: NDArray[np.int64] = pc.cast(texts, pa.timestamp("us", "UTC")).view(pa.int64()).to_numpy()
    return microseconds / 1e6


def _number_column(parser: CellParser, numbers: pa.DoubleArray) -> Column | None:
    raw: Floats = numbers.to_numpy(zero_copy_only=False)
    if any((raw == code).any() for code in _text_codes(parser)):
        # How that was written matters, and these are numbers already.
        return None
    present: Mask | None = numbers.is_valid().to_numpy(zero_copy_only=False) if numbers.null_count else None
    if not np.isfinite(raw if present is None else raw[present]).all():
        # Arrow reads more words as such than the plain reader.
        return None
    return number_column(parser, raw, present)


def _text_codes(parser: CellParser) -> Iterator[float]:
    """Yield the codes for unknown that are texts, and yet say a number."""
    for code in parser.unknown:
        with suppress(ValueError):
            yield float(code if isinstance(code, str) else "")
