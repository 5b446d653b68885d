"""The history's database file: opened, checked, brought up to date, written, kept small. One thread only.

A damaged file is moved aside, never deleted or repaired; a file that is not ours is left alone. Errors are raised:
what to do about them is the writer's business.
"""

import contextlib
import os
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from dumpload.core.window import DAY_S
from dumpload.history.backlog import Batch
from dumpload.history.schema import APPLICATION_ID, MIGRATIONS, Boot, Entry

# How long to wait for another program that has the file locked, before trying again later.
BUSY_S = 1.0

# Room within the size limit for the journal, and for what one transaction adds before it deletes.
RESERVE_BYTES = 3_000_000

# A batch is written in transactions of about this size: one that holds a day's backlog would need a journal as large.
PART_BYTES = 300_000
ROW_BYTES = 100

# Old rows deleted by one batch at most (or twice what it writes): a wrong clock costs little in an hour.
LEAST_TRIM_ROWS = 200

# A transaction over the size limit shrinks the file by at least this, however much it writes.
SHRINK_PAGES = 64

PAGE_BYTES = 4096
# No database is smaller: the smallest page (SQLite, "Database File Format", section 1.3.2).
LEAST_BYTES = 512
# Where a database's header has the application's mark (SQLite, "Database File Format", section 1.3).
APPLICATION_ID_AT = 68

_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT)
# SQLITE_IOERR_READ and SQLITE_IOERR_SHORT_READ: the card cannot give back what was written.
_UNREADABLE = (266, 522)

# What may lie beside the database: its journal; a log and its index, left by the first version of the program.
BESIDE = ("-journal", "-wal", "-shm")

_COLUMNS = ("boot", *Entry._fields)
_INSERT = f"INSERT OR IGNORE INTO record ({', '.join(_COLUMNS)}) VALUES ({', '.join('?' * len(_COLUMNS))})"  # noqa: S608
_EXTEND = "UPDATE record SET until = ? WHERE boot = ? AND sequence = ?"


class DamagedError(Exception):
    """The file is no longer a whole database."""


class NewerError(Exception):
    """A newer version of the program has written the file: it must not be touched."""


class ForeignError(Exception):
    """The file is somebody else's database."""


NOT_OURS = "expected a history database or no file, found something else, which was not changed"


class Retention(NamedTuple):
    """How long rows are kept (days), and how large the file with its journal may be (bytes)."""

    retain_days: float
    max_bytes: float


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
    """Return whether a database, however damaged, was a history of ours: only that is moved aside."""
    # A path may have been mistyped and lead to a person's own file. Ours has our mark, or the text of our tables, on
    # its first page or in its log; or nothing but the NUL bytes that a power cut leaves where nothing had been written
    # yet.
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
    return (
        is_blank or has_mark or all(statement in first for statement in (b"CREATE TABLE boots", b"CREATE TABLE record"))
    )


def is_passing(error: Exception) -> bool:
    """Return whether the same rows may be written later; else there is something wrong with the rows."""
    ours = (sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.DataError)
    return isinstance(error, (sqlite3.Error, OSError, ForeignError)) and not isinstance(error, ours)


def set_aside(path: Path, word: str, wall: float) -> Path:
    """Rename a database with its journal to PATH.WORD-TIME and return that name. Nothing is ever overwritten.

    Raises:
        OSError: the folder cannot be written.
    """
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(wall))
    names = (Path(f"{path}.{word}-{stamp}" + (f"-{number}" if number else "")) for number in range(1000))
    aside = next(name for name in names if not any(Path(f"{name}{end}").exists() for end in ("", *BESIDE)))
    # The journal goes first: left behind, it would be played back into the next database of that name.
    for end in (*BESIDE, ""):
        if Path(f"{path}{end}").exists():
            Path(f"{path}{end}").rename(f"{aside}{end}")
    return aside


