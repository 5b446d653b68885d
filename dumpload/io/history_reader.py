"""Reads the history database while the daemon writes to it, or after. Never writes, and decides nothing."""

import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from dumpload.io.history_schema import APPLICATION_ID, MIGRATIONS, HistoryRow

PAGE_ROWS = 5000
"""So many rows are fetched at once; between two fetches nothing is held, so that a slow reader delays no writer."""

# The writer holds the file while it commits: a card that takes seconds for a sync must not fail a report.
PATIENCE_S = 20.0

_PAGE = f"""
SELECT wall, ?, sequence, kind, signal, value, cause, text, t, stamp, until FROM record
WHERE boot = ? AND sequence > ? AND wall >= ? AND wall < ? ORDER BY sequence LIMIT {PAGE_ROWS}
"""  # noqa: S608  (a constant of ours)


class HistoryError(Exception):
    """The history cannot be read; the message names the file and what was expected."""


def read_events(path: Path, since: float = -math.inf, until: float = math.inf) -> Iterator[HistoryRow]:
    """Return the rows with `since` <= wall < `until` (Unix s): starts in the order they happened, each by sequence.

    What is written meanwhile may or may not be among them.

    Raises:
        HistoryError: at once when it is no history database that this version can read; later when it is damaged.
    """
    database = _open(path)
    return _read(path, database, since, until)


def _open(path: Path) -> sqlite3.Connection:
    if not path.is_file():
        message = f"{path}: expected a history database, there is no such file"
        raise HistoryError(message)
    try:
        database = _connect(path)
        marks = _marks(database)
    except sqlite3.Error as error:
        raise _unreadable(path, error) from error
    if marks[0] != APPLICATION_ID or not 1 <= marks[1] <= len(MIGRATIONS):
        database.close()
        message = f"{path}: expected a history database of schema 1 to {len(MIGRATIONS)}, found mark and schema {marks}"
        raise HistoryError(message)
    return database


def _marks(database: sqlite3.Connection) -> list[int]:
    try:
        return [database.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")]
    except sqlite3.Error:
        database.close()
        raise


def _connect(path: Path) -> sqlite3.Connection:
    """Open read-only. What the first version of the program left, in WAL mode, is read as a file at rest."""
    address = path.absolute().as_uri()
    database = sqlite3.connect(f"{address}?mode=ro", uri=True, timeout=PATIENCE_S, isolation_level=None)
    try:
        database.execute("PRAGMA schema_version").fetchone()
    except sqlite3.OperationalError:
        database.close()
        if Path(f"{path}-wal").exists():
            raise
        return sqlite3.connect(f"{address}?immutable=1", uri=True, isolation_level=None)
    except sqlite3.Error:
        database.close()
        raise
    return database


def _read(path: Path, database: sqlite3.Connection, since: float, until: float) -> Iterator[HistoryRow]:
    with closing(database):
        try:
            for boot, boot_id in database.execute("SELECT boot, boot_id FROM boots ORDER BY boot").fetchall():
                yield from _read_start(database, (boot_id, boot), (since, until))
        except sqlite3.Error as error:
            raise _unreadable(path, error) from error


def _read_start(
    database: sqlite3.Connection, start: tuple[str, int], period: tuple[float, float]
) -> Iterator[HistoryRow]:
    last = -1
    while rows := database.execute(_PAGE, (*start, last, *period)).fetchall():
        last = rows[-1][2]
        yield from map(HistoryRow._make, rows)


def _unreadable(path: Path, error: sqlite3.Error) -> HistoryError:
    return HistoryError(f"{path}: expected a history database that can be read: {error}")
