"""What the record may never do to its process: map a file that a full disk takes away, or pass its size limit."""

import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from histories import LIMITS, NOON, batch, change, fill, is_whole, look, open_file, rows, sample, sequences, start
from hypothesis import given, settings
from hypothesis import strategies as st

from dumpload.history.file import RESERVE_BYTES, HistoryFile
from dumpload.history.schema import Entry, RowKind


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite3"


# ---- no mapped file ----


def mapped(path: Path) -> list[str]:
    """Return the lines of this process's memory map that are of files in the history's folder."""
    return [line for line in Path("/proc/self/maps").read_text().splitlines() if str(path.parent) in line]


def with_a_write_ahead_log(path: Path, *, killed: bool) -> None:
    """Leave the file as the first version of the program did: closed in good order, or with its log beside it."""
    fill(path, [sample(16)], "before")
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("UPDATE record SET value = 97 WHERE sequence = 16")
        if killed:
            for end in ("", "-wal"):
                shutil.copy(f"{path}{end}", f"{path}.copy{end}")
    if killed:
        for end in ("", "-wal"):
            Path(f"{path}.copy{end}").rename(f"{path}{end}")


@pytest.mark.parametrize("before", ["nothing", "a history", "a write-ahead log", "a write-ahead log, killed"])
def test_no_file_of_the_record_is_mapped_into_the_process(path: Path, before: str) -> None:
    """Where no block can be had for a page of a mapped file, the kernel kills who touches it."""
    if before == "a history":
        fill(path, [sample(16)], "before")
    elif before != "nothing":
        with_a_write_ahead_log(path, killed="killed" in before)
    seen: list[str] = []

    def look_around(_statement: str) -> None:
        seen.extend(mapped(path))

    connect = sqlite3.connect

    def watched(*args: object, **options: object) -> sqlite3.Connection:
        database: sqlite3.Connection = connect(*args, **options)  # type: ignore[call-overload]
        database.set_trace_callback(look_around)
        return database

    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setattr(sqlite3, "connect", watched)
        file = open_file(path)
        file.write(batch(sample(32), change(33)), durable=True)
        file.write(batch(sample(34)), durable=False)
        seen.extend(mapped(path))
        file.close()
    assert not seen
    assert sequences(path)[-3:] == [("b1", 32), ("b1", 33), ("b1", 34)]
    if before == "a write-ahead log":
        assert rows(path)[1].value == 97.0
    assert not Path(f"{path}-wal").exists()


FILL = """
import os, sqlite3, sys
from pathlib import Path
from histories import batch, fill, open_file, sample, start
folder, free_kb = Path(sys.argv[1]), int(sys.argv[2])
fill(folder / "history.sqlite3", [sample(number) for number in range(16, 316)], "before")
os.sync()
filler = os.open(folder / "filler", os.O_WRONLY | os.O_CREAT)
try:
    while True:
        os.write(filler, b"x" * 1024)
except OSError:
    pass
os.ftruncate(filler, max(0, os.fstat(filler).st_size - 1024 * free_kb))
os.fsync(filler)
os.sync()
refused = 0
for number in range(3):
    try:
        file = open_file(folder / "history.sqlite3", start(f"b{number}"))
    except sqlite3.Error:
        refused += 1
        continue
    try:
        for step in range(40):
            file.write(batch(*(sample(16 + 10 * step + more) for more in range(10))), durable=step % 3 == 0)
    except sqlite3.Error:
        refused += 1
    file.close()
print("lived", refused)
"""


@pytest.fixture(scope="module")
def small_disk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """An ext4 of 8 MB with blocks of 1 KiB, mounted."""
    folder = tmp_path_factory.mktemp("disk")
    image, mounted = folder / "image", folder / "mounted"
    mounted.mkdir()
    image.write_bytes(b"")
    os.truncate(image, 8_000_000)
    made = shutil.which("mkfs.ext4") and subprocess.run(["mkfs.ext4", "-q", "-b", "1024", image], check=False)
    if not made or made.returncode:
        pytest.skip("no mkfs.ext4")
    if subprocess.run(["mount", "-o", "loop", image, mounted], check=False, capture_output=True).returncode:
        pytest.skip("this user may not mount")
    yield mounted
    subprocess.run(["umount", mounted], check=True)


