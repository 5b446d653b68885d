"""Cuts plain parts of a table into arrays, with pyarrow's reader; what is not plain is left to the plain reader.

Plain is what both read alike: every row as wide as the header, times of one form, numbers or nothing in the cells.
Yields just what `records/csv.py` would; where in doubt it yields nothing.
"""

from collections.abc import Iterator
from contextlib import suppress

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import csv

from dumpload.core.decode import Reason
from dumpload.study.fast.arrays import ArrayStretch, Counts, Floats, Mask, NumberColumn, code_of
from dumpload.study.fast.numbers import number_column
from dumpload.study.records.cells import Cells
from dumpload.study.records.csv import Layout
from dumpload.study.records.time import MILLISECONDS_FROM, Kind, Times

_MICROSECONDS = 1e6
_AFTER_DATE = 10
_ZULU = b"Zz"
_OFFSET_WIDTH = 6
_DOT, _SLASH, _NINE = b"./9"
_LINE_FEED = 10


class TableCutter:
    """Cuts parts of one file, all of the same layout."""

    def __init__(self, layout: Layout, times: Times) -> None:
        """Keep where things stand, and what kind of times the file has."""
        self._layout = layout
        self._times = times
        names = [str(place) for place in range(layout.width)]
        numbers = {names[place]: pa.float64() for place, _cells in layout.signals.values()}
        self._parsed = csv.ParseOptions(delimiter=layout.delimiter, quote_char=False, newlines_in_values=False)
        self._names = names
        self._converted = csv.ConvertOptions(
            include_columns=[names[layout.time], *numbers],
            column_types={**numbers, names[layout.time]: pa.string()},
            null_values=[""],
            strings_can_be_null=False,
            check_utf8=False,
        )

    def cut(self, data: bytes, after: float) -> ArrayStretch | None:
        """Return whole lines as a stretch whose times are not before `after` (Unix s); None where it is not plain."""
        if b'"' in data or b"\0" in data or (b"\r" in data and data.count(b"\r") != data.count(b"\r\n")):
            return None
        rows = np.count_nonzero(np.frombuffer(data, np.uint8) == _LINE_FEED)
        whole = csv.ReadOptions(use_threads=False, column_names=self._names, block_size=len(data) + 1)
        try:
            table = csv.read_csv(pa.BufferReader(data), whole, self._parsed, self._converted).combine_chunks()
            times = self._read_times(table.column(0).chunk(0)) if table.num_rows == rows else None
        except pa.ArrowInvalid:
            return None
        if times is None:
            return None
        counts, per_second = times
        columns = {}
        for (signal, (_place, cells)), chunks in zip(self._layout.signals.items(), table.columns[1:], strict=True):
            column = _number_column(cells, chunks.chunk(0))
            if column is None:
                return None
            columns[signal] = column
        stretch = ArrayStretch(counts, columns, per_second)
        return stretch if stretch.is_in_order(after) else None

    # ---- times ----

    def _read_times(self, texts: pa.StringArray) -> tuple[Counts, float] | None:
        """Return for every text what `Times` would, and by what it is divided; None if they have not one plain form."""
        ends = self._times.read_column([texts[0].as_py(), texts[-1].as_py()])
        if ends is None or self._times.kind == Kind.LOCAL:
            return None
        found = _unix(texts) if self._times.kind == Kind.UNIX else _zoned(texts)
        if found is None or [float(found[0][row]) / found[1] for row in (0, -1)] != ends:
            return None
        return found


def _bytes_of(texts: pa.StringArray) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
    """Return where each text begins (and the last ends), and all of them one after another."""
    _validity, offsets, data = texts.buffers()
    places = np.frombuffer(offsets, np.int32)[texts.offset : texts.offset + len(texts) + 1]
    return places - places[0], np.frombuffer(data, np.uint8)[places[0] : places[-1]]


def _unix(texts: pa.StringArray) -> tuple[Counts, float] | None:
    """Read digits with or without a decimal point."""
    places, data = _bytes_of(texts)
    if data.min() < _DOT or data.max() > _NINE or (data == _SLASH).any():
        return None
    widths = np.diff(places)
    if widths.min() == 0 or (data[places[:-1]] == _DOT).any():
        return None
    numbers: Floats = pc.cast(texts, pa.float64()).to_numpy()
    if numbers.min() >= MILLISECONDS_FROM:
        return numbers, 1000.0
    return (numbers, 1.0) if numbers.max() < MILLISECONDS_FROM else None


def _zoned(texts: pa.StringArray) -> tuple[Counts, float] | None:
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
    moments: NDArray[np.int64] = pc.cast(texts, pa.timestamp("us", "UTC")).view(pa.int64()).to_numpy()
    return moments, _MICROSECONDS


def _number_column(cells: Cells, numbers: pa.DoubleArray) -> NumberColumn | None:
    raw: Floats = numbers.to_numpy(zero_copy_only=False)
    if any((raw == code).any() for code in _text_codes(cells)):
        return None  # how that was written matters, and these are numbers already
    present: Mask | None = numbers.is_valid().to_numpy(zero_copy_only=False) if numbers.null_count else None
    column = number_column(cells, raw, present)
    is_odd = column.codes is not None and (column.codes == code_of(Reason.NOT_FINITE)).any()
    return None if is_odd else column


def _text_codes(cells: Cells) -> Iterator[float]:
    """Yield the codes for unknown that are texts, and yet say a number."""
    for code in cells.unknown:
        with suppress(ValueError):
            yield float(code if isinstance(code, str) else "")
