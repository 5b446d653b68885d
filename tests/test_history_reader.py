"""Reading the history: in the order of what happened, while it is written, and never changing it."""

import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from histories import NOON, batch, change, fill, open_file, rows, sample, sequences, start

from dumpload.history import reader as history_reader
from dumpload.history.reader import HistoryError, read_events
from dumpload.history.schema import RowKind


def test_a_row_comes_back_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    fill(path, [change(16, wall=NOON + 1.5), sample(17, 98.25, wall=NOON + 2, t=7.125, signal=5)])
    first, moved, measured = rows(path)
    assert (first.kind, first.boot_id, first.sequence) == (RowKind.START, "b1", 0)
    assert moved == (NOON + 1.5, "b1", 16, RowKind.CHANGE, -1, 1.0, 15, "{}", 0.0, 0.0, 0.0)
    assert measured == (NOON + 2, "b1", 17, RowKind.SAMPLE, 5, 98.25, 0, "", 7.125, 7.125, 7.125)


def test_starts_come_in_their_order_whatever_the_clock_said(tmp_path: Path) -> None:
    """The board has no clock of its own: the second start began years before the first, and stepped in the middle."""
    path = tmp_path / "history.sqlite3"
    fill(path, [sample(16, wall=NOON)], "z")
    fill(path, [sample(18, wall=NOON + 60), sample(17, wall=1000.0)], "a")
    assert sequences(path) == [("z", 0), ("z", 16), ("a", 0), ("a", 17), ("a", 18)]


def test_many_rows_come_page_by_page(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    count = 2 * history_reader.PAGE_ROWS
    fill(path, [sample(number) for number in range(1, count)])
    fill(path, [sample(1)], "b2")
    assert [row.sequence for row in read_events(path)] == [*range(count), 0, 1]


def test_a_slow_reader_does_not_stand_in_the_writers_way(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    file = open_file(path, start("b1"))
    file.write(batch(*(sample(number) for number in range(1, 6000))), durable=False)
    reading = read_events(path)
    assert next(reading).sequence == 0
    file.write(batch(sample(6000)), durable=True)
    assert [row.sequence for row in reading][-1] == 6000
    file.close()


def test_reading_writes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    fill(path, [sample(1)])
    before = path.read_bytes()
    rows(path)
    assert path.read_bytes() == before


def test_a_missing_file_is_an_error_and_is_not_made(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    with pytest.raises(HistoryError, match="there is no such file"):
        read_events(path)
    assert not path.exists()


def other_database(path: Path) -> None:
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE x (y)")
    database.close()


@pytest.mark.parametrize(
    "spoil",
    [
        lambda path: path.write_bytes(b""),
        lambda path: path.write_bytes(b"\0" * 9000),
        lambda path: path.write_text("time,state_of_charge\n" * 99),
        other_database,
    ],
)
def test_what_is_no_history_is_refused_at_once_and_named(tmp_path: Path, spoil: Callable[[Path], object]) -> None:
    path = tmp_path / "history.sqlite3"
    spoil(path)
    with pytest.raises(HistoryError, match=r"history\.sqlite3: expected a history database"):
        read_events(path)


def test_a_file_of_a_newer_schema_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    fill(path, [sample(1)])
    database = sqlite3.connect(path)
    database.execute("PRAGMA user_version = 99")
    database.close()
    with pytest.raises(HistoryError, match="schema 1 to"):
        read_events(path)


def test_damage_in_the_middle_is_an_error_after_what_could_be_read(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    fill(path, [sample(number) for number in range(1, 20_000)])
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2)
        file.write(b"\xff" * 40_960)
    reading = read_events(path)
    assert [next(reading).sequence for _ in range(history_reader.PAGE_ROWS)] == list(range(history_reader.PAGE_ROWS))
    with pytest.raises(HistoryError, match="can be read"):
        list(reading)


@pytest.mark.parametrize("content", [b"no database " * 500, b"SQLite format 3\0" + b"\xff" * 4096])
def test_a_file_that_cannot_be_read_is_not_kept_open(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "history.sqlite3"
    path.write_bytes(content)
    with pytest.raises(HistoryError) as caught:
        read_events(path)
    assert caught.value is not None
    assert path.resolve() not in {fd.resolve() for fd in Path("/proc/self/fd").iterdir()}


READ_AS_NOBODY = """
import os, sys, urllib.parse
from pathlib import Path
from dumpload.history.reader import read_events
os.setgid(65534), os.setuid(65534)
print([row.sequence for row in read_events(Path(sys.argv[1]))])
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
@pytest.mark.parametrize("daemon_runs", [False, True])
def test_who_may_only_read_the_file_can_read_the_history(daemon_runs: bool) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        path = folder / "history.sqlite3"
        fill(path, [sample(1)])
        file = open_file(path, check=False) if daemon_runs else None
        done = subprocess.run(
            [sys.executable, "-c", READ_AS_NOBODY, str(path)], capture_output=True, text=True, check=False, cwd="/"
        )
        if file is not None:
            file.close()
    assert (done.stdout, done.returncode) == ("[0, 1]\n", 0), done.stderr


# ---- from a moment on ----


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three starts of an hour each, a sample a minute with holes in the numbers, and the relay moved in each."""
    path = tmp_path_factory.mktemp("long") / "history.sqlite3"
    for number in range(3):
        begin = NOON + 4000 * number
        file = open_file(path, start(f"b{number}", begin))
        moved = [change(16 * 10 + 1, wall=begin + 601), change(16 * 30 + 1, wall=begin + 1801, on=False)]
        file.write(batch(*(sample(16 * at, wall=begin + 60 * at) for at in range(1, 60)), *moved), durable=True)
        file.close()
    return path


@pytest.mark.parametrize(
    "since",
    [NOON - 1e6, NOON, NOON + 1, NOON + 600.5, NOON + 601, NOON + 3599, NOON + 3999, NOON + 4000, NOON + 4001,
     NOON + 5500, NOON + 9000, NOON + 11_540, NOON + 11_541, NOON + 1e6],
)  # fmt: skip
def test_from_a_moment_on_there_is_every_row_and_where_the_relay_was(long: Path, since: float) -> None:
    every, found = rows(long), [*read_events(long, since)]
    wanted = [row for row in every if row.wall >= since]
    assert found[len(found) - len(wanted) :] == wanted
    before = found[: len(found) - len(wanted)]
    assert len(before) <= 3, "not much of what was before is read"
    says_where = [row for row in every if row.wall < since and row.kind != RowKind.SAMPLE]
    if says_where:
        assert [row for row in found if row.wall < since and row.kind != RowKind.SAMPLE][-1] == says_where[-1]


def test_an_empty_start_is_no_obstacle(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    fill(path, [sample(1)])
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("INSERT INTO boots (boot_id, wall, t, version) VALUES ('b9', 0, 0, '')")
        database.execute("UPDATE record SET wall = 'noon' WHERE sequence = 1")
    assert [row.sequence for row in read_events(path, NOON)][-1] == 1
