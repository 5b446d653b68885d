"""Opens a record of any kind, by its content. Reads the settings only for what its values mean."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from dumpload.config.model import Settings
from dumpload.config.to_core import signal_sources
from dumpload.config.to_mqtt import topic_map
from dumpload.records.csv import ArrowReader, CsvRecord, Layout
from dumpload.records.file import magic
from dumpload.records.loading import interrupt_afterwards
from dumpload.records.record import Record, RecordError, TableFormat
from dumpload.records.time import Times

if TYPE_CHECKING:
    from dumpload.records.parquet import ParquetRecord

SQLITE, PARQUET = b"SQLite format 3\0", b"PAR1"

# A smaller table is read in less time than it takes to load the Arrow reader.
ARROW_FROM_BYTES = 8 * 1024 * 1024


def open_record(path: Path, form: TableFormat, settings: Settings) -> Record:
    """Return the record in a file: CSV, a capture of messages or a history database, the first two also gzipped.

    With the extra `study` also Parquet, and a big CSV is read with Arrow.

    Raises:
        RecordError: it is not a regular file, or cannot be read.
    """
    # A reader is loaded for files of its kind only: that of a history needs the database library, for one.
    begin = magic(path)
    if begin.startswith(SQLITE):
        from dumpload.records.history import HistoryRecord

        return HistoryRecord(path)
    if begin.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{"):
        from dumpload.records.capture import CaptureRecord

        return CaptureRecord(path, topic_map(settings), form)
    unknown = {signal: source.unknown for signal, source in signal_sources(settings).items()}
    if begin.startswith(PARQUET):
        return _parquet(path)(path, form, unknown)
    return CsvRecord(path, form, unknown, _arrow() if path.stat().st_size >= ARROW_FROM_BYTES else None)


def _parquet(path: Path) -> "type[ParquetRecord]":
    try:
        with interrupt_afterwards():
            from dumpload.records.parquet import ParquetRecord  # only where the extra is installed
    except ImportError:
        raise RecordError(path, "the libraries that read Parquet: pip install 'dumpload[study]'") from None
    return ParquetRecord


def _arrow() -> Callable[[Layout, Times], ArrowReader] | None:
    """Return the quick reader of tables, where it is installed."""
    try:
        with interrupt_afterwards():
            from dumpload.records.arrow import ArrowTableReader  # only where the extra is installed
    except ImportError:
        return None
    return ArrowTableReader