class HistoryFile:
    """One open database."""

    def __init__(self, path: Path, start: Start, limits: Retention, *, check: bool, wall: Callable[[], float]) -> None:
        """Open or create it; `check` reads all of it once to find damage. `wall` gives Unix seconds.

        Raises:
            DamagedError: it is damaged.
            NewerError: it has a schema that we do not know.
            ForeignError: it is no history: another program's database, a few bytes of text, a device or a pipe.
            sqlite3.Error: it cannot be opened or written, or is damaged: see `why_useless`.
        """
        self._path, self._limits, self._wall = path, limits, wall
        if path.exists() and 0 < path.stat().st_size < LEAST_BYTES and not is_ours(path):
            # The library would take it for an empty database, and write over it.
            raise ForeignError(NOT_OURS)
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
        """Write a batch in one transaction, a large one in several. `durable`: a power cut does not take back the last.

        Raises:
            sqlite3.Error: nothing of it was written, or it may be written again without harm.
        """
        self._database.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
        *before, last = _parts((*batch.moments, *batch.samples))
        for entries in before:
            self._commit(entries, {}, durable=durable)
        self._commit(last, batch.extended, durable=durable)

    def _commit(self, entries: list[Entry], extended: Mapping[int, float], *, durable: bool) -> None:
        with self._transaction():
            used = self._used_bytes()
            self._database.executemany(_INSERT, ((self._boot, *entry) for entry in entries))
            untils = ((until, self._boot, sequence) for sequence, until in extended.items())
            self._database.executemany(_EXTEND, untils)
            self._keep_size(used)
            # A relay change is not held up by what can be tidied up a minute later.
            if not durable:
                self._drop_outdated(max(LEAST_TRIM_ROWS, 2 * len(entries)))

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
        # What the first version of the program left is in WAL mode, which without the exclusive lock is read through a
        # mapped file; `_set_up` changes the mode and lets go of the lock.
        self._database.execute("PRAGMA locking_mode = EXCLUSIVE")
        schema = self._ask("user_version")
        tables = self._database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if self._ask("application_id") != APPLICATION_ID and (tables or schema):
            message = "expected a history database or no file, found another program's database"
            raise ForeignError(message)
        if schema > len(MIGRATIONS):
            message = f"schema {schema} is newer than {len(MIGRATIONS)}, the newest this version knows"
            raise NewerError(message)
        if check and (damage := self._database.execute("PRAGMA quick_check(1)").fetchone()[0]) != "ok":
            raise DamagedError(damage)
        return schema

    def _set_up(self) -> None:
        # Counts only while there are no tables.
        self._database.execute("PRAGMA auto_vacuum = INCREMENTAL")
        # A rollback journal, truncated at each commit, and no write-ahead log. The log is indexed in a file that is
        # mapped into the memory of every process that has the database open, and when a nearly full disk has no block
        # for a page of it the kernel ends the process with SIGBUS: a daemon that controls a heater was killed by its
        # own record (ext4 with blocks of 1 KiB, 8 to 32 KiB free). Heap memory in its place needs an exclusive lock,
        # under which nobody could read beside the daemon. The price is two syncs a commit, paid for by half as many.
        mode = self._database.execute("PRAGMA journal_mode = TRUNCATE").fetchone()[0]
        if mode != "truncate":
            message = f"it is in use in journal mode {mode}"
            raise sqlite3.OperationalError(message)
        for pragma in ("locking_mode = NORMAL", "synchronous = FULL", "cache_size = -512", "mmap_size = 0"):
            self._database.execute(f"PRAGMA {pragma}")

    def _begin(self, start: Start) -> int:
        """Write down the start, if that has not been done yet, and return its number in this file."""
        database = self._database
        database.execute("INSERT OR IGNORE INTO boots (boot_id, wall, t, version) VALUES (?, ?, ?, ?)", start.boot)
        row = database.execute("SELECT boot FROM boots WHERE boot_id = ? AND wall = ?", start.boot[:2]).fetchone()
        boot = int(row[0])
        database.execute(_INSERT, (boot, *start.first))
        return boot

    # ---- keeping it small ----

    def _used_bytes(self) -> int:
        return (self._ask("page_count") - self._ask("freelist_count")) * self._ask("page_size")

    def _keep_size(self, used_before: int) -> None:
        """Delete the oldest rows until the file is within its limit; `used_before`: before the transaction, bytes."""
        page_bytes, room = self._ask("page_size"), self._limits.max_bytes - RESERVE_BYTES
        # A file that is far over it shrinks bit by bit: a transaction takes off SHRINK_PAGES more than it adds.
        goal = max(room, used_before - SHRINK_PAGES * page_bytes)
        while self._used_bytes() > goal and (oldest := self._oldest(LEAST_TRIM_ROWS)):
            self._delete(oldest)
        spare = self._ask("page_count") - SHRINK_PAGES - int(room / page_bytes)
        # The library takes one step of it at a time.
        for _ in range(min(spare, SHRINK_PAGES)):
            self._database.execute("PRAGMA incremental_vacuum(1)")

    def _drop_outdated(self, most: int) -> None:
        """Delete the oldest rows that are too old, up to a limit: a clock that is wrong for an hour costs little."""
        before = self._wall() - self._limits.retain_days * DAY_S
        oldest = self._oldest(most)
        self._delete(oldest[: count_outdated([wall < before for _boot, _sequence, wall in oldest])])

    def _oldest(self, most: int) -> list[tuple[int, int, float]]:
        query = "SELECT boot, sequence, wall FROM record ORDER BY boot, sequence LIMIT ?"
        return self._database.execute(query, (most,)).fetchall()

    def _delete(self, oldest: Sequence[tuple[int, int, float]]) -> None:
        if oldest:
            self._database.execute("DELETE FROM record WHERE (boot, sequence) <= (?, ?)", oldest[-1][:2])
            self._database.execute("DELETE FROM boots WHERE boot < (SELECT min(boot) FROM record)")


