"""Writes a table of plain values as Parquet, for any engine that reads it."""

from collections.abc import Sequence
from io import BytesIO
from typing import Any

import pyarrow as pa
from pyarrow import parquet

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
