"""Reads a Parquet record, batch by batch: a time and any signals as numbers, null where there is no sample.

Means by its columns what a table means by them (`records/csv_columns.py`). Where a complaint names a line, it is a row.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import parquet

from dumpload.core.signals import Signal
from dumpload.study.fast.arrays import NANO, ArrayStretch, Counts, Floats, Mask
from dumpload.study.fast.numbers import number_column
from dumpload.study.fast.whole import in_order, whole
from dumpload.study.records.cells import Cells
from dumpload.study.records.csv_columns import Codes, cells_of, find_columns, remarks
from dumpload.study.records.record import Account, Complaint, Form, RecordError
from dumpload.study.records.time import MILLISECONDS_FROM, YEAR_10000

BATCH_ROWS = 131_072
"""Rows that are read together: a megabyte a column."""

_READ_BYTES = 1 << 20
_PER_SECOND = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": NANO}
_TIME = "a timestamp with a zone, or Unix seconds or milliseconds as a number"


class ParquetRecord:
    """One Parquet file."""

    kind = "Parquet"

    def __init__(self, path: Path, form: Form | None = None, unknown: Codes | None = None) -> None:
        """Keep what its columns are called, and the codes that mean "not known now". Opens nothing yet."""
        self.path = path
        self._form = form or Form()
        self._unknown: Codes = unknown or {}

    def read(self, account: Account) -> Iterator[ArrayStretch]:
        """Yield the rows in order of time."""
        with _told(self.path), parquet.ParquetFile(self.path, buffer_size=_READ_BYTES, pre_buffer=False) as file:
            reading = _Reading(self.path, self._form, self._unknown, file.schema_arrow, account)
            stretches = reading.stretches(file)
            yield from _sorted(stretches) if self._form.sort else stretches
        account.notes += remarks(reading.cells[Signal.STATE_OF_CHARGE].highest)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except (pa.ArrowException, OSError) as error:
        words = str(error).partition("\n")[0]
        raise RecordError(path, f"a whole and readable Parquet file: {words}") from None


class _Reading:
    """One pass through the file."""

    def __init__(self, path: Path, form: Form, unknown: Codes, schema: pa.Schema, account: Account) -> None:
        self._path, self._account = path, account
        time, places = find_columns(path, form, schema.names)
        self._time = schema.names[time]
        self._names = {signal: schema.names[place] for signal, place in places.items()}
        self.cells: dict[Signal, Cells] = {signal: cells_of(form, unknown, signal) for signal in places}
        self._in_order = not form.sort
        self._last, self._row = -np.inf, 1
        for name in self._names.values():
            if not _is_number(schema.field(name).type):
                raise RecordError(path, "numbers", column=name, text=str(schema.field(name).type))
        kind = schema.field(self._time).type
        if not _is_number(kind) and not (pa.types.is_timestamp(kind) and kind.tz):
            raise RecordError(path, _TIME, column=self._time, text=str(kind))

    def stretches(self, file: parquet.ParquetFile) -> Iterator[ArrayStretch]:
        """Yield the rows of every batch."""
        count = max(1, file.metadata.num_rows)
        names = list(dict.fromkeys([self._time, *self._names.values()]))
        for batch in file.iter_batches(BATCH_ROWS, columns=names, use_threads=False):
            self._account.watch(min(1.0, (self._row - 1) / count))
            if batch.num_rows:
                yield self._stretch(batch)
            self._row += batch.num_rows
        self._account.watch(1.0)

    def _stretch(self, batch: pa.RecordBatch) -> ArrayStretch:
        times, per_second = _times(batch.column(self._time))
        latest = YEAR_10000 * per_second
        good: Mask | None = None
        if not (times.min() >= 0 and times.max() < latest):
            good = (times >= 0) & (times < latest)
            self._drop(batch, np.flatnonzero(~good))
            times = times[good]
        columns = {}
        for signal, name in self._names.items():
            numbers, present = _numbers(batch.column(name), good)
            columns[signal] = number_column(self.cells[signal], numbers, present) if len(times) else None
        self._account.rows += len(times)
        stretch = ArrayStretch(times, {signal: column for signal, column in columns.items() if column}, per_second)
        if len(times) and self._in_order and not stretch.is_in_order(self._last):
            raise self._out_of_order(stretch.moments, good)
        self._last = stretch.time(len(times) - 1) if len(times) else self._last
        return stretch

    def _drop(self, batch: pa.RecordBatch, rows: NDArray[np.intp]) -> None:
        for row in rows:
            text = str(batch.column(self._time)[int(row)])
            self._account.drop(Complaint(self._path, self._row + int(row), self._time, text, _TIME))

    def _out_of_order(self, times: Floats, good: Mask | None) -> RecordError:
        row = int((np.diff(times, prepend=self._last) < 0.0).argmax())
        line = self._row + (row if good is None else int(np.flatnonzero(good)[row]))
        expected = "a time not before the row above (--sort puts rows in order)"
        return RecordError(self._path, expected, line=line, column=self._time, text=f"{times[row]:.3f}")


def _is_number(kind: pa.DataType) -> bool:
    return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind))


def _numbers(column: pa.Array, good: Mask | None) -> tuple[Floats, Mask | None]:
    """Return the numbers in the good rows, and where there is one (None: everywhere)."""
    present = column.is_valid().to_numpy(zero_copy_only=False) if column.null_count else None
    numbers = pc.cast(column, pa.float64(), safe=False).to_numpy(zero_copy_only=False)
    if good is None:
        return numbers, present
    return numbers[good], None if present is None else present[good]


def _times(column: pa.Array) -> tuple[Counts, float]:
    """Return the times, and how many of their unit are a second; NaN where there is no time."""
    numbers: Counts
    if not pa.types.is_timestamp(column.type):
        numbers = pc.cast(column, pa.float64(), safe=False).to_numpy(zero_copy_only=False)
        are_ms = numbers >= MILLISECONDS_FROM
        return (np.where(are_ms, numbers / 1000.0, numbers) if are_ms.any() else numbers), 1.0
    numbers = column.view(pa.int64()).to_numpy(zero_copy_only=False)
    return numbers, _PER_SECOND[column.type.unit]


def _sorted(stretches: Iterator[ArrayStretch]) -> Iterator[ArrayStretch]:
    """Put all rows in order of time; rows of one moment stay as they were. All of them are in memory at once."""
    everything = whole(stretches)
    if everything is not None:
        yield in_order(everything)
