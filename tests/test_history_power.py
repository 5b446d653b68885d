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

import pytest
from histories import NOON, batch, change, is_whole, open_file, rows, sample, sequences, start

from dumpload.io.history_file import HistoryFile, Limits
from dumpload.io.history_schema import RowKind

ROUNDS = 250
TORN = 50
MINUTES_A_DAY = 1440
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


@pytest.fixture(scope="module")
def interrupted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """A file whose last sync was at a relay change, with much in its log since; and how long the log was then."""
    path = tmp_path_factory.mktemp("interrupted") / "history.sqlite3"
    file = open_file(path, limits=Limits(365, 200e6, checkpoint_pages=100_000))
    file.write(batch(*(sample(number) for number in range(16, 500))), durable=False)
    file.write(batch(change(500)), durable=True)
    synced = Path(f"{path}-wal").stat().st_size
    for number in range(501, 560):
        file.write(batch(*(sample(100 * number + more, number + more) for more in range(40))), durable=False)
    for end in ("", "-wal"):
        shutil.copy(f"{path}{end}", f"{path}.cut{end}")
    file.close()
    return Path(f"{path}.cut"), synced


@pytest.mark.parametrize("tail", ["is missing", "is zeros", "is garbage", "came out of order"])
def test_a_power_cut_takes_nothing_that_was_there_at_the_last_relay_change(
    tmp_path: Path, interrupted: tuple[Path, int], tail: str
) -> None:
    """What the system had not been told to sync may reach the card in part, late, or as anything at all."""
    source, synced = interrupted
    chance = random.Random(tail)  # noqa: S311  (reproducible, not secret)
    log = Path(f"{source}-wal").read_bytes()
    path = tmp_path / "history.sqlite3"
    kept = set()
    for _ in range(TORN):
        cut = chance.randrange(synced, len(log))
        rest = len(log) - cut
        spoiled = {
            "is missing": b"",
            "is zeros": bytes(rest),
            "is garbage": chance.randbytes(rest),
            "came out of order": bytes(min(4096, rest)) + log[cut + 4096 :],
        }[tail]
        shutil.copy(source, path)
        Path(f"{path}-wal").write_bytes(log[:cut] + spoiled)
        assert is_whole(path)
        found = [row.sequence for row in rows(path)]
        assert found[:486] == [0, *range(16, 501)]
        assert len(found) == len(set(found))
        kept.add(len(found))
        file = open_file(path, start("next"))
        file.write(batch(change(16)), durable=True)
        file.close()
        assert sequences(path)[-2:] == [("next", 0), ("next", 16)]
        for end in ("-wal", "-shm"):
            Path(f"{path}{end}").unlink(missing_ok=True)
    assert len(kept) > 10, "every cut took the same: this shows nothing"


# ---- what a day costs ----


def live_a_day(path: Path, samples_a_minute: int) -> HistoryFile:
    """Write what a day's batches write at most, and a busy day's relay changes."""
    file = open_file(path)
    sequence = 16
    for minute in range(MINUTES_A_DAY):
        entries = [
            sample(sequence + place, 90 + place / 7, wall=NOON + 60 * minute + place, t=60.0 * minute + place)
            for place in range(samples_a_minute)
        ]
        file.write(batch(*entries, extended={sequence - 1 - place: 60.0 * minute for place in range(6)}), durable=False)
        sequence += samples_a_minute + 4
        if minute * SWITCHINGS_A_DAY % MINUTES_A_DAY < SWITCHINGS_A_DAY:
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
    assert made.count("COMMIT") == 1 + MINUTES_A_DAY + SWITCHINGS_A_DAY
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
    done = subprocess.run(command, cwd=VICTIM.parent, capture_output=True, text=True, check=False, timeout=50)
    if "ptrace" in done.stderr.lower() and done.returncode:
        pytest.skip("this user may not trace")
    assert done.returncode == 0, done.stderr
    text = trace.read_text()
    written = sum(int(size) for size in re.findall(r"pwrite64\(.*\) = (\d+)", text))
    syncs = len(re.findall(r"f(?:data)?sync\(", text))
    print(f"{samples_a_minute} a minute: {written / 1e6:.1f} MB, {syncs} syncs")
    assert SWITCHINGS_A_DAY < syncs <= 2 * SWITCHINGS_A_DAY + 60
    assert written < megabytes * 1e6
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("SELECT count(*) FROM record").fetchone()[0] > MINUTES_A_DAY * samples_a_minute
