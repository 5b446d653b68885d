"""The daemon's own history as a record: runs, restarts, commands, and what a reader is told."""

import json
from pathlib import Path

import pytest
from histories import batch, fill, open_file, sample
from world import LIMITS, NOON, setup

from dumpload.core.law import Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal
from dumpload.history.file import Start
from dumpload.history.schema import Boot, Entry, RowKind
from dumpload.records.history import THINNED, HistoryRecord
from dumpload.records.record import ReadLog, RecordError
from dumpload.replay.replay import Result, replay
from dumpload.replay.replayer import Replayer, Scenario
from dumpload.replay.totals import LoadRating

QUICK = LIMITS._replace(confirm_s=0.0, min_on_s=0.0, min_off_s=0.0)


def row(sequence: int, kind: RowKind, t: float, *, value: float = 0.0, until: float | None = None) -> Entry:
    return Entry(sequence, NOON + t, kind, t, t, t if until is None else until, 0, value)


def write_start(path: Path, boot_id: str, wall: float, *rows: Entry, selector: str = "auto") -> None:
    """Write one start of the program whose monotonic clock began at 0 at `wall`."""
    text = json.dumps({"selector": selector, "lockout": "none"})
    first = Entry(0, wall, RowKind.START, 0.0, 0.0, 0.0, text=text)
    file = open_file(path, Start(Boot(boot_id, wall, 0.0, "test"), first))
    file.write(batch(*rows), durable=True)
    file.close()


def played(path: Path, *, judge_contact: bool = False) -> Result:
    return replay(HistoryRecord(path), Scenario(setup(QUICK), LoadRating(300.0, 1.92), judge_contact), ReadLog())


def changes(result: Result) -> list[tuple[float, str, str]]:
    return [(one.wall - NOON, one.position.name.lower(), one.cause.name.lower()) for one in result.changes]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite3"


def test_a_sample_is_live_as_long_as_it_went_on_arriving(path: Path) -> None:
    fill(path, [row(1, RowKind.SAMPLE, 5, value=98.0, until=300), row(2, RowKind.SAMPLE, 400, value=98.0, until=400)])
    result = played(path)
    assert changes(result) == [(5, "on", "surplus"), (360, "off", "data_lost"), (400, "on", "surplus")]
    assert result.summary.data_lost_s == 5 + 40
    assert (result.samples, result.accepted) == (2, 2)


def test_what_the_recorded_relay_did_is_no_part_of_it(path: Path) -> None:
    rows = [row(1, RowKind.SAMPLE, 5, value=80.0, until=50), row(2, RowKind.CHANGE, 20, value=1.0)]
    fill(path, [*rows, row(3, RowKind.LOST, 30), row(4, RowKind.FAULT, 40)])
    result = played(path)
    assert changes(result) == []
    assert result.log.rows == 5
    assert result.last == NOON + 40


def test_nothing_starts_on_part_of_a_message(path: Path) -> None:
    """Values of one message are rows of one moment; the change that the relay made then is no value."""
    low = Entry(4, NOON + 20, RowKind.SAMPLE, 20, 20, 20, Signal.BATTERY_VOLTAGE, 25.0)
    full = row(3, RowKind.SAMPLE, 20, value=98.0)
    first = Entry(1, NOON + 5, RowKind.SAMPLE, 5, 5, 5, Signal.BATTERY_VOLTAGE, 27.5)
    fill(path, [first, full, low, row(5, RowKind.SAMPLE, 30, value=98.0)])
    limits = PermissiveLimits(voltage_cut_out_v=26.0, voltage_cut_in_v=27.0)
    plan = Scenario(setup(QUICK, limits), LoadRating())
    assert changes(replay(HistoryRecord(path), plan, ReadLog())) == []


