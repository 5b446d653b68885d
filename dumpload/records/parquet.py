"""Reads a Parquet record, batch by batch (a time and signals as numbers, null for no sample), and writes tables.

Means by its columns what a table means by them (`records/cells.py`).
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import parquet

from dumpload.core.signals import Signal
from dumpload.core.text import MILLISECONDS_FROM
from dumpload.records.arrow_numbers import Floats, Mask, number_column, relay_column
from dumpload.records.cells import (
    CellParser,
    RelayParser,
    UnknownCodes,
    find_columns,
    find_relay,
    parser_of,
    ratio_remark,
)
from dumpload.records.csv import OUT_OF_ORDER
from dumpload.records.items import RowBatch, in_order
from dumpload.records.record import ReadLog, RecordError, RowError, TableFormat
from dumpload.records.time import EARLIEST, LATEST

# Rows that are read together: a megabyte a column.
BATCH_ROWS = 131_072

_READ_BYTES = 1 << 20
_PER_SECOND = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}
_TIME = "a timestamp with a zone, or Unix seconds or milliseconds as a number, from 1970 to 2200"


class ParquetRecord:
    """One Parquet file."""

    kind = "Parquet"

    def __init__(self, path: Path, form: TableFormat | None = None, unknown: UnknownCodes | None = None) -> None:
        self.path = path
        self._form = form or TableFormat()
        self._unknown: UnknownCodes = unknown or {}

    def read(self, log: ReadLog) -> Iterator[RowBatch]:
        """Yield the rows in order of time."""
        with _readable(self.path), parquet.ParquetFile(self.path, buffer_size=_READ_BYTES, pre_buffer=False) as file:
            reading = _ParquetPass(self.path, self._form, self._unknown, file.schema_arrow, log)
            batches = reading.batches(file)
            yield from in_order(batches) if self._form.sort else batches
        log.notes += ratio_remark(reading.parsers[Signal.STATE_OF_CHARGE].highest)


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    try:
        yield
    except (pa.ArrowException, OSError) as error:
        reason = str(error).partition("\n")[0]
        raise RecordError(path, f"a whole and readable Parquet file: {reason}") from None


class _ParquetPass:
    """One pass through the file."""

    def __init__(self, path: Path, form: TableFormat, unknown: UnknownCodes, schema: pa.Schema, log: ReadLog) -> None:
        self._path, self._log = path, log
        time, places = find_columns(path, form, schema.names)
        self._time = schema.names[time]
        relay = find_relay(path, form, schema.names)
        self._relay = None if relay is None else (schema.names[relay], RelayParser())
        self._names = {signal: schema.names[place] for signal, place in places.items()}
        self.parsers: dict[Signal, CellParser] = {signal: parser_of(form, unknown, signal) for signal in places}
        self._is_sorted = form.sort
        self._last, self._row = -np.inf, 1
        for name in self._names.values():
            if not _is_number(schema.field(name).type):
                raise RecordError(path, "numbers", column=name, text=str(schema.field(name).type))
        kind = schema.field(self._time).type
        if not _is_number(kind) and not (pa.types.is_timestamp(kind) and kind.tz):
            raise RecordError(path, _TIME, column=self._time, text=str(kind))

    def batches(self, file: parquet.ParquetFile) -> Iterator[RowBatch]:
        """Yield the rows of every batch."""
        count = max(1, file.metadata.num_rows)
        relay = [] if self._relay is None else [self._relay[0]]
        names = list(dict.fromkeys([self._time, *self._names.values(), *relay]))
        for batch in file.iter_batches(BATCH_ROWS, columns=names, use_threads=False):
            self._log.watch(min(1.0, (self._row - 1) / count))
            rows = self._rows(batch)
            if rows.rows:
                self._log.rows += rows.rows
                yield rows
            self._row += batch.num_rows
        self._log.watch(1.0)

    def _rows(self, batch: pa.RecordBatch) -> RowBatch:
        column = batch.column(self._time)
        times = _times(column)
        good: Mask = (times >= EARLIEST) & (times < LATEST)
        for row in np.flatnonzero(~good):
            text = _text(column, int(row))
            self._log.drop(RowError(self._path, self._row + int(row), self._time, text, _TIME, "row"))
        times = times[good]
        columns = {
            signal: number_column(self.parsers[signal], *_numbers(batch.column(name), good))
            for signal, name in self._names.items()
        }
        if len(times) and not self._is_sorted:
            back = np.diff(times, prepend=self._last) < 0.0
            if back.any():
                raise self._out_of_order(times, good, int(back.argmax()))
            self._last = float(times[-1])
        relay = None
        if self._relay is not None:
            name, parser = self._relay
            relay = relay_column(parser, batch.column(name).filter(pa.array(good)))
        return RowBatch(times, columns, relay)

    def _out_of_order(self, times: Floats, good: Mask, row: int) -> RecordError:
        number = self._row + int(np.flatnonzero(good)[row])
        text = f"{times[row]:.3f}"
        return RecordError(self._path, OUT_OF_ORDER, line=number, column=self._time, text=text, place="row")


def _is_number(kind: pa.DataType) -> bool:
    return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind))


def _numbers(column: pa.Array, good: Mask) -> tuple[Floats, Mask | None]:
    """Return the numbers in the good rows, and where there is one (None: everywhere)."""
    present = column.is_valid().to_numpy(zero_copy_only=False)[good] if column.null_count else None
    return pc.cast(column, pa.float64(), safe=False).to_numpy(zero_copy_only=False)[good], present


def _times(column: pa.Array) -> Floats:
    """Return the times, Unix s; NaN where there is none."""
    numbers: Floats | NDArray[np.int64]
    if not pa.types.is_timestamp(column.type):
        numbers = pc.cast(column, pa.float64(), safe=False).to_numpy(zero_copy_only=False)
        return np.where(numbers >= MILLISECONDS_FROM, numbers / 1000.0, numbers)
    per_second = _PER_SECOND[column.type.unit]
    counts: NDArray[np.int64] = column.view(pa.int64()).fill_null(-1).to_numpy(zero_copy_only=False)
    # To the microsecond, as times in a table are.
    if column.type.unit == "ns":
        return np.asarray(np.rint(counts / 1e3) / 1e6)
    return np.asarray(counts / per_second)


def _text(column: pa.Array, row: int) -> str:
    try:
        return str(column[row])
    except (ValueError, OverflowError):  # beyond what a date can be
        return str(column.view(pa.int64())[row])


# ---- writing ----

# By what a column holds: a moment is a Unix time (s), kept to the millisecond.
_TYPES = {
    "moment": pa.timestamp("ms", "UTC"),
    "text": pa.string(),
    "number": pa.float64(),
    "count": pa.int64(),
    "flag": pa.bool_(),
}


def parquet_bytes(columns: Sequence[tuple[str, str]], rows: Sequence[Sequence[Any]]) -> bytes:
    """Return a file with these columns (name, and what it holds); None in a row is null."""
    arrays = []
    for place, (_name, kind) in enumerate(columns):
        values = [row[place] for row in rows]
        if kind == "moment":
            values = [round(wall * 1000.0) for wall in values]
        arrays.append(pa.array(values, _TYPES[kind]))
    schema = pa.schema([pa.field(name, _TYPES[kind]) for name, kind in columns])
    file = BytesIO()
    # Snappy: the one compression that every reader knows.
    parquet.write_table(pa.Table.from_arrays(arrays, schema=schema), file, compression="snappy")
    return file.getvalue()
