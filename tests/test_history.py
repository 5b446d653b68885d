"""The history's writer: batches, what is written at once, and the faults of a disk, for which nobody ever waits."""

import resource
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from histories import NOON, batch, change, doubt, fill, is_whole, rows, sample, sequences, start
from waiting import eventually, never

from dumpload.history import writer as module
from dumpload.history.file import HistoryFile
from dumpload.history.reader import HistoryError
from dumpload.history.schema import RowKind
from dumpload.history.writer import Gap, HistoryOptions, HistoryWriter

FAST = HistoryOptions(retain_days=365, max_size_mb=200, batch_s=0.05, retry_s=0.05)
NEVER_BY_ITSELF = FAST._replace(batch_s=3600.0)


class Recording:
    """A history that has begun, and what it said."""

    def __init__(self, path: Path, options: HistoryOptions = FAST, wall: float = NOON) -> None:
        self.path = path
        self.notes: list[str] = []
        self.history = HistoryWriter(path, options, self.notes.append, lambda: wall)
        boot, first = start()
        self.history.begin(boot, first)

    def put(self, *sequences: int) -> None:
        for sequence in sequences:
            self.history.put(sample(sequence))

    def await_rows(self, *expected: int) -> None:
        eventually(lambda: self.written >= set(expected), f"the rows {expected}")

    @property
    def written(self) -> set[int]:
        """The sequence numbers in the file; none while it is being made."""
        try:
            return {sequence for _boot, sequence in sequences(self.path)}
        except HistoryError:
            return set()

    def await_note(self, words: str) -> str:
        eventually(lambda: self.notes and words in self.notes[-1], f"a note with {words!r}")
        return self.notes[-1]

    def await_all_well(self) -> None:
        eventually(lambda: self.notes and not self.notes[-1], "that the fault is over")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite3"


@pytest.fixture
def record(path: Path) -> Iterator[Callable[..., Recording]]:
    """Begin a history, on `path` unless told otherwise."""
    begun: list[Recording] = []

    def begin(where: Path = path, options: HistoryOptions = FAST) -> Recording:
        begun.append(Recording(where, options))
        return begun[-1]

    yield begin
    for one in begun:
        one.history.close(10)


Begin = Callable[..., Recording]


# ---- in good order ----


def test_the_start_is_there_before_anything_happens(record: Begin) -> None:
    record(options=NEVER_BY_ITSELF).await_rows(0)


def test_samples_wait_for_their_batch(record: Begin) -> None:
    one = record(options=NEVER_BY_ITSELF)
    one.await_rows(0)
    one.put(16)
    never(lambda: len(sequences(one.path)) > 1, "a sample was written at once", 0.2)


def test_a_relay_change_is_written_at_once_and_takes_along_what_waits(record: Begin) -> None:
    one = record(options=NEVER_BY_ITSELF)
    one.put(16)
    one.history.extend(16, 5.0)
    one.history.put(change(32))
    one.await_rows(0, 16, 32)
    assert rows(one.path)[1].until == 5.0