def test_a_recorded_change_does_not_keep_its_own_sample_from_starting(path: Path) -> None:
    fill(path, [row(1, RowKind.SAMPLE, 5, value=98.0), row(2, RowKind.CHANGE, 5, value=1.0)])
    assert changes(played(path)) == [(5, "on", "surplus")]


def test_a_selector_moved_by_a_person_is_moved_in_replay(path: Path) -> None:
    hand = row(2, RowKind.SELECT, 10, value=float(Selector.HAND), until=40)
    rows = [row(1, RowKind.SAMPLE, 5, value=80.0, until=100), hand, row(3, RowKind.SAMPLE, 90, value=80.0)]
    fill(path, rows)
    result = played(path)
    assert changes(result) == [(10, "on", "hand"), (40, "off", "hand_over")]
    assert "manual switches, replayed as recorded: 1" in result.log.notes


def test_every_start_of_the_program_begins_anew(path: Path) -> None:
    write_start(path, "a", NOON, row(1, RowKind.SAMPLE, 5, value=98.0, until=50), row(2, RowKind.STOP, 60))
    later = sample(1, 98.0, wall=NOON + 1010, t=10.0)
    write_start(path, "b", NOON + 1000, later, selector="off")
    result = played(path)
    assert changes(result) == [(5, "on", "surplus"), (60, "off", "stopping")]
    assert result.last == NOON + 1010
    assert any(
        note.startswith("restarts of the recorded program") and note.endswith(": 2") for note in result.log.notes
    )


def test_a_start_with_a_wrong_clock_does_not_lead_back_in_time(path: Path) -> None:
    """A board without a clock of its own starts in the past until the network tells the time."""
    write_start(path, "a", NOON, row(1, RowKind.SAMPLE, 100, value=98.0, until=150))
    write_start(path, "b", NOON - 5000, sample(1, 98.0, wall=NOON - 4990, t=10.0))
    items = list(HistoryRecord(path).read(ReadLog()))
    times = [item.t for item in items]
    assert times == sorted(times)
    assert played(path).summary.span_s >= 110


def test_a_reader_is_told_that_it_is_thinned(path: Path) -> None:
    fill(path, [row(1, RowKind.SAMPLE, 5, value=98.0), row(2, RowKind.GAP, 10, value=7.0)])
    notes = played(path).log.notes
    assert notes[0] == THINNED
    assert "gaps in the history's rows: 1" in notes


def test_how_much_is_read_is_told_on_the_way(path: Path) -> None:
    fill(path, [row(number, RowKind.SAMPLE, number, value=98.0) for number in range(1, 2500)])
    parts: list[float] = []
    assert len(list(HistoryRecord(path).read(ReadLog(parts.append)))) == 2500
    assert parts == [0.4, 0.8]


def test_a_kept_lockout_counts_only_when_the_contact_is_judged(path: Path) -> None:
    text = json.dumps({"selector": "auto", "lockout": "contact_closed"})
    first = Entry(0, NOON, RowKind.START, 0.0, 0.0, 0.0, text=text)
    file = open_file(path, Start(Boot("a", NOON, 0.0, "test"), first))
    file.write(batch(row(1, RowKind.SAMPLE, 5, value=98.0)), durable=True)
    file.close()
    assert changes(played(path)) == [(5, "on", "surplus")]
    assert changes(played(path, judge_contact=True)) == []


def test_a_database_of_another_program_is_refused(tmp_path: Path) -> None:
    import sqlite3

    path = tmp_path / "other.sqlite3"
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE t (x)")
    database.close()
    with pytest.raises(RecordError, match="a history database"):
        played(path)


def test_an_unfinished_start_row_means_auto(path: Path) -> None:
    fill(path, [row(1, RowKind.SAMPLE, 5, value=98.0)])  # its START row says nothing
    player = Replayer(Scenario(setup(QUICK), LoadRating()), 0.0)
    for page in HistoryRecord(path).read(ReadLog()):
        player.play(page)
    assert player.state.selector == Selector.AUTO