def _parts(entries: Iterable[Entry]) -> list[list[Entry]]:
    """Return the entries in parts of about PART_BYTES; none is one empty part."""
    parts: list[list[Entry]] = [[]]
    room = PART_BYTES
    for entry in entries:
        if room <= 0:
            parts.append([])
            room = PART_BYTES
        parts[-1].append(entry)
        room -= ROW_BYTES + len(entry.text.encode())
    return parts


def count_outdated(outdated: Sequence[bool]) -> int:
    """Return how many of the first rows go, given which are too old by the clock that they were written under."""
    # That clock may have been wrong: one row from the future does not keep all that follow, and one from the past does
    # not take along all that came before.
    leading = next((place for place, is_old in enumerate(outdated) if not is_old), len(outdated))
    if leading or 2 * sum(outdated) <= len(outdated):
        return leading
    return len(outdated) - list(reversed(outdated)).index(True)


def migrate(database: sqlite3.Connection, migrations: Sequence[Sequence[str]]) -> None:
    """Bring the schema up to date, within the caller's transaction: all of it or nothing."""
    version = database.execute("PRAGMA user_version").fetchone()[0]
    for statements in migrations[version:]:
        for statement in statements:
            database.execute(statement)
    database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    database.execute(f"PRAGMA user_version = {len(migrations)}")


# ---- whether a history could be kept there: tried, and undone ----


def why_not_writable(path: Path) -> str:
    """Return why this user could not keep a history there; "" if nothing is against it."""
    try:
        return _try_file(path) if path.exists() else _try_folder(path.parent)
    except OSError as error:
        return f"{error.strerror or error}"
    except sqlite3.Error as error:
        return str(error)


def _try_folder(folder: Path) -> str:
    if not folder.is_dir():
        return f"there is no folder {folder}"
    with tempfile.NamedTemporaryFile(dir=folder, prefix=".dumpload-") as file:
        file.write(bytes(4096))
        file.flush()
        os.fsync(file.fileno())
    return ""


def _try_file(path: Path) -> str:
    if not path.is_file() or (path.stat().st_size and not is_ours(path)):
        return NOT_OURS
    database = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=BUSY_S, isolation_level=None)
    try:
        database.execute("BEGIN IMMEDIATE")
        # Reaches the journal, so that folder and file are both written to.
        database.execute("CREATE TABLE probe (x)")
        database.execute("ROLLBACK")
    finally:
        with contextlib.suppress(sqlite3.Error):
            database.close()
    return ""
