"""Opens a record of any kind: what it is, the file itself tells. Reads the settings only for what its values mean."""

from pathlib import Path

from dumpload.broker import intake
from dumpload.config import Settings
from dumpload.setup import signal_sources
from dumpload.study.records import Form, Record, RecordError
from dumpload.study.records_capture import CaptureRecord
from dumpload.study.records_csv import CsvRecord
from dumpload.study.records_file import magic
from dumpload.study.records_history import MAGIC, HistoryRecord


def open_record(path: Path, form: Form, settings: Settings) -> Record:
    """Return the record in a file: CSV, a capture of messages or a history database, the first two also gzipped.

    Raises:
        RecordError: it cannot be read, or is empty.
    """
    if path.is_dir():
        raise RecordError(path, "a file; this is a folder")
    begin = magic(path)
    if begin.startswith(MAGIC):
        return HistoryRecord(path)
    if begin.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{"):
        return CaptureRecord(path, intake(settings), form)
    unknown = {signal: source.unknown for signal, source in signal_sources(settings).items()}
    return CsvRecord(path, form, unknown)
