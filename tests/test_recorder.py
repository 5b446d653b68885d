"""What is handed to the history: every event with what came of it, in order; and no fault of it reaches the service."""

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from histories import rows as rows_of
from judged import settings
from recorded import EVERY_S, Notebook, Recorded
from waiting import eventually
from world import LIMITS, MAX_AGE_S, NOON, START, Shell, setup

from dumpload.core.contact import Feedback
from dumpload.core.controller import Event, Kind, Lockout, start
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.signals import Signal
from dumpload.daemon.recorder import Recorder, open_recorder
from dumpload.history.schema import RowKind
from dumpload.history.writer import Gap

EAGER = setup(LIMITS._replace(confirm_s=0.0, min_on_s=0.0, min_off_s=0.0))


def kinds(world: Recorded) -> list[RowKind]:
    return [row.kind for row in world.notebook.rows]


def running() -> Recorded:
    world = Recorded(EAGER)
    world.soc(98.0)
    assert world.position == Position.ON
    return world


def test_the_start_says_what_the_controller_starts_from() -> None:
    world = Recorded()
    (row,) = world.notebook.rows
    assert (row.kind, row.t, row.wall) == (RowKind.START, START, NOON)
    assert json.loads(row.text) == {"selector": "auto", "lockout": "none", "settings": {"name": "barge"}}
    assert world.notebook.boot is not None
    assert world.notebook.boot[:3] == ("b1", NOON, START)


def test_a_selector_and_a_lockout_that_outlived_a_restart_are_in_the_start() -> None:
    state = start(START, selector=Selector.OFF, lockout=Lockout.PIN_FAULT)
    notebook = Notebook()
    recorder = Recorder(notebook, EVERY_S, [].append)  # type: ignore[arg-type]
    recorder.begin("b1", EAGER.settings, state, NOON - START, {})
    assert json.loads(notebook.rows[0].text) == {"selector": "off", "lockout": "pin_fault", "settings": {}}


def test_a_relay_change_comes_after_the_sample_that_made_it_with_its_cause() -> None:
    world = running()
    assert kinds(world) == [RowKind.START, RowKind.SAMPLE, RowKind.CHANGE]
    change = world.notebook.rows[-1]
    assert (change.value, change.cause, change.t) == (1, Cause.SURPLUS, START)
    told = json.loads(change.text)
    assert (told["relay"], told["cause"], told["state_of_charge"]) == ("on", "surplus", 98.0)


def test_a_loss_is_a_row_and_so_is_the_change_that_it_makes() -> None:
    world = running()
    world.wait_through(MAX_AGE_S)
    lost, change = world.notebook.rows[-2:]
    assert (lost.kind, lost.signal, lost.t) == (RowKind.LOST, Signal.STATE_OF_CHARGE, START + MAX_AGE_S)
    assert (change.kind, change.value, change.cause) == (RowKind.CHANGE, 0, Cause.DATA_LOST)


def test_a_loss_that_is_noticed_only_with_the_next_event_comes_before_it() -> None:
    world = running()
    world.stall(100).soc(98.0)
    assert kinds(world)[3:] == [RowKind.LOST, RowKind.CHANGE, RowKind.SAMPLE, RowKind.CHANGE]


@pytest.mark.parametrize(
    ("kind", "fields", "row_kind", "value"),
    [
        (Kind.EVIDENCE_RESET, {}, RowKind.EVIDENCE_RESET, 0),
        (Kind.RESET, {}, RowKind.RESET, 0),
        (Kind.SELECT, {"selector": Selector.OFF}, RowKind.SELECT, 0),
        (Kind.SELECT, {"selector": Selector.HAND, "until": START + 600}, RowKind.SELECT, 1),
        (Kind.SELECT, {"selector": Selector.AUTO}, RowKind.SELECT, 2),
        (Kind.FEEDBACK, {"feedback": Feedback.OPEN}, RowKind.FEEDBACK, 0),
        (Kind.FEEDBACK, {"feedback": Feedback.CLOSED}, RowKind.FEEDBACK, 1),
        (Kind.PIN_FAULT, {}, RowKind.PIN_FAULT, 0),
    ],
)
def test_every_command_and_every_fault_is_a_row(
    kind: Kind, fields: dict[str, Any], row_kind: RowKind, value: float
) -> None:
    world = Recorded()
    world.wait(5).soc(80.0).send(kind, **fields)
    row = world.notebook.rows[2]
    assert (row.kind, row.value, row.t) == (row_kind, value, START + 5)
    assert row.until == fields.get("until", row.t)


