"""The running daemon keeps its record, and no fault of the disk is one of the control (case 43)."""

import json
import signal
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from daemons import Daemon
from histories import fill, rows, sample
from rig import FULL, Barge
from waiting import boot_clock, eventually

from dumpload.core.law import Cause
from dumpload.history.reader import HistoryError
from dumpload.history.schema import HistoryRow, RowKind

pytestmark = pytest.mark.broker
pytest_plugins = ("daemon_fixtures",)

LOW = 60
# Far above what an off takes, far below what a disk can take.
REACTION_S = 1.0


def record(daemon: Daemon) -> list[HistoryRow]:
    try:
        return rows(daemon.folder / "history.sqlite3")
    except HistoryError:
        return []


def of(daemon: Daemon, *kinds: RowKind) -> list[HistoryRow]:
    return [row for row in record(daemon) if row.kind in kinds]


def await_row(daemon: Daemon, kind: RowKind, count: int = 1) -> HistoryRow:
    eventually(lambda: len(of(daemon, kind)) >= count, f"{kind.name} in the record")
    return of(daemon, kind)[-1]


def test_without_a_path_no_database_library_is_loaded(barge: Barge, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("COVERAGE_PROCESS_CONFIG", "COVERAGE_PROCESS_START"):
        monkeypatch.delenv(name, raising=False)  # measuring coverage would load it
    daemon = barge.started_on()
    assert "_sqlite3" not in Path(f"/proc/{daemon.pid}/maps").read_text()


def test_a_relay_change_is_in_the_record_at_once_and_outlives_a_kill(barge: Barge) -> None:
    daemon = barge.started_on(history__path="history.sqlite3")
    change = await_row(daemon, RowKind.CHANGE)
    daemon.kill()
    assert [
        (row.kind, row.value, row.cause) for row in record(daemon) if row.kind in (RowKind.START, RowKind.CHANGE)
    ] == [
        (RowKind.START, 0, Cause.NONE),
        (RowKind.CHANGE, 1, Cause.SURPLUS),
    ]
    assert json.loads(change.text) == barge.changes[0]
    assert change.boot_id == barge.status["boot_id"]
    assert of(daemon, RowKind.SAMPLE)[0].value == FULL


def test_every_change_is_published_recorded_and_logged_as_one(barge: Barge) -> None:
    """The change at the stop was decided twice: published and recorded rows differed by 1 to 7 ms in 4 of 8 stops."""
    daemon = barge.daemon(history__path="history.sqlite3")
    for _ in range(3):
        daemon.start()
        barge.await_presence("up")
        barge.source.set(FULL)
        barge.expect("on", "surplus")
        barge.source.set(LOW)
        barge.expect("off", "below_cut_out")
        barge.source.set(FULL)
        barge.expect("on", "surplus")
        assert daemon.stop() == 0
        barge.expect("off", "stopping")
    recorded = [json.loads(row.text) for row in of(daemon, RowKind.CHANGE)]
    logged = [{key: entry[key] for key in recorded[0]} for entry in daemon.logged("relay_changed")]
    assert len(recorded) == 12
    assert recorded == barge.changes == logged


def test_no_file_of_the_record_is_mapped_into_the_daemon(barge: Barge) -> None:
    """A nearly full disk would end it with SIGBUS."""
    daemon = barge.started_on(history__path="history.sqlite3")
    await_row(daemon, RowKind.CHANGE)
    maps = Path(f"/proc/{daemon.pid}/maps").read_text()
    assert "_sqlite3" in maps
    assert "history.sqlite3" not in maps


def test_each_start_follows_the_last_and_the_end_in_good_order_is_a_row(barge: Barge) -> None:
    daemon = barge.started_on(history__path="history.sqlite3")
    daemon.stop()
    barge.expect("off", "stopping")
    daemon.start()
    barge.await_presence("up")
    eventually(lambda: len(of(daemon, RowKind.START)) == 2, "a second start")
    ends = [row for row in record(daemon) if row.kind in (RowKind.START, RowKind.CHANGE, RowKind.STOP)]
    assert [(row.kind, row.cause) for row in ends][:5] == [
        (RowKind.START, Cause.NONE),
        (RowKind.CHANGE, Cause.SURPLUS),
        (RowKind.CHANGE, Cause.STOPPING),
        (RowKind.STOP, Cause.NONE),
        (RowKind.START, Cause.NONE),
    ]
    assert len({row.boot_id for row in ends}) == 2


def test_commands_and_new_settings_are_rows(barge: Barge) -> None:
    daemon = barge.start(history__path="history.sqlite3", control__cut_in_percent=99.0)
    barge.ask(selector="off")
    text = daemon.config.read_text().replace("99.0", "98.5")
    daemon.config.write_text(text)
    daemon.signal(signal.SIGHUP)
    daemon.await_log("reloaded")
    daemon.stop()
    assert [row.value for row in of(daemon, RowKind.SELECT)] == [0]
    settings = json.loads(of(daemon, RowKind.SETTINGS)[0].text)["settings"]
    assert settings["control.cut_in_percent"] == 98.5
    assert json.loads(of(daemon, RowKind.START)[0].text)["settings"]["control.cut_in_percent"] == 99.0


def damaged(path: Path) -> None:
    fill(path, [sample(number) for number in range(16, 5000)])
    path.write_bytes(path.read_bytes()[:30_000])


def foreign(path: Path) -> None:
    with closing(sqlite3.connect(path)) as database:
        database.execute("CREATE TABLE songs (title)")


@pytest.mark.parametrize(
    ("prepare", "words"),
    [
        (lambda path: path.write_bytes(b"\0" * 9000), "was damaged"),
        (damaged, "was damaged"),
        (foreign, "another program's database"),
        (lambda path: path.symlink_to("/proc/history.sqlite3"), "unable to open"),
        (lambda path: path.symlink_to("/nowhere/at/all"), "unable to open"),
    ],
)
def test_where_the_record_cannot_be_kept_the_control_goes_on_and_it_is_said(
    barge: Barge, prepare: Callable[[Path], Any], words: str
) -> None:
    daemon = barge.daemon(history__path="history.sqlite3")
    prepare(daemon.folder / "history.sqlite3")
    daemon.start()
    barge.await_presence("up")
    barge.source.set(FULL)
    barge.expect("on", "surplus")
    note = eventually(lambda: next((n for n in barge.status["notes"] if words in n), ""), "a note in the status")
    assert note.startswith("history: ")
    daemon.await_log("fault", text=words)
    barge.source.set(LOW)
    asked_at = boot_clock()
    barge.expect("off", "below_cut_out")
    assert daemon.await_edge(on=False, after=asked_at).t - asked_at < REACTION_S
    daemon.stop()


def test_a_database_that_another_program_has_locked_delays_no_decision(barge: Barge) -> None:
    daemon = barge.started_on(history__path="history.sqlite3")
    await_row(daemon, RowKind.CHANGE)
    with closing(sqlite3.connect(daemon.folder / "history.sqlite3", isolation_level=None)) as database:
        database.execute("BEGIN IMMEDIATE")
        for _ in range(2):
            asked_at = barge.source.set(LOW)
            barge.expect("off", "below_cut_out")
            assert daemon.await_edge(on=False, after=asked_at - 1).t - asked_at < REACTION_S
            barge.source.set(FULL)
            barge.expect("on", "surplus")
        eventually(lambda: any("locked" in note for note in barge.status["notes"]), "a note in the status")
        assert len(of(daemon, RowKind.CHANGE)) == 1
        database.execute("ROLLBACK")
    await_row(daemon, RowKind.CHANGE, 5)
    eventually(lambda: not barge.status["notes"], "the note to go")
    assert [row.value for row in of(daemon, RowKind.CHANGE)] == [1, 0, 1, 0, 1]


def test_a_disk_that_fills_up_delays_no_decision_and_the_record_is_whole_afterwards(barge: Barge) -> None:
    """No file of the daemon may grow any more; then it may again."""
    resource = pytest.importorskip("resource")
    daemon = barge.started_on(history__path="history.sqlite3")
    await_row(daemon, RowKind.CHANGE)
    resource.prlimit(daemon.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
    asked_at = barge.source.set(LOW)
    barge.expect("off", "below_cut_out")
    assert daemon.await_edge(on=False, after=asked_at - 1).t - asked_at < REACTION_S
    eventually(lambda: any("not recording" in note for note in barge.status["notes"]), "a note in the status")
    resource.prlimit(daemon.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    await_row(daemon, RowKind.CHANGE, 2)
    eventually(lambda: not barge.status["notes"], "the note to go")
    assert daemon.stop() == 0


def test_the_days_on_time_outlives_a_kill_while_on(barge: Barge) -> None:
    """It began anew at every restart, and a program that died while on had not been on at all."""
    state = barge.folder / "state"
    state.mkdir()
    daemon = barge.daemon(permissive__max_on_per_day_s=3600.0)
    daemon.environ["STATE_DIRECTORY"] = str(state)

    def kept() -> dict[str, Any]:
        file = state / "kept.json"
        return json.loads(file.read_text()) if file.exists() else {}  # type: ignore[no-any-return]

    daemon.start()
    barge.await_presence("up")
    barge.source.set(FULL)
    barge.expect("on", "surplus")
    eventually(lambda: kept().get("on"), "that it is kept to be on")
    daemon.kill()
    barge.source.set(LOW)
    daemon.start()
    eventually(lambda: not kept()["on"], "that it is kept to be off")
    first_s = kept()["on_time_s"]
    assert first_s > 0.0
    assert daemon.stop() == 0
    assert kept()["on_time_s"] == first_s
