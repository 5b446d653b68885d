"""The power goes at any moment; and what a day costs the card."""

import os
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import pytest
from histories import NOON, batch, change, is_whole, open_file, rows, sample, sequences, start
from waiting import PATIENCE_S

from dumpload.history.file import HistoryFile
from dumpload.history.reader import HistoryError
from dumpload.history.schema import RowKind
from dumpload.history.writer import BATCH_S

ROUNDS = 250
TORN = 50
BATCHES_A_DAY = int(86_400 / BATCH_S)
SWITCHINGS_A_DAY = 50
VICTIM = Path(__file__).with_name("history_victim.py")
STRACE = shutil.which("strace")


class Victim:
    """A writer that is started over and over on the same file, and killed each time."""

    def __init__(self, path: Path) -> None:
        command = [sys.executable, str(VICTIM), str(path)]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.committed: dict[str, set[int]] = {}

    def write_and_die(self, number: int, after_s: float) -> None:
        """Start it, kill it so long after its start, and remember what it said was committed."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(f"{number}\n")
        self.process.stdin.flush()
        child = int(self.process.stdout.readline().split()[1])
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
        told = self.committed.setdefault(f"round-{number}", set())
        while (line := self.process.stdout.readline()) != "ended\n":
            said_by, *written = line.split()
            assert said_by == str(number), line
            told.update(map(int, written))

    def close(self) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(10)
        self.process.stdout.close()


@pytest.fixture
def victim(tmp_path: Path) -> Iterator[Victim]:
    one = Victim(tmp_path / "history.sqlite3")
    yield one
    one.close()


@pytest.mark.slow
def test_whenever_it_is_killed_nothing_committed_is_lost_and_nothing_is_there_twice(
    tmp_path: Path, victim: Victim
) -> None:
    """Killed while it opens, writes, syncs and folds the log into the file; each start finds what the last one left."""
    path = tmp_path / "history.sqlite3"
    chance = random.Random(20250616)  # noqa: S311  (reproducible, not secret)
    for number in range(ROUNDS):
        victim.write_and_die(number, chance.choice([0.005, 0.02, 0.06]) * chance.random() * 2)
        if number % 10 == 0 and path.exists():
            assert is_whole(path)
    found = sequences(path)
    assert len(found) == len(set(found))
    assert is_whole(path)
    there: dict[str, set[int]] = {}
    for boot_id, sequence in found:
        there.setdefault(boot_id, set()).add(sequence)
    lost = {boot_id: told - there.get(boot_id, set()) for boot_id, told in victim.committed.items()}
    assert not any(lost.values())
    assert sum(map(len, victim.committed.values())) > ROUNDS, "hardly anything was written: this shows nothing"
    assert not list(tmp_path.glob("*damaged*"))


class Cut(NamedTuple):
    """What the card held when the power went: before the commit, in the middle of it, and the journal of it."""

    before: bytes
    amid: bytes
    journal: bytes


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Cut:
    """A file whose last commit was a relay change, and a large one begun since, of which pages have been written."""
    path = tmp_path_factory.mktemp("interrupted") / "history.sqlite3"
    file = open_file(path)
    file.write(batch(*(sample(number) for number in range(16, 500))), durable=False)
    file.write(batch(change(500)), durable=True)
    before = path.read_bytes()
    file._database.execute("BEGIN IMMEDIATE")
    file._database.execute("UPDATE record SET value = 1")
    for number in range(501, 30_000):  # more than the cache holds: what it has no room for goes into the file
        file._database.execute("INSERT INTO record VALUES (1, ?, 0, 2, 0, 0, 0, 0, 0, 0, 'x')", (number,))
    during = Cut(before, path.read_bytes(), Path(f"{path}-journal").read_bytes())
    file._database.execute("ROLLBACK")
    file.close()
    assert len(during.journal) > 10_000
    assert during.amid[: len(before)] != before
    return during


def found_after(path: Path, database: bytes, journal: bytes) -> None:
    """Check that what was committed, and only that, is there, and that the next start goes on."""
    path.write_bytes(database)
    Path(f"{path}-journal").write_bytes(journal)
    assert is_whole(path)
    assert [row.sequence for row in rows(path)] == [0, *range(16, 501)]
    assert {row.value for row in rows(path)[1:485]} == {98.0}
    file = open_file(path, start("next"))
    file.write(batch(change(16)), durable=True)
    file.close()
    assert sequences(path)[-2:] == [("next", 0), ("next", 16)]


def test_a_reader_that_comes_before_the_next_start_takes_back_what_was_cut_off(tmp_path: Path, cut: Cut) -> None:
    """Read past the journal there was a row twice, and another time no database at all."""
    path = tmp_path / "history.sqlite3"
    path.write_bytes(cut.amid)
    Path(f"{path}-journal").write_bytes(cut.journal)
    assert [row.sequence for row in rows(path)] == [0, *range(16, 501)]
    assert {row.value for row in rows(path)[1:485]} == {98.0}
    assert is_whole(path)


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root to become another user")
def test_a_reader_that_may_not_write_says_what_takes_it_back(cut: Cut) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder, "history.sqlite3")
        path.write_bytes(cut.amid)
        Path(f"{path}-journal").write_bytes(cut.journal)
        Path(folder).chmod(0o755)
        os.seteuid(65_534)
        try:
            with pytest.raises(HistoryError, match=r"a write to it was interrupted.*sudo.*start the daemon"):
                rows(path)
        finally:
            os.seteuid(0)
        assert path.read_bytes() == cut.amid


PAGE = 4096


@pytest.mark.parametrize("page", ["old", "zeros", "garbage", "half"])
def test_a_power_cut_in_the_middle_of_a_commit_leaves_what_was_there_before(
    tmp_path: Path, cut: Cut, page: str
) -> None:
    """The journal has reached the card; of the pages written since, any may have, in any order, whole or not."""
    chance = random.Random(page)  # noqa: S311  (reproducible, not secret)
    for _ in range(TORN):
        database = bytearray(cut.amid[: chance.randrange(len(cut.before), len(cut.amid) + 1)])
        for at in range(0, len(cut.before), PAGE):
            old, new = cut.before[at : at + PAGE], cut.amid[at : at + PAGE]
            if old == new or chance.random() < 0.5:
                continue
            spoiled = {
                "old": old,
                "zeros": bytes(PAGE),
                "garbage": chance.randbytes(PAGE),
                "half": new[:512] + old[512:],
            }
            database[at : at + PAGE] = spoiled[page]
        found_after(tmp_path / "history.sqlite3", bytes(database), cut.journal)


@pytest.mark.parametrize("tail", ["is missing", "is zeros", "is garbage"])
def test_a_power_cut_before_the_journal_is_all_there_leaves_what_was_there_before(
    tmp_path: Path, cut: Cut, tail: str
) -> None:
    """No page of the database is written before the journal is synced."""
    chance = random.Random(tail)  # noqa: S311  (reproducible, not secret)
    for _ in range(TORN):
        at = chance.randrange(len(cut.journal))
        rest = {"is missing": 0, "is zeros": bytes, "is garbage": chance.randbytes}[tail]
        spoiled = cut.journal[:at] + (rest(len(cut.journal) - at) if callable(rest) else b"")
        found_after(tmp_path / "history.sqlite3", cut.before, spoiled)


# ---- what a day costs ----


def live_a_day(path: Path, samples_a_minute: int) -> HistoryFile:
    """Write what a day's batches write at most, and a busy day's relay changes."""
    file = open_file(path)
    sequence = 16
    count = int(samples_a_minute * BATCH_S / 60)
    for number in range(BATCHES_A_DAY):
        t = number * BATCH_S
        entries = [
            sample(sequence + place, 90 + place / 7, wall=NOON + t + place, t=t + place) for place in range(count)
        ]
        file.write(batch(*entries, extended={sequence - 1 - place: t for place in range(6)}), durable=False)
        sequence += count + 4
        if number * SWITCHINGS_A_DAY % BATCHES_A_DAY < SWITCHINGS_A_DAY:
            file.write(batch(change(sequence - 1)), durable=True)
    return file


def test_a_day_is_so_many_commits(tmp_path: Path) -> None:
    made: list[str] = []
    path = tmp_path / "history.sqlite3"
    open_file(path).close()
    connect = sqlite3.connect

    def traced(*args: object, **options: object) -> sqlite3.Connection:
        database: sqlite3.Connection = connect(*args, **options)  # type: ignore[call-overload]
        database.set_trace_callback(made.append)
        return database

    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setattr(sqlite3, "connect", traced)
        live_a_day(path, 6).close()
    assert made.count("COMMIT") == 1 + BATCHES_A_DAY + SWITCHINGS_A_DAY
    assert sum(row.kind == RowKind.CHANGE for row in rows(path)) == SWITCHINGS_A_DAY


DAY = """
import sys
from pathlib import Path
from test_history_power import live_a_day
live_a_day(Path(sys.argv[1]), int(sys.argv[2]))
"""


@pytest.mark.slow
@pytest.mark.skipif(STRACE is None, reason="strace is not installed")
@pytest.mark.parametrize(("samples_a_minute", "megabytes"), [(6, 40), (60, 70)])
def test_a_day_writes_and_syncs_so_much(tmp_path: Path, samples_a_minute: int, megabytes: float) -> None:
    """Counted at the system calls: 6 signals that hardly change, and a kept sample every second."""
    path, trace = tmp_path / "history.sqlite3", tmp_path / "trace"
    open_file(path).close()
    calls = ["-f", "-e", "trace=pwrite64,fdatasync,fsync,ftruncate", "-o", str(trace)]
    command = [str(STRACE), *calls, sys.executable, "-c", DAY, str(path), str(samples_a_minute)]
    done = subprocess.run(command, cwd=VICTIM.parent, capture_output=True, text=True, check=False, timeout=PATIENCE_S)
    if "ptrace" in done.stderr.lower() and done.returncode:
        pytest.skip("this user may not trace")
    assert done.returncode == 0, done.stderr
    text = trace.read_text()
    written = sum(int(size) for size in re.findall(r"pwrite64\(.*\) = (\d+)", text))
    syncs = len(re.findall(r"f(?:data)?sync\(", text))
    print(f"{samples_a_minute} a minute: {written / 1e6:.1f} MB, {syncs} syncs")
    assert BATCHES_A_DAY < syncs <= 5 * SWITCHINGS_A_DAY + 3 * BATCHES_A_DAY + 60
    assert written < megabytes * 1e6
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("SELECT count(*) FROM record").fetchone()[0] > 1440 * samples_a_minute
