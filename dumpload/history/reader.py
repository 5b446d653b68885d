"""Reads the history database while the daemon writes to it, or after. Never writes, and decides nothing."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from dumpload.history.schema import APPLICATION_ID, MIGRATIONS, HistoryRow, RowKind

# Rows fetched at once; between two fetches nothing is held, so that a slow reader delays no writer.
PAGE_ROWS = 5000

# The writer holds the file while it commits: a card that takes seconds for a sync must not fail a report.
PATIENCE_S = 20.0

# The text of the library's own error may be a damaged name, which it then fails to decode.
_DAMAGED = (sqlite3.Error, UnicodeDecodeError)

# No text of ours is longer; a longer one is cut, which leaves no JSON.
_MOST_CHARACTERS = 65_536

_PAGE = f"""
SELECT wall, ?, sequence, kind, signal, value, cause, substr(text, 1, {_MOST_CHARACTERS}), t, stamp, until FROM record
WHERE boot = ? AND sequence > ? ORDER BY sequence LIMIT {PAGE_ROWS}
"""  # noqa: S608  (constants of ours)

_LAST = f"""
SELECT record.wall, boot_id, sequence, kind, signal, value, cause, substr(text, 1, {_MOST_CHARACTERS}), record.t, stamp,
until FROM record JOIN boots USING (boot) ORDER BY boot DESC, sequence DESC LIMIT ?
"""  # noqa: S608

# Two centuries: no clock is stepped by more, and text is above any number.
_MOST_STEP_S = 1e10

_TABLES = "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name IN ('boots', 'record')"

_CLOCK_STEPS = f"""
SELECT boot_id, total(value) FROM record JOIN boots USING (boot)
WHERE kind = {RowKind.CLOCK:d} AND value BETWEEN -{_MOST_STEP_S} AND {_MOST_STEP_S} GROUP BY boot_id
"""  # noqa: S608


class HistoryError(Exception):
    """The history cannot be read; the message names the file and what was expected."""


def read_events(path: Path) -> Iterator[HistoryRow]:
    """Return all rows: the starts in the order they happened, each by sequence.

    What is written meanwhile may or may not be among them. A damaged or foreign file may have anything in a row.

    Raises:
        HistoryError: at once when it is no history database that this version can read; later when it is damaged.
    """
    database = _open(path)
    return _read(path, database)


def read_last(path: Path, most: int) -> list[HistoryRow]:
    """Return the last rows, at most so many, oldest first.

    Raises:
        HistoryError: it is no history database that this version can read.
    """
    with closing(_open(path)) as database:
        try:
            return [*map(HistoryRow._make, database.execute(_LAST, (most,)).fetchall()[::-1])]
        except _DAMAGED as error:
            raise _unreadable(path, error) from error


def read_clock_steps(path: Path) -> dict[str, float]:
    """Return by how much (s) the wall clock was stepped in each start of the program, where it was.

    Raises:
        HistoryError: it is no history database that this version can read.
    """
    with closing(_open(path)) as database:
        try:
            return dict(database.execute(_CLOCK_STEPS).fetchall())
        except _DAMAGED as error:
            raise _unreadable(path, error) from error


def read_starts(path: Path) -> list[str]:
    """Return the identifiers of the starts of the program that are in the history, in their order.

    Raises:
        HistoryError: it is no history database that this version can read.
    """
    with closing(_open(path)) as database:
        try:
            return [str(boot_id) for (boot_id,) in database.execute("SELECT boot_id FROM boots ORDER BY boot")]
        except _DAMAGED as error:
            raise _unreadable(path, error) from error


def count_rows(path: Path) -> int:
    """Return how many rows there are now.

    Raises:
        HistoryError: it is no history database that this version can read.
    """
    with closing(_open(path)) as database:
        try:
            return int(database.execute("SELECT count(*) FROM record").fetchone()[0])
        except _DAMAGED as error:
            raise _unreadable(path, error) from error


def _open(path: Path) -> sqlite3.Connection:
    if not path.is_file():
        message = f"{path}: expected a history database, there is no such file"
        raise HistoryError(message)
    try:
        database = _connect(path)
        *marks, tables = _marks(database)
    except _DAMAGED as error:
        raise _unreadable(path, error) from error
    if marks[0] != APPLICATION_ID or not 1 <= marks[1] <= len(MIGRATIONS):
        database.close()
        message = f"{path}: expected a history database of schema 1 to {len(MIGRATIONS)}, found mark and schema {marks}"
        raise HistoryError(message)
    if tables != 2:  # noqa: PLR2004  (a view may be anything, and without end)
        database.close()
        message = f"{path}: expected a history database with the tables boots and record; a view is none"
        raise HistoryError(message)
    return database


def _marks(database: sqlite3.Connection) -> list[int]:
    """Return the mark, the schema, and how many of our tables there are."""
    queries = ("PRAGMA application_id", "PRAGMA user_version", _TABLES)
    try:
        return [database.execute(query).fetchone()[0] for query in queries]
    except _DAMAGED:
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
    except _DAMAGED:
        database.close()
        raise
    return database


def _read(path: Path, database: sqlite3.Connection) -> Iterator[HistoryRow]:
    database.text_factory = lambda data: data.decode("utf-8", "replace")
    with closing(database):
        try:
            for boot, boot_id in database.execute("SELECT boot, boot_id FROM boots ORDER BY boot").fetchall():
                yield from _read_start(database, (boot_id, boot))
        except _DAMAGED as error:
            raise _unreadable(path, error) from error


def _read_start(database: sqlite3.Connection, start: tuple[str, int]) -> Iterator[HistoryRow]:
    last: Any = -1  # a foreign file may have anything there
    while rows := database.execute(_PAGE, (*start, last)).fetchall():
        yield from map(HistoryRow._make, rows)
        last = rows[-1][2]
        if not isinstance(last, int | float):  # text comes after all numbers, and none of ours is one
            return


def _unreadable(path: Path, error: Exception) -> HistoryError:
    return HistoryError(f"{path}: expected a history database that can be read: {error}")
