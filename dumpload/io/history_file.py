"""The history's database file: opened, checked, brought up to date, written, kept small. One thread only.

A damaged file is moved aside, never deleted or repaired; a file that is not ours is left alone. Errors are raised:
what to do about them is the writer's business.
"""

import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from dumpload.io.history_backlog import Batch
from dumpload.io.history_schema import APPLICATION_ID, MIGRATIONS, Boot, Entry

BUSY_S = 1.0
"""How long to wait for another program that has the file locked, before trying again later."""

CHECKPOINT_PAGES = 1000
"""The write-ahead log goes into the database file whenever it has grown to so many pages of 4 KiB."""

WAL_BYTES = 5_000_000
"""Room for that log within the size limit."""

LEAST_TRIM_ROWS = 200
"""A batch deletes at most so many old rows (or twice what it writes): a wrong clock costs little in an hour."""

VACUUM_PAGES = 64

PAGE_BYTES = 4096
LEAST_BYTES = 512
"""No database is smaller: the smallest page (SQLite, "Database File Format", section 1.3.2)."""
APPLICATION_ID_AT = 68
"""Where a database's header has the application's mark (SQLite, "Database File Format", section 1.3)."""

_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT)
_UNREADABLE = (266, 522)
"""SQLITE_IOERR_READ and SQLITE_IOERR_SHORT_READ: the card cannot give back what was written."""

_COLUMNS = ("boot", *Entry._fields)
_INSERT = f"INSERT OR IGNORE INTO record ({', '.join(_COLUMNS)}) VALUES ({', '.join('?' * len(_COLUMNS))})"  # noqa: S608
_EXTEND = "UPDATE record SET until = ? WHERE boot = ? AND sequence = ?"


class DamagedError(Exception):
    """The file is no longer a whole database."""


class NewerError(Exception):
    """A newer version of the program has written the file: it must not be touched."""


class ForeignError(Exception):
    """The file is somebody else's database."""


NOT_OURS = "expected a history database or no file, found something else, which is left alone"


class Limits(NamedTuple):
    """How long rows are kept (days), how large the file with its log may be (bytes), and `CHECKPOINT_PAGES`."""

    retain_days: float
    max_bytes: float
    checkpoint_pages: int = CHECKPOINT_PAGES


class Start(NamedTuple):
    """The start of the program that a file's rows belong to, and the row that they begin with."""

    boot: Boot
    first: Entry


def why_useless(error: Exception) -> str:
    """Return in one word why the file itself is no good, or "" when the error has another reason."""
    code = getattr(error, "sqlite_errorcode", 0)
    if isinstance(error, DamagedError) or code & 0xFF in _DAMAGE or code in _UNREADABLE:
        return "damaged"
    return "newer" if isinstance(error, NewerError) else ""


def is_ours(path: Path) -> bool:
    """Return whether a database, however damaged, was a history of ours: only that is moved aside.

    A path may have been mistyped and lead to a person's own file. Ours has our mark, or the text of our tables, on its
    first page or in its log; or nothing but the NUL bytes that a power cut leaves where nothing had been written yet.
    """
    if not path.is_file():
        return False
    with path.open("rb") as file:
        first = file.read(PAGE_BYTES)
        is_blank = not any(first) and not any(any(chunk) for chunk in iter(lambda: file.read(1 << 16), b""))
    log = Path(f"{path}-wal")
    if log.is_file():
        with log.open("rb") as file:
            first += file.read(16 * PAGE_BYTES)
    has_mark = first[APPLICATION_ID_AT : APPLICATION_ID_AT + 4] == APPLICATION_ID.to_bytes(4, "big")
    return is_blank or has_mark or all(words in first for words in (b"CREATE TABLE boots", b"CREATE TABLE record"))


def is_passing(error: Exception) -> bool:
    """Return whether the same rows may be written later; else there is something wrong with the rows."""
    ours = (sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.DataError)
    return isinstance(error, (sqlite3.Error, OSError, ForeignError)) and not isinstance(error, ours)


def set_aside(path: Path, word: str, wall: float) -> Path:
    """Rename a database with its log to PATH.WORD-TIME and return that name. Nothing is ever overwritten.

    The log goes first: left behind, it would be deleted with the next database of that name.

    Raises:
        OSError: the folder cannot be written.
    """
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(wall))
    names = (Path(f"{path}.{word}-{stamp}" + (f"-{number}" if number else "")) for number in range(1000))
    aside = next(name for name in names if not any(Path(f"{name}{end}").exists() for end in ("", "-wal", "-shm")))
    for end in ("-wal", "-shm", ""):
        if Path(f"{path}{end}").exists():
            Path(f"{path}{end}").rename(f"{aside}{end}")
    return aside


