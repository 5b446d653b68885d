"""History databases for the tests: rows to write, a real file to write them to, and plain looks into it."""

import sqlite3
from collections import deque
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from typing import Any

from dumpload.history.backlog import Batch
from dumpload.history.file import HistoryFile, Retention, Start
from dumpload.history.reader import read_events
from dumpload.history.schema import Boot, Entry, HistoryRow, RowKind

NOON = 1_750_075_200.0
DAY_S = 86_400.0
LIMITS = Retention(retain_days=365, max_bytes=200e6)


def sample(sequence: int, value: float = 98.0, *, wall: float = NOON, t: float = 0.0, signal: int = 0) -> Entry:
    return Entry(sequence, wall, RowKind.SAMPLE, t, t, t, signal, value)


def change(sequence: int, *, wall: float = NOON, on: bool = True) -> Entry:
    return Entry(sequence, wall, RowKind.CHANGE, 0.0, 0.0, 0.0, value=float(on), cause=15, text="{}")


def doubt(sequence: int) -> Entry:
    return Entry(sequence, NOON, RowKind.EVIDENCE_RESET, 0.0, 0.0, 0.0)


def start(boot_id: str = "b1", wall: float = NOON) -> Start:
    return Start(Boot(boot_id, wall, 0.0, "test"), Entry(0, wall, RowKind.START, 0.0, 0.0, 0.0, text="{}"))


def batch(*entries: Entry, extended: dict[int, float] | None = None) -> Batch:
    return Batch(
        deque(entry for entry in entries if entry.kind != RowKind.SAMPLE),
        deque(entry for entry in entries if entry.kind == RowKind.SAMPLE),
        extended or {},
    )


def open_file(
    path: Path, begin: Start | None = None, limits: Retention = LIMITS, *, wall: float = NOON, check: bool = True
) -> HistoryFile:
    return HistoryFile(path, begin or start(), limits, check=check, wall=lambda: wall)


def fill(path: Path, entries: Iterable[Entry], boot_id: str = "b1") -> None:
    """Write these rows into a file, and close it."""
    file = open_file(path, start(boot_id))
    file.write(batch(*entries), durable=True)
    file.close()


def rows(path: Path) -> list[HistoryRow]:
    return list(read_events(path))


def sequences(path: Path) -> list[tuple[str, int]]:
    return [(row.boot_id, row.sequence) for row in read_events(path)]


def look(path: Path, query: str) -> Any:
    """Return the one value that a query gives."""
    with closing(sqlite3.connect(path)) as database:
        return database.execute(query).fetchone()[0]


def is_whole(path: Path) -> bool:
    return bool(look(path, "PRAGMA integrity_check") == "ok")