@pytest.mark.parametrize("free_kb", [4, 8, 12, 16, 20, 24, 28, 32, 64])
def test_a_nearly_full_disk_costs_rows_and_not_the_process(small_disk: Path, free_kb: int) -> None:
    """Reproduced with a mapped -shm file: SIGBUS with 8 to 32 KiB free, each time."""
    for left in small_disk.iterdir():
        if left.is_file():
            left.unlink()
    done = subprocess.run(
        [sys.executable, "-c", FILL, str(small_disk), str(free_kb)],
        cwd=Path(__file__).parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, (done.returncode, done.stderr)
    assert done.stdout.startswith("lived"), done.stdout
    assert is_whole(small_disk / "history.sqlite3")
    assert sequences(small_disk / "history.sqlite3")[:301] == [("before", number) for number in (0, *range(16, 316))]


# ---- a reader beside the writer ----


def test_reading_all_the_time_keeps_no_row_from_being_written_and_none_from_being_read(path: Path) -> None:
    """`report` and `replay` beside a running daemon; the writer waits at most BUSY_S for a reader's page."""
    fill(path, [sample(number) for number in range(16, 12_000)], "before")
    file = open_file(path)
    ended = threading.Event()
    read: list[int] = []

    def read_on() -> None:
        while not ended.is_set():
            read.append(len(rows(path)))

    readers = [threading.Thread(target=read_on) for _ in range(2)]
    for reader in readers:
        reader.start()
    for number in range(16, 216):
        file.write(batch(sample(number)), durable=number % 5 == 0)
    ended.set()
    for reader in readers:
        reader.join()
    file.close()
    assert min(read) >= 11_985
    assert len(rows(path)) == 11_985 + 201


# ---- the size limit, whatever is written ----


def size(path: Path) -> int:
    """Return what the record takes on the disk, its journal included."""
    return sum(file.stat().st_size for file in path.parent.iterdir() if file.name.startswith(path.name))


def rows_of(kind: RowKind, number: int, letters: int) -> Entry:
    return Entry(number, NOON, kind, 0.0, 0.0, 0.0, text="x" * letters)


ROOM = 1_000_000
KINDS = st.sampled_from(list(RowKind))
BATCHES = st.lists(st.tuples(KINDS, st.integers(1, 300), st.sampled_from([0, 100, 2000])), min_size=1, max_size=4)


@given(pattern=BATCHES)
@settings(max_examples=8, deadline=None)
def test_the_size_limit_holds_whatever_is_written(
    tmp_path_factory: pytest.TempPathFactory, pattern: list[tuple[RowKind, int, int]]
) -> None:
    """It was 28 MB with a limit of 10, since batches with a relay change deleted nothing."""
    path = tmp_path_factory.mktemp("limit") / "history.sqlite3"
    limits = LIMITS._replace(max_bytes=RESERVE_BYTES + ROOM)
    file = open_file(path, limits=limits)
    number = 16
    for _round in range(10):
        for kind, count, letters in pattern:
            entries = [rows_of(kind, number + more, letters) for more in range(count)]
            number += count
            urgent = kind in (RowKind.START, RowKind.STOP, RowKind.CHANGE)
            file.write(batch(*entries), durable=urgent)
            assert size(path) <= limits.max_bytes
    file.close()
    kept = [row.sequence for row in rows(path)]
    assert [0, *kept[1:]] == [0, *range(number - len(kept) + 1, number)], "the newest are all there, without a hole"
    assert is_whole(path)


def test_relay_changes_alone_do_not_pass_the_limit(path: Path) -> None:
    limits = LIMITS._replace(max_bytes=RESERVE_BYTES + ROOM)
    file = open_file(path, limits=limits)
    for number in range(16, 216):
        file.write(batch(rows_of(RowKind.CHANGE, number, 20_000)), durable=True)
    assert size(path) <= limits.max_bytes
    file.close()


def test_a_backlog_of_hours_is_written_in_parts_and_stays_within_the_limit(path: Path) -> None:
    """The disk was away for a day: what waited must not pass the limit in one transaction, its journal included."""
    limits = LIMITS._replace(max_bytes=RESERVE_BYTES + ROOM)
    file = open_file(path, limits=limits)
    fill_up = [rows_of(RowKind.SETTINGS, number, 8000) for number in range(16, 1016)]
    largest = 0
    execute = HistoryFile._keep_size

    def measured(one: HistoryFile, *args: int) -> None:
        nonlocal largest
        execute(one, *args)
        largest = max(largest, size(path))

    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setattr(HistoryFile, "_keep_size", measured)
        file.write(batch(*fill_up), durable=True)
    assert max(largest, size(path)) <= limits.max_bytes
    file.close()
    assert look(path, "SELECT max(sequence) FROM record") == 1015


def test_a_file_far_over_a_lowered_limit_shrinks_also_by_relay_changes(path: Path) -> None:
    fill(path, [sample(number) for number in range(16, 100_016)])
    assert size(path) > 2.5 * ROOM
    file = open_file(path, start("b2"), LIMITS._replace(max_bytes=RESERVE_BYTES + ROOM))
    for number in range(16, 100):
        file.write(batch(change(number)), durable=True)
    file.close()
    assert size(path) < 1.5 * ROOM
    assert is_whole(path)