class HistoryFile:
    """One open database."""

    def __init__(self, path: Path, start: Start, limits: Limits, *, check: bool, wall: Callable[[], float]) -> None:
        """Open or create it; `check` reads all of it once to find damage. `wall` gives Unix seconds.

        Raises:
            DamagedError: it is damaged.
            NewerError: it has a schema that we do not know.
            ForeignError: it is no history: another program's database, a few bytes of text, a device or a pipe.
            sqlite3.Error: it cannot be opened or written, or is damaged: see `why_useless`.
        """
        self._path, self._limits, self._wall = path, limits, wall
        if path.exists() and 0 < path.stat().st_size < LEAST_BYTES and not is_ours(path):
            raise ForeignError(NOT_OURS)  # the library would take it for an empty database, and write over it
        self._database = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        try:
            schema = self._look(check=check)
            self.is_new = schema == 0
            self._set_up()
            with self._transaction():
                migrate(self._database, MIGRATIONS)
                self._boot = self._begin(start)
            self._inode = path.stat().st_ino
        except BaseException:
            self._database.close()
            raise

    def close(self) -> None:
        """Close it; what is in the log goes into the file."""
        self._database.close()

    def is_in_place(self) -> bool:
        """Return whether the path still leads to this file: it may have been moved or deleted under us."""
        try:
            return self._path.stat().st_ino == self._inode
        except OSError:
            return False

    def write(self, batch: Batch, *, durable: bool) -> None:
        """Write a batch in one transaction; `durable`: and wait until the disk has it.

        Raises:
            sqlite3.Error: nothing of it was written, or it may be written again without harm.
        """
        database = self._database
        database.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
        with self._transaction():
            for entries in (batch.moments, batch.samples):
                database.executemany(_INSERT, ((self._boot, *entry) for entry in entries))
            extended = ((until, self._boot, sequence) for sequence, until in batch.extended.items())
            database.executemany(_EXTEND, extended)
            if not durable:
                self._trim(max(LEAST_TRIM_ROWS, 2 * len(batch.samples) + 2 * len(batch.moments)))

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._database.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._database.execute("COMMIT")
        except BaseException:
            if self._database.in_transaction:
                self._database.execute("ROLLBACK")
            raise

    # ---- opening ----

    def _ask(self, pragma: str) -> int:
        return int(self._database.execute(f"PRAGMA {pragma}").fetchone()[0])

    def _look(self, *, check: bool) -> int:
        """Return the schema of a file that is ours, or 0 for an empty one."""
        schema = self._ask("user_version")
        tables = self._database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if self._ask("application_id") != APPLICATION_ID and (tables or schema):
            message = "expected a history database or no file, found another program's database"
            raise ForeignError(message)
        if schema > len(MIGRATIONS):
            message = f"schema {schema} is newer than {len(MIGRATIONS)}, the last we know"
            raise NewerError(message)
        if check and (found := self._database.execute("PRAGMA quick_check(1)").fetchone()[0]) != "ok":
            raise DamagedError(found)
        return schema

    def _set_up(self) -> None:
        for pragma in (
            "auto_vacuum = INCREMENTAL",  # counts only while there are no tables
            "journal_mode = WAL",
            "synchronous = FULL",
            f"wal_autocheckpoint = {self._limits.checkpoint_pages}",
            f"journal_size_limit = {WAL_BYTES}",
            "cache_size = -512",
        ):
            self._database.execute(f"PRAGMA {pragma}")

    def _begin(self, start: Start) -> int:
        """Write down the start, if that has not been done yet, and return its number in this file."""
        database = self._database
        database.execute("INSERT OR IGNORE INTO boots (boot_id, wall, t, version) VALUES (?, ?, ?, ?)", start.boot)
        found = database.execute("SELECT boot FROM boots WHERE boot_id = ? AND wall = ?", start.boot[:2]).fetchone()
        boot = int(found[0])
        database.execute(_INSERT, (boot, *start.first))
        return boot

    # ---- keeping it small ----

    def _trim(self, most: int) -> None:
        """Delete the oldest rows if they are too old, or the file too large; at most so many."""
        pages, free, page_bytes = self._ask("page_count"), self._ask("freelist_count"), self._ask("page_size")
        room = self._limits.max_bytes - WAL_BYTES
        oldest = self._database.execute(
            "SELECT boot, sequence, wall FROM record ORDER BY boot, sequence LIMIT ?", (most,)
        ).fetchall()
        count = len(oldest)
        if (pages - free) * page_bytes <= room:
            before = self._wall() - self._limits.retain_days * 86_400
            count = count_outdated([wall < before for _boot, _sequence, wall in oldest])
        if count:
            self._database.execute("DELETE FROM record WHERE (boot, sequence) <= (?, ?)", oldest[count - 1][:2])
            self._database.execute("DELETE FROM boots WHERE boot < (SELECT min(boot) FROM record)")
        if pages * page_bytes > room and free:
            self._database.execute(f"PRAGMA incremental_vacuum({VACUUM_PAGES})").fetchall()


def count_outdated(outdated: Sequence[bool]) -> int:
    """Return how many of the first rows go, given which are too old by the clock that they were written under.

    That clock may have been wrong: one row from the future does not keep all that follow, and one from the past does
    not take along all that came before.
    """
    leading = next((place for place, is_old in enumerate(outdated) if not is_old), len(outdated))
    if leading or 2 * sum(outdated) <= len(outdated):
        return leading
    return len(outdated) - list(reversed(outdated)).index(True)


def migrate(database: sqlite3.Connection, migrations: Sequence[Sequence[str]]) -> None:
    """Bring the schema up to date, within the caller's transaction: all of it or nothing."""
    done = database.execute("PRAGMA user_version").fetchone()[0]
    for statements in migrations[done:]:
        for statement in statements:
            database.execute(statement)
    database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    database.execute(f"PRAGMA user_version = {len(migrations)}")
