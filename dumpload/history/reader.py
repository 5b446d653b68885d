"""Reads the history database while the daemon writes to it, or after."""

import math
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
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

_COLUMNS = f"wall, ?, sequence, kind, signal, value, cause, substr(text, 1, {_MOST_CHARACTERS}), t, stamp, until"
_PAGE = f"""
SELECT {_COLUMNS} FROM record
WHERE boot = ? AND sequence > ? ORDER BY sequence LIMIT {PAGE_ROWS}
"""  # noqa: S608  (constants of ours)

_FIRST_AFTER = "SELECT sequence, wall FROM record WHERE boot = ? AND sequence > ? ORDER BY sequence LIMIT 1"
_LAST = "SELECT max(sequence) FROM record WHERE boot = ?"
_SAYS_WHERE = ", ".join(f"{kind:d}" for kind in (RowKind.START, RowKind.CHANGE, RowKind.GAP))
_RELAY_BEFORE = f"""
SELECT {_COLUMNS} FROM record
WHERE boot = ? AND sequence <= ? AND kind IN ({_SAYS_WHERE}) ORDER BY sequence DESC LIMIT 1
"""  # noqa: S608  (constants of ours)
_NEWEST = f"""
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


def read_events(path: Path, since: float = -math.inf) -> Iterator[HistoryRow]:
    """Return all rows: the starts in the order they happened, each by sequence.

    With `since` (Unix s), those before may be left out, but for the last one that says where the relay was. Only where
    no wall clock was stepped: it is the rows' own times that are looked at.

    What is written meanwhile may or may not be among them. A damaged or foreign file may have anything in a row.

    Raises:
        HistoryError: at once when it is no history database that this version can read; later when it is damaged.
    """
    database = _open(path)
    return _read(path, database, since)


def read_last(path: Path, most: int) -> list[HistoryRow]:
    """Return at most this number of rows, the last ones, oldest first.

    Raises:
        HistoryError: it is no history database that this version can read.
    """
    with _asked(path) as database:
        return [*map(HistoryRow._make, database.execute(_NEWEST, (most,)).fetchall()[::-1])]


def read_clock_steps(path: Path) -> dict[str, float]:
    """Return by how much (s) the wall clock was stepped in each start of the program, where it was.

    Raises:
        HistoryError: it is no history database that this version can read.
    """
    with _asked(path) as database:
        return dict(database.execute(_CLOCK_STEPS).fetchall())


def read_starts(path: Path) -> list[str]:
    """Return the identifiers of the starts of the program that are in the history, in their order.

    Raises:
        HistoryError: it is no history database that this version can read.
    """
    with _asked(path) as database:
        return [str(boot_id) for (boot_id,) in database.execute("SELECT boot_id FROM boots ORDER BY boot")]


def count_rows(path: Path) -> int:
    """Return how many rows there are now.

    Raises:
        HistoryError: it is no history database that this version can read.
    """
    with _asked(path) as database:
        return int(database.execute("SELECT count(*) FROM record").fetchone()[0])


@contextmanager
def _asked(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a history for the time of the block, in which damage becomes a `HistoryError`."""
    with closing(_open(path)) as database:
        try:
            yield database
        except _DAMAGED as error:
            raise _unreadable(path, error) from error


def _open(path: Path) -> sqlite3.Connection:
    if not path.is_file():
        message = f"{path}: expected a history database; there is no such file"
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
    database = _open_address(f"{address}?mode=ro")
    try:
        database.execute("PRAGMA schema_version").fetchone()
    except sqlite3.OperationalError as error:
        database.close()
        if error.sqlite_errorcode == sqlite3.SQLITE_BUSY or Path(f"{path}-wal").exists():
            raise
        if _is_cut_off(path):
            _take_back(path, address)
            return _open_address(f"{address}?mode=ro")
        return _open_address(f"{address}?immutable=1")
    except _DAMAGED:
        database.close()
        raise
    return database


def _open_address(address: str) -> sqlite3.Connection:
    return sqlite3.connect(address, uri=True, timeout=PATIENCE_S, isolation_level=None)


def _is_cut_off(path: Path) -> bool:
    """Return whether there is a journal of a commit that did not end."""
    journal = Path(f"{path}-journal")
    return journal.is_file() and journal.stat().st_size > 0


def _take_back(path: Path, address: str) -> None:
    """Undo the commit that a kill or a power cut ended, as the next start of the daemon would."""
    # Read past its journal, the file is half of it old and half new: there was a row twice, and once no database at
    # all.
    with closing(_open_address(f"{address}?mode=rw")) as database:
        try:
            database.execute("PRAGMA schema_version").fetchone()
        except sqlite3.OperationalError as error:
            message = (
                f"{path}: a write to it was interrupted: run this as a user who may write it (sudo), "
                f"or start the daemon first ({error})"
            )
            raise HistoryError(message) from error


def _read(path: Path, database: sqlite3.Connection, since: float) -> Iterator[HistoryRow]:
    database.text_factory = lambda data: data.decode("utf-8", "replace")
    with closing(database):
        try:
            starts = database.execute("SELECT boot_id, boot FROM boots ORDER BY boot").fetchall()
            first = 0 if since == -math.inf else _start_at(database, starts, since)
            for number, start in enumerate(starts[first:]):
                at = -1 if number or since == -math.inf else _row_at(database, start, since)
                yield from _relay_before(database, start, at)
                yield from _read_start(database, start, at)
        except _DAMAGED as error:
            raise _unreadable(path, error) from error


def _start_at(database: sqlite3.Connection, starts: Sequence[tuple[str, int]], since: float) -> int:
    """Return the place of the last start whose first row is before `since`; of the first one, if there is none."""
    for place in range(len(starts) - 1, 0, -1):
        row = database.execute(_FIRST_AFTER, (starts[place][1], -1)).fetchone()
        if row and isinstance(row[1], int | float) and row[1] < since:
            return place
    return 0


def _row_at(database: sqlite3.Connection, start: tuple[str, int], since: float) -> int:
    """Return a sequence number of the start, after which all rows from `since` on come: found by halving."""
    low, high = -1, database.execute(_LAST, (start[1],)).fetchone()[0]
    if not isinstance(high, int):
        return low
    while high - low > 1:
        middle = (low + high) // 2
        row = database.execute(_FIRST_AFTER, (start[1], middle)).fetchone()
        is_before = row and isinstance(row[1], int | float) and row[1] < since
        low, high = (middle, high) if is_before else (low, middle)
    return low


def _relay_before(database: sqlite3.Connection, start: tuple[str, int], at: int) -> Iterator[HistoryRow]:
    """Yield the last row up to `at` that says where the relay was, if rows are left out."""
    if at >= 0 and (row := database.execute(_RELAY_BEFORE, (*start, at)).fetchone()):
        yield HistoryRow._make(row)


def _read_start(database: sqlite3.Connection, start: tuple[str, int], at: int) -> Iterator[HistoryRow]:
    # A foreign file may have anything there.
    last: Any = at
    while rows := database.execute(_PAGE, (*start, last)).fetchall():
        yield from map(HistoryRow._make, rows)
        last = rows[-1][2]
        # Text comes after all numbers, and none of ours is one.
        if not isinstance(last, int | float):
            return


def _unreadable(path: Path, error: Exception) -> HistoryError:
    return HistoryError(f"{path}: expected a history database that can be read: {error}")
