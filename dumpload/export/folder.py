"""The folder of an export: `table=…/instance=…/day=…/part.parquet`, whole files only, and never another's.

Beside them lies one small file for each instance that says from which history its parts are. Without it nothing is
replaced: two boats whose instances have one name must not end as one.
"""

import csv
import io
import json
from collections.abc import Callable, Iterable, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any, NamedTuple, NoReturn

from dumpload.core.text import utc_text
from dumpload.export.tables import MOMENT, TABLES, ExportTable
from dumpload.files import Named, Output, WriteError, read_plain, write_outputs

FORMATS = ("parquet", "csv")
OPTION = "--output"

# Engines that list a folder pass over what begins with an underscore.
MARKS_FOLDER = "_dumpload"
MARK_BYTES = 1_000_000

# Starts of the program that are remembered, to know a history again.
KNOWN_STARTS = 1000

Row = Sequence[Any]


class HistoryOrigin(NamedTuple):
    """Of which history the parts are: the instance's name, its zone, and the starts of the program in it."""

    instance: str
    timezone: str
    starts: Sequence[str]


class Mark(NamedTuple):
    """What is remembered of earlier exports. `begins`: where the history began when its first day was written."""

    timezone: str
    starts: Sequence[str]
    begins: str


class Counts(NamedTuple):
    """Parts written, found the same, and kept although they differ; rows of the first two."""

    written: int = 0
    same: int = 0
    kept: int = 0
    rows: int = 0


class ExportFolder:
    """Writes the parts of one instance. `counts`: what came of them, by table."""

    def __init__(self, path: Path, form: str, source: HistoryOrigin, protected: Iterable[Named] = ()) -> None:
        """Look at what is there; nothing is written.

        Args:
            path: the folder; it is made if need be.
            form: one of `FORMATS`.
            source: whose parts they are.
            protected: files that no part may replace.

        Raises:
            WriteError: parts of that name are there, and are not from this history.
        """
        self.counts = {table.name: Counts() for table in TABLES}
        self._path, self._form, self._source, self._protected = path, form, source, list(protected)
        self._mark_path = path / MARKS_FOLDER / f"{source.instance}.json"
        self._kept: set[date] = set()
        self._encode = _encoder(form)
        if path.exists() and not path.is_dir():
            self._refuse("a folder")
        self._mark = self._read_mark()
        self._check()

    def begin(self, wall: float, day: date) -> None:
        """Say where the history begins: its first row (Unix s), on that local day."""
        begins = utc_text(wall)
        # A history loses its oldest rows. What was exported of that day when there was more of it is kept, and so is
        # the next one: a run may have reached into it.
        is_there = any(self._part(table, day).exists() for table in TABLES)
        if is_there and self._mark.begins != begins:
            self._kept, begins = {day, day + timedelta(days=1)}, self._mark.begins
        starts = list(dict.fromkeys([*self._mark.starts, *self._source.starts]))[-KNOWN_STARTS:]
        self._mark = Mark(self._source.timezone, starts, begins)
        text = json.dumps({"instance": self._source.instance, **self._mark._asdict()}, indent=1)
        self._write(self._mark_path, f"{text}\n".encode())

    def put(self, table: ExportTable, day: date, rows: Sequence[Row]) -> None:
        """Write the part of a day, unless it is there already; no rows are no part.

        Raises:
            WriteError: it cannot be written.
        """
        if not rows:
            return
        counts = self.counts[table.name]
        path = self._part(table, day)
        if day in self._kept and path.exists():
            self.counts[table.name] = counts._replace(kept=counts.kept + 1)
            return
        content = self._encode(table, rows)
        if _content_is(path, content):
            self.counts[table.name] = counts._replace(same=counts.same + 1, rows=counts.rows + len(rows))
        else:
            self._write(path, content)
            self.counts[table.name] = counts._replace(written=counts.written + 1, rows=counts.rows + len(rows))

    def _part(self, table: ExportTable, day: date) -> Path:
        return self._of_instance(table) / f"day={day.isoformat()}" / f"part.{self._form}"

    def _of_instance(self, table: ExportTable) -> Path:
        return self._path / f"table={table.name}" / f"instance={self._source.instance}"

    def _write(self, path: Path, content: bytes) -> None:
        write_outputs([Output(OPTION, path, content)], self._protected)

    def _read_mark(self) -> Mark:
        try:
            fields = json.loads(read_plain(self._mark_path, MARK_BYTES))
            return Mark(str(fields["timezone"]), [str(start) for start in fields["starts"]], str(fields["begins"]))
        except FileNotFoundError:
            return Mark("", (), "")
        except (OSError, ValueError, RecursionError, LookupError, TypeError):
            self._refuse(f"{self._mark_path} as an export wrote it, or a folder of its own")

    def _check(self) -> None:
        source, mark, name = self._source, self._mark, f"instance={self._source.instance}"
        if not mark.timezone:
            if any(self._of_instance(table).exists() for table in TABLES):
                self._refuse(f"a folder without {name}, or with {self._mark_path}, which says whose that is")
            return
        if source.starts and not set(mark.starts) & set(source.starts):
            owner = f"the history that {name} is from; for another boat of that name, another folder"
            self._refuse(f"{owner} (for the same one with a new history: remove {self._mark_path})")
        if mark.timezone != source.timezone:
            self._refuse(f"days of {mark.timezone}, as exported before; for those of {source.timezone}, another folder")

    def _refuse(self, expected: str) -> NoReturn:
        message = f"{OPTION} {self._path}: expected {expected}"
        raise WriteError(message)


def _content_is(path: Path, content: bytes) -> bool:
    try:
        return path.stat().st_size == len(content) and read_plain(path, len(content)) == content
    except OSError:
        return False


def _encoder(form: str) -> Callable[[ExportTable, Sequence[Row]], bytes]:
    """Return what makes a file of rows.

    Raises:
        WriteError: the library for it is not installed.
    """
    if form == "csv":
        return _csv_bytes
    try:
        from dumpload.records.parquet import parquet_bytes
    except ImportError:
        message = "--format parquet: expected the extra that writes it: pip install 'dumpload[study]' (or --format csv)"
        raise WriteError(message) from None
    return lambda table, rows: parquet_bytes([(column.name, column.kind) for column in table.columns], rows)


def _csv_bytes(table: ExportTable, rows: Sequence[Row]) -> bytes:
    """Return RFC 4180 text with a header, but for its line ends; moments in RFC 3339 UTC."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(column.name for column in table.columns)
    kinds = [column.kind for column in table.columns]
    for row in rows:
        writer.writerow(_csv_text(value, kind) for value, kind in zip(row, kinds, strict=True))
    return text.getvalue().encode()


def _csv_text(value: Any, kind: str) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return utc_text(value) if kind == MOMENT else str(value)
