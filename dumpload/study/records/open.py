"""Opens a record of any kind: what it is, the file itself tells. Reads the settings only for what its values mean."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from dumpload.broker import intake
from dumpload.config import Settings
from dumpload.setup import signal_sources
from dumpload.study.records.capture import CaptureRecord
from dumpload.study.records.csv import ArrowReader, CsvRecord, Layout
from dumpload.study.records.file import magic
from dumpload.study.records.history import MAGIC, HistoryRecord
from dumpload.study.records.record import Record, RecordError, TableFormat
from dumpload.study.records.time import Times

if TYPE_CHECKING:
    from dumpload.study.fast.parquet import ParquetRecord

PARQUET = b"PAR1"

# A smaller table is read in less time than it takes to load the Arrow reader.
ARROW_FROM_BYTES = 8 * 1024 * 1024


def open_record(path: Path, form: TableFormat, settings: Settings) -> Record:
    """Return the record in a file: CSV, a capture of messages or a history database, the first two also gzipped.

    With the extra `study` also Parquet, and a big CSV is read with Arrow.

    Raises:
        RecordError: it is no plain file, or cannot be read.
    """
    begin = magic(path)
    if begin.startswith(MAGIC):
        return HistoryRecord(path)
    if begin.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{"):
        return CaptureRecord(path, intake(settings), form)
    unknown = {signal: source.unknown for signal, source in signal_sources(settings).items()}
    if begin.startswith(PARQUET):
        return _parquet(path)(path, form, unknown)
    return CsvRecord(path, form, unknown, _arrow() if path.stat().st_size >= ARROW_FROM_BYTES else None)


def _parquet(path: Path) -> "type[ParquetRecord]":
    try:
        from dumpload.study.fast.parquet import ParquetRecord  # noqa: PLC0415  (only where the extra is installed)
    except ImportError:
        raise RecordError(path, "the libraries that read Parquet: pip install 'dumpload[study]'") from None
    return ParquetRecord


def _arrow() -> Callable[[Layout, Times], ArrowReader] | None:
    """Return the quick reader of tables, where it is installed."""
    try:
        from dumpload.study.fast.tables import ArrowTableReader  # noqa: PLC0415  (only where the extra is installed)
    except ImportError:
        return None
    return ArrowTableReader