def test_a_refused_hand_is_no_row() -> None:
    world = Recorded()
    world.soc(40.0).select(Selector.HAND, for_s=600.0)
    assert world.rows[-1].refused == Cause.BELOW_FLOOR
    assert kinds(world) == [RowKind.START, RowKind.SAMPLE]


def test_a_lockout_is_a_fault_once() -> None:
    world = Recorded()
    world.wait(5).send(Kind.PIN_FAULT).send(Kind.PIN_FAULT).send(Kind.RESET).send(Kind.PIN_FAULT)
    assert [row.text for row in world.notebook.of(RowKind.FAULT)] == ["lockout: pin_fault"] * 2


def test_a_source_that_knows_nothing_says_so_once() -> None:
    world = Recorded()
    world.send(Kind.UNKNOWN, signal=Signal.STATE_OF_CHARGE).send(Kind.ABSENT)
    assert kinds(world) == [RowKind.START], "nothing was known that could be lost"
    world.soc(80.0).measure(Signal.BATTERY_VOLTAGE, 26.0)
    for _ in range(3):
        world.wait(1).send(Kind.UNKNOWN, signal=Signal.STATE_OF_CHARGE)
    for _ in range(3):
        world.wait(1).send(Kind.ABSENT)
    assert kinds(world)[3:] == [RowKind.UNKNOWN, RowKind.ABSENT]
    assert world.notebook.rows[3].signal == Signal.STATE_OF_CHARGE
    assert world.notebook.rows[4].signal == -1


def test_a_sample_that_was_not_accepted_leaves_no_row() -> None:
    world = Recorded()
    world.soc(80.0, age_s=MAX_AGE_S + 1)
    world.soc(101.0)
    assert kinds(world) == [RowKind.START]


def test_the_age_of_a_sample_is_kept() -> None:
    world = Recorded()
    world.wait(50).soc(80.0, age_s=20.0).wait(5).soc(80.0, age_s=1.0)
    row = world.notebook.rows[1]
    assert (row.t, row.stamp, row.until) == (START + 50, START + 30, START + 54)


def test_a_stepped_clock_is_a_row_and_a_slewed_one_is_not() -> None:
    world = Recorded()
    for _ in range(10):
        world.wait(5)
        world.ahead += 0.4
        world.wake()
    assert kinds(world) == [RowKind.START]
    world.ahead -= 3600
    world.wake()
    assert [(row.kind, row.value) for row in world.notebook.rows[1:]] == [(RowKind.CLOCK, pytest.approx(-3600))]


def test_a_gap_is_a_row_with_what_stands_now() -> None:
    world = running()
    world.notebook.gap = Gap(17, "disk full")
    world.wait(5).soc(98.0).wait(1).soc(98.0)
    gap, kept = world.notebook.rows[3:]
    assert (gap.kind, gap.value, gap.cause) == (RowKind.GAP, 17, Cause.SURPLUS)
    assert json.loads(gap.text) == {"why": "disk full", "relay": "on", "selector": "auto", "lockout": "none"}
    assert (kept.kind, kept.t) == (RowKind.SAMPLE, START + 5)


def test_new_settings_are_a_row_and_the_next_sample_is_kept() -> None:
    world = Recorded()
    world.soc(80.0).wait(5)
    world.reconfigure(EAGER)
    world.recorder.take_settings(world.state, world.t, world.t + world.ahead, {"name": "other"})
    world.wake().soc(80.0)
    assert kinds(world)[2:] == [RowKind.SETTINGS, RowKind.SAMPLE]
    assert json.loads(world.notebook.rows[2].text) == {"settings": {"name": "other"}}


def test_a_shorter_age_limit_ends_a_run_when_it_is_over() -> None:
    world = Recorded()
    world.soc(80.0).wait(5)
    world.reconfigure(setup(max_age_s=10.0))
    world.recorder.take_settings(world.state, world.t, world.t + world.ahead, {})
    world.wake().wait_through(5)
    assert [(row.kind, row.t) for row in world.notebook.rows[3:]] == [(RowKind.LOST, START + 10)]