@pytest.mark.parametrize(("kind", "urgent"), [(kind, kind.name in {"START", "STOP", "CHANGE"}) for kind in RowKind])
def test_starts_stops_and_changes_are_synced(record: Begin, kind: RowKind, urgent: bool, calls: list[bool]) -> None:
    one = record(options=FAST)
    one.await_rows(0)
    one.history.put(change(16)._replace(kind=kind))
    one.await_rows(16)
    assert calls == [urgent]


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Whether each commit so far was a synced one."""
    made: list[bool] = []
    write = HistoryFile.write

    def counted(file: HistoryFile, *args: Any, durable: bool) -> None:
        write(file, *args, durable=durable)
        made.append(durable)

    monkeypatch.setattr(HistoryFile, "write", counted)
    return made


def test_there_is_at_most_one_commit_per_batch_time_however_much_comes(record: Begin, calls: list[bool]) -> None:
    one = record(options=FAST._replace(batch_s=0.2))
    one.await_rows(0)
    began = time.monotonic()
    sequence = 16
    while time.monotonic() < began + 1.0:
        one.put(sequence)
        sequence += 1
        time.sleep(0.001)
    took_s = time.monotonic() - began
    assert 2 <= len(calls) <= took_s / 0.2 + 1
    assert not any(calls)


def test_the_end_writes_what_waits(record: Begin) -> None:
    one = record(options=NEVER_BY_ITSELF)
    one.put(*range(16, 100))
    assert one.history.close(10)
    assert not Path(f"{one.path}-journal").stat().st_size
    assert len(sequences(one.path)) == 85
    assert one.notes == []


def test_one_that_never_began_ends_too(path: Path) -> None:
    history = HistoryWriter(path, FAST, lambda _note: None)
    history.put(sample(16))
    assert history.close(1)
    assert not path.exists()


def test_every_event_has_room_for_its_rows(path: Path) -> None:
    history = HistoryWriter(path, FAST, lambda _note: None)
    assert [history.reserve() for _ in range(3)] == [0, 16, 32]


# ---- a file that is no good ----


@pytest.mark.parametrize(
    "spoil",
    [
        lambda path: path.write_bytes(b"\0" * 50_000),
        lambda path: path.write_bytes(b"garbage garbage " + path.read_bytes()[16:]),
        lambda path: path.write_bytes(path.read_bytes()[:5000]),
        lambda path: path.write_bytes(path.read_bytes()[:20_000] + b"\xa5" * 20_000 + path.read_bytes()[40_000:]),
    ],
)
def test_a_damaged_file_is_kept_beside_the_new_one(record: Begin, path: Path, spoil: Callable[[Path], object]) -> None:
    fill(path, [sample(number) for number in range(16, 5000)], "before")
    spoil(path)
    damaged = path.read_bytes()
    one = record()
    one.put(16)
    note = one.await_note("was damaged")
    one.await_rows(0, 16)
    assert "not recording" not in note
    aside = path.with_name("history.sqlite3.damaged-20250616T120000Z")
    assert aside.name in note
    assert aside.read_bytes() == damaged
    assert sequences(path) == [("b1", 0), ("b1", 16)]


def test_damage_that_shows_only_in_use_costs_nothing_that_waits(record: Begin, path: Path) -> None:
    one = record()
    one.put(*range(16, 3000))
    one.await_rows(2999)
    one.history._backlog.put(change(3000), urgent=True)
    one.await_rows(3000)

    def spoiled(_file: HistoryFile, *_args: Any, **_options: Any) -> None:
        error = sqlite3.DatabaseError("database disk image is malformed")
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        monkeypatch.undo()
        raise error

    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setattr(HistoryFile, "write", spoiled)
        one.put(3001)
        one.await_note("malformed")
    one.await_rows(0, 3001)
    assert sequences(path) == [("b1", 0), ("b1", 3001)]
    gap = one.history.take_gap()
    assert gap is not None
    assert gap.rows == 0
    assert "a new file was started" in gap.why
    assert one.history.take_gap() is None
    aside = next(path.parent.glob("*.damaged-*Z"))
    assert len(sequences(aside)) == 2986


def test_a_newer_file_is_kept_beside_the_new_one(record: Begin, path: Path) -> None:
    fill(path, [sample(16)], "before")
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute("PRAGMA user_version = 99")
    one = record()
    one.await_note("was newer")
    one.await_rows(0)
    assert [file.name for file in path.parent.glob("*.newer-*")] == ["history.sqlite3.newer-20250616T120000Z"]


def test_a_file_that_is_moved_or_deleted_in_use_is_begun_anew(record: Begin, path: Path) -> None:
    one = record()
    one.await_rows(0)
    for end in ("", "-journal"):
        Path(f"{path}{end}").unlink()
    one.put(16)
    one.await_note("moved or deleted")
    one.await_rows(0, 16)
    assert one.history.take_gap() is not None


# ---- a disk that fails: what could not be written is written later ----


@contextmanager
def no_room(_path: Path) -> Iterator[None]:
    """No file of this process can grow beyond what it has."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