def test_the_end_is_a_row_once_and_so_is_the_change_that_it_makes() -> None:
    world = running().wait(5).send(Kind.STOP)
    for _ in range(2):
        world.recorder.end(world.t, world.t + world.ahead)
    change, stop = world.notebook.rows[3:]
    assert (change.kind, change.value, change.cause) == (RowKind.CHANGE, 0, Cause.STOPPING)
    assert stop.kind == RowKind.STOP
    assert change.sequence < stop.sequence


def test_the_end_with_the_relay_off_changes_nothing() -> None:
    world = Recorded()
    world.recorder.end(START + 5, NOON + 5)
    assert kinds(world) == [RowKind.START, RowKind.STOP]


def test_the_end_of_a_relay_that_could_not_be_driven_off_is_no_change() -> None:
    world = running()
    world.send(Kind.ASSUME_ON, stamp=START)
    before = len(world.notebook.rows)
    world.recorder.end(START + 5, NOON + 5)
    assert [row.kind for row in world.notebook.rows[before:]] == [RowKind.STOP]


def test_a_failure_is_a_row_whatever_its_words_are() -> None:
    world = Recorded()
    world.recorder.fail(START + 5, NOON + 5, "RuntimeError('\udcff')")
    row = world.notebook.rows[-1]
    assert (row.kind, row.text) == (RowKind.FAULT, "RuntimeError('\\udcff')")


def test_an_event_within_an_event_is_recorded_after_it() -> None:
    """The pin refuses to go on: its fault is decided on before the service is done with the sample."""
    world = Recorded(EAGER)
    recorder = world.recorder
    outer = Event(START, NOON, Kind.SAMPLE, Signal.STATE_OF_CHARGE, 98.0, START)
    place = recorder.reserve()
    decision = world.decide(outer)
    world.send(Kind.PIN_FAULT)
    recorder.after(place, outer, decision, world.settings, world.state)
    assert kinds(world)[1:] == [
        RowKind.SAMPLE,
        RowKind.CHANGE,
        RowKind.PIN_FAULT,
        RowKind.CHANGE,
        RowKind.FAULT,
    ]


def test_no_fault_of_the_record_reaches_the_service() -> None:
    world = running()
    world.notebook.fails = True
    world.soc(50.0).wait(1)
    world.recorder.take_settings(world.state, world.t, NOON, {})
    world.recorder.fail(world.t, NOON, "x")
    world.recorder.end(world.t, NOON)
    assert world.notes == ["an event was not recorded: ValueError()"] * 4
    assert world.position == Position.OFF


def test_closing_is_the_historys() -> None:
    world = Recorded()
    assert world.recorder.close(1.0)
    assert not world.recorder.close(0.0)


# ---- whether there is a record at all ----


def test_without_a_path_there_is_none() -> None:
    assert open_recorder(settings({}), [].append) is None


def test_without_the_database_library_there_is_none_and_it_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some boards' Python comes without it."""
    monkeypatch.delitem(sys.modules, "dumpload.history.writer", raising=False)
    monkeypatch.delitem(sys.modules, "dumpload.history.file", raising=False)
    monkeypatch.setitem(sys.modules, "sqlite3", None)
    notes: list[str] = []
    assert open_recorder(settings({"history.path": str(tmp_path / "h.sqlite3")}), notes.append) is None
    assert "sqlite3" in notes[0]


def test_with_a_path_everything_ends_up_in_the_file(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    notes: list[str] = []
    recorder = open_recorder(settings({"history.path": str(path)}), notes.append)
    assert recorder is not None
    shell = Shell(EAGER, START)
    recorder.begin("b1", shell.settings, shell.state, NOON - START, {"a.b": 1.5, "path": Path("x")})
    for event in (
        Event(START + 1, NOON + 1, Kind.SAMPLE, Signal.STATE_OF_CHARGE, 98.0, START + 1),
        Event(START + 2, NOON + 2, Kind.STOP),
    ):
        recorder.after(recorder.reserve(), event, shell.decide(event), shell.settings, shell.state)
    recorder.end(START + 2, NOON + 2)
    assert recorder.close(10)
    eventually(path.exists, "the file")
    rows = rows_of(path)
    assert [row.kind for row in rows] == [
        RowKind.START,
        RowKind.SAMPLE,
        RowKind.CHANGE,
        RowKind.CHANGE,
        RowKind.STOP,
    ]
    assert json.loads(rows[0].text)["settings"] == {"a.b": 1.5, "path": "x"}
    assert notes == []