HOLD = """
import sqlite3, sys
database = sqlite3.connect(sys.argv[1], isolation_level=None)
database.execute("BEGIN IMMEDIATE")
print("held", flush=True)
sys.stdin.read()
"""


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Another program is in the middle of a transaction."""
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdin is not None
        assert holder.stdout.readline() == "held\n"
        yield
        holder.stdin.close()


@contextmanager
def folder_is_gone(path: Path) -> Iterator[None]:
    away = path.parent.with_name("away")
    path.parent.rename(away)
    yield
    away.rename(path.parent)


@pytest.mark.parametrize(
    ("fault", "words"),
    [(no_room, "disk I/O error"), (locked, "database is locked"), (folder_is_gone, "unable to open database file")],
)
def test_recording_goes_on_when_the_fault_is_over_and_nothing_is_missing(
    record: Begin, tmp_path: Path, fault: Callable[[Path], Any], words: str
) -> None:
    folder = tmp_path / "folder"
    folder.mkdir()
    one = record(folder / "history.sqlite3")
    one.put(16)
    one.await_rows(0, 16)
    with fault(one.path):
        one.put(*range(32, 200))
        one.history.put(change(200))
        note = one.await_note("not recording")
        assert words in note
        assert str(one.path) in note
    one.await_all_well()
    one.await_rows(*range(32, 201))
    assert is_whole(one.path)
    assert one.history.take_gap() is None
    assert list(one.path.parent.glob("*damaged*")) == []


def mounted(folder: Path, *options: str) -> bool:
    return subprocess.run(["mount", *options, str(folder)], capture_output=True, check=False).returncode == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "disk"
    folder.mkdir()
    if not mounted(folder, "-t", "tmpfs", "-o", "size=600k", "tmpfs"):
        pytest.skip("this user may not mount a small disk")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk_stops_nothing_and_recording_goes_on_once_there_is_room(record: Begin, small_disk: Path) -> None:
    one = record(small_disk / "history.sqlite3")
    one.await_rows(0)
    ballast = small_disk / "ballast"
    with suppress(OSError), ballast.open("wb", buffering=0) as file:
        while file.write(b"x" * 4096):
            pass
    one.put(*range(16, 1000))
    assert "full" in one.await_note("not recording")
    ballast.unlink()
    one.await_all_well()
    one.await_rows(*range(16, 1000))
    assert is_whole(one.path)


def test_a_read_only_disk_stops_nothing_and_recording_goes_on_once_it_may(record: Begin, small_disk: Path) -> None:
    where = small_disk / "history.sqlite3"
    fill(where, [sample(16)], "before")
    assert mounted(small_disk, "-o", "remount,ro")
    one = record(where)
    one.put(17)
    assert "readonly" in one.await_note("not recording")
    assert mounted(small_disk, "-o", "remount,rw")
    one.await_all_well()
    one.await_rows(16, 17)


@pytest.mark.parametrize(
    "where",
    [Path("/proc/history.sqlite3"), Path("/proc/self/history.sqlite3"), Path("/dev/full"), Path("/nowhere/at/all")],
)
def test_where_nothing_can_be_written_the_fault_is_said_once_and_nothing_else_happens(
    record: Begin, where: Path
) -> None:
    one = record(where)
    one.put(*range(16, 20_000))
    one.await_note("not recording")
    time.sleep(0.3)
    assert len(one.notes) == 1
    assert len(one.history._backlog.take().samples) <= module.MAX_SAMPLES


def test_a_folder_in_place_of_the_file_is_said(record: Begin, path: Path) -> None:
    path.mkdir()
    record().await_note("unable to open database file")


def test_another_programs_database_is_left_alone_and_said(record: Begin, path: Path) -> None:
    with closing(sqlite3.connect(path)) as database:
        database.execute("CREATE TABLE songs (title)")
    before = path.read_bytes()
    one = record()
    one.put(16)
    one.await_note("another program's database")
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "content",
    [
        b"[relay]\npin = 17\n" * 40,
        b"1",
        b"SQLite format 3\0" + b"\xa5" * 8000,
        b"\0" * 4096 + b"a letter to the lock-keeper\n",
    ],
)
def test_a_file_that_never_was_a_history_is_left_alone_and_said(record: Begin, path: Path, content: bytes) -> None:
    path.write_bytes(content)
    one = record()
    one.put(16)
    one.await_note("expected a history database or no file")
    one.history.close(10)
    assert path.read_bytes() == content
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_a_damaged_database_of_another_program_is_left_alone(record: Begin, path: Path) -> None:
    with closing(sqlite3.connect(path)) as database:
        database.execute("CREATE TABLE songs (title)")
    spoilt = b"garbage garbage " + path.read_bytes()[16:]
    path.write_bytes(spoilt)
    record().await_note("expected a history database or no file")
    assert path.read_bytes() == spoilt


def test_tries_are_made_more_and_more_slowly(monkeypatch: pytest.MonkeyPatch, record: Begin) -> None:
    moments: list[float] = []

    def failing(*_args: Any, **_options: Any) -> None:
        moments.append(time.monotonic())
        raise sqlite3.OperationalError

    monkeypatch.setattr(module, "HistoryFile", failing)
    one = record()
    one.history.put(change(16))
    eventually(lambda: len(moments) > 4, "some tries")
    pauses = [after - before for before, after in pairwise(moments)]
    assert all(pause >= 0.05 * 2**number for number, pause in enumerate(pauses))


def test_rows_that_no_database_takes_are_given_up_and_the_next_are_written(record: Begin) -> None:
    one = record()
    one.await_rows(0)
    one.put(2**70, 17)
    one.await_note("not recording")
    one.put(18)
    one.await_rows(18)
    one.await_all_well()
    gap = one.history.take_gap()
    assert gap is not None
    assert gap.rows == 2


def test_what_had_to_be_dropped_is_counted_and_said(record: Begin, path: Path) -> None:
    one = record()
    one.await_rows(0)
    with locked(path):
        for sequence in range(16, 16 + module.MAX_SAMPLES + 100):
            one.history.put(sample(sequence))
        one.history.put(doubt(8))
        one.await_note("locked")
    one.await_all_well()
    one.await_rows(8)
    gap = one.history.take_gap()
    assert gap is not None
    assert "locked" in gap.why
    kept = [row.sequence for row in rows(path) if row.kind == RowKind.SAMPLE]
    assert kept == list(range(16 + gap.rows, 16 + module.MAX_SAMPLES + 100))
    assert gap.rows >= 100


# ---- a slow disk ----


def test_a_disk_that_hangs_holds_nobody_up_and_takes_no_more_memory(
    record: Begin, monkeypatch: pytest.MonkeyPatch
) -> None:
    hangs, goes_on = threading.Event(), threading.Event()
    write = HistoryFile.write

    def hanging(file: HistoryFile, *args: Any, **options: Any) -> None:
        hangs.set()
        goes_on.wait(30)
        write(file, *args, **options)

    one = record()
    one.await_rows(0)
    monkeypatch.setattr(HistoryFile, "write", hanging)
    one.history.put(change(16))
    assert hangs.wait(5)
    longest_s = 0.0
    for sequence in range(32, 32 + 3 * module.MAX_SAMPLES):
        began = time.perf_counter()
        one.history.put(sample(sequence))
        one.history.extend(sequence, 1.0)
        longest_s = max(longest_s, time.perf_counter() - began)
    began = time.perf_counter()
    assert not one.history.close(0.1), "the end does not wait for ever either"
    assert time.perf_counter() - began < 1.0
    assert longest_s < 0.5
    assert len(one.history._backlog._batch.samples) == module.MAX_SAMPLES
    assert len(one.history._backlog._batch.extended) == module.MAX_SAMPLES
    goes_on.set()
    assert one.history.close(10)
    gap = one.history.take_gap()
    assert gap == Gap(2 * module.MAX_SAMPLES, "more rows than there was room for")


def test_a_listener_that_fails_does_not_end_the_recording(path: Path) -> None:
    def failing(_note: str) -> None:
        raise RuntimeError

    path.write_bytes(b"\0" * 5000)
    history = HistoryWriter(path, FAST, failing, lambda: NOON)
    history.begin(*start())
    history.put(change(16))
    assert history.close(10)
    assert sequences(path) == [("b1", 0), ("b1", 16)]


def test_a_batch_of_all_kinds_is_written_in_one_commit(record: Begin, calls: list[bool]) -> None:
    one = record(options=NEVER_BY_ITSELF)
    one.await_rows(0)
    one.put(*range(16, 100))
    one.history.put(doubt(100))
    one.history.put(change(101))
    one.await_rows(16, 100, 101)
    assert calls == [True]
    assert batch().is_empty
