"""Alerts as an owner gets them: once when something begins and once when it ends, across restarts; never in the way."""

import json
from pathlib import Path
from typing import Any

import pytest
from contract import ALERT
from daemons import run_dumpload
from rig import Barge
from staging import USUAL, Stage, Staging, reload_with
from waiting import eventually

from dumpload.core.alerts import Alert, Raised
from dumpload.core.window import DAY_S
from dumpload.daemon.alerts import AlertFile, SavedAlerts
from dumpload.gpio.relay import RelayError
from dumpload.history.schema import RowKind

pytest_plugins = ["daemon_fixtures", "stage_fixtures"]

HOUR_S = 3600.0
LOAD = "barge/heater/power"


def told(stage: Stage) -> list[tuple[str, str]]:
    """Return the alerts that were published, and whether each begins or ends."""
    documents = [json.loads(text) for text in stage.published("alert")]
    for document in documents:
        ALERT.validate(document)
    return [(document["alert"], document["state"]) for document in documents]


def shown(stage: Stage) -> list[str]:
    """Return the alerts that the last status shows."""
    return [one["alert"] for one in json.loads(stage.published("status")[-1])["alerts"]]


# ---- what begins and ends, on a clock that jumps ----


def test_an_hour_without_data_is_told_once_and_their_return_once(staging: Staging) -> None:
    stage = staging()
    stage.soc(80.0).wait(HOUR_S)
    assert told(stage) == []  # the value counted for its first minute
    stage.wait(62.0)
    assert told(stage) == [("data_lost", "begins")]
    stage.wait(5 * HOUR_S)
    assert (told(stage), shown(stage)) == ([("data_lost", "begins")], ["data_lost"])
    stage.soc(80.0).wait(2.0)
    assert (told(stage), shown(stage)) == ([("data_lost", "begins"), ("data_lost", "ends")], [])


def test_who_wants_to_hear_of_it_later_says_so_and_a_reload_takes_it(staging: Staging) -> None:
    stage = staging({"alert.data_lost_s": 4 * HOUR_S})
    stage.wait(3 * HOUR_S)
    assert told(stage) == []
    reload_with(stage, {"alert.data_lost_s": 2 * HOUR_S})
    stage.wait(2.0)
    assert told(stage) == [("data_lost", "begins")]


def test_days_without_surplus_are_told_only_where_a_number_of_days_is_set(staging: Staging) -> None:
    source = {"telemetry.state_of_charge.max_age_s": HOUR_S}
    quiet, wanted = staging(source), staging({**source, "alert.no_surplus_days": 0.5})
    for stage in (quiet, wanted):
        for _ in range(13):
            stage.soc(80.0).wait(HOUR_S - 1)
    assert (told(quiet), told(wanted)) == ([], [("no_surplus", "begins")])
    wanted.soc_for(98.0, 60.0).wait(2.0)
    assert told(wanted)[1:] == [("no_surplus", "ends")]


def test_a_lockout_is_told_after_the_pin_was_driven_and_its_reset_ends_it(staging: Staging) -> None:
    stage = staging({"telemetry.load_power.topic": LOAD}).surplus()
    stage.ask('{"selector": "off"}')
    for _ in range(10):
        stage.wait(1.0).hear(LOAD, "400")
    stage.wait(2.0)
    assert told(stage) == [("lockout", "begins")]
    assert stage.steps.index("relay.off") < stage.steps.index("link.publish_acked")
    stage.hear(LOAD, "0").ask('{"reset": true}').wait(2.0)
    assert told(stage)[1:] == [("lockout", "ends")]


def test_a_pin_that_fails_is_told_of_as_such(staging: Staging) -> None:
    stage = staging().surplus()
    stage.relay.stuck = False
    stage.wait(3.0)
    assert told(stage) == [("pin_fault", "begins")]


def test_a_pin_that_cannot_be_driven_off_at_the_end_is_told_before_the_goodbye(staging: Staging) -> None:
    stage = staging().surplus()
    stage.relay.trouble.at["off"] = RelayError("gone")
    stage.soc(40.0)
    assert stage.exit_code == 1
    assert told(stage) == [("pin_fault", "begins")]
    topics = [call.details[0] for call in stage.trace.calls if call.what in ("publish", "publish_acked")]
    assert topics.index("dumpload/barge/alert") < topics.index("dumpload/barge/presence")


def test_a_history_that_cannot_be_written_for_a_minute_is_told(staging: Staging) -> None:
    stage = staging()
    stage.service.note_history("not recording: /var/lib/dumpload/history.sqlite3: disk I/O error")
    stage.wait(30.0)
    assert told(stage) == []
    stage.wait(35.0)
    assert told(stage) == [("history_fault", "begins")]
    stage.service.note_history("")
    stage.wait(2.0)
    assert told(stage) == [("history_fault", "begins"), ("history_fault", "ends")]


def test_an_alert_is_a_row_of_the_history(staging: Staging) -> None:
    stage = staging(begin=False).record().begin()
    stage.wait(HOUR_S + 2).soc(80.0).wait(2.0)
    rows = stage.recorded(RowKind.ALERT)
    assert [(row.value, json.loads(row.text)["alert"]) for row in rows] == [(1.0, "data_lost"), (0.0, "data_lost")]
    assert [json.loads(row.text) for row in rows] == [json.loads(text) for text in stage.published("alert")]


def test_whatever_goes_wrong_in_an_alert_the_control_goes_on(staging: Staging, monkeypatch: pytest.MonkeyPatch) -> None:
    stage = staging()

    def fail(*_arguments: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("dumpload.daemon.alerts.active_alerts", fail)
    stage.soc(98.0).soc_for(98.0, 400.0)
    assert stage.seen_as == ("on", "surplus")
    assert stage.logged.count("fault") == 1  # and not every second
    assert "alerts: ZeroDivisionError()" in json.loads(stage.published("status")[-1])["notes"]


# ---- what outlives a restart ----


def kept(folder: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((folder / "alerts.json").read_text())
    return document


def saved_in(folder: Path, saved: SavedAlerts) -> AlertFile:
    """Write this as a daemon does, and return the file."""
    file = AlertFile({"STATE_DIRECTORY": str(folder)})
    file.keep(saved)
    eventually((folder / "alerts.json").exists, "the file")
    eventually(lambda: file.read() == saved or not saved.active, "the file to be whole")
    return file


def test_what_is_kept_is_read_again(tmp_path: Path) -> None:
    saved = SavedAlerts((1.0, 2.0), 3.0, (Raised(Alert.LOCKOUT, 4.0, "locked out"),))
    assert saved_in(tmp_path, saved).read() == saved


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"starts": 1}', '{"starts": ["x"], "surplus_at": null, "active": {}}', "null", "[" * 3000],
)
def test_a_file_that_is_not_ours_is_as_none(tmp_path: Path, text: str) -> None:
    (tmp_path / "alerts.json").write_text(text)
    assert AlertFile({"STATE_DIRECTORY": str(tmp_path)}).read() == SavedAlerts()


def test_an_alert_of_a_newer_version_is_left_out(tmp_path: Path) -> None:
    active = {"moonquake": {"since": 1, "text": "?"}, "lockout": {"since": 2, "text": "locked out"}}
    (tmp_path / "alerts.json").write_text(json.dumps({"starts": [], "surplus_at": None, "active": active}))
    found = AlertFile({"STATE_DIRECTORY": str(tmp_path)}).read()
    assert found.active == (Raised(Alert.LOCKOUT, 2.0, "locked out"),)


def test_a_folder_that_cannot_be_written_is_said_once(tmp_path: Path) -> None:
    said: list[str] = []
    file = AlertFile({"STATE_DIRECTORY": str(tmp_path / "gone")}, said.append)
    file.keep(SavedAlerts())
    eventually(lambda: said, "the trouble")
    file.keep(SavedAlerts((1.0,)))
    (tmp_path / "gone").mkdir()
    file.keep(SavedAlerts((2.0,)))
    eventually(lambda: said[-1] == "", "its end")
    assert len(said) == 2


def restarted(monkeypatch: pytest.MonkeyPatch, saved: SavedAlerts, **keys: Any) -> Stage:
    """Return a stage whose service finds this in its file; its start is noon."""
    monkeypatch.setattr(AlertFile, "read", lambda _file: saved)
    return Stage(monkeypatch, {**USUAL, **keys}).begin()


@pytest.fixture
def closing(monkeypatch: pytest.MonkeyPatch, hard_ways: list[Any]) -> Any:
    del hard_ways
    stages: list[Stage] = []

    def make(saved: SavedAlerts, **keys: Any) -> Stage:
        stages.append(restarted(monkeypatch, saved, **keys))
        return stages[-1]

    yield make
    for stage in stages:
        stage.close()


NOON_UNIX = 1_750_075_200.0


def test_the_fifth_start_within_a_day_is_told_and_a_quiet_day_ends_it(closing: Any) -> None:
    starts = tuple(NOON_UNIX - before for before in (2 * DAY_S, HOUR_S, 30.0, 20.0, 10.0))
    stage = closing(SavedAlerts(starts, NOON_UNIX, ()), **{"alert.data_lost_s": 30 * DAY_S})
    stage.wait(2.0)
    assert told(stage) == [("restarts", "begins")]
    stage.wait(23.5 * HOUR_S)
    assert told(stage)[1:] == [("restarts", "ends")]


def test_an_alert_from_before_a_restart_is_shown_and_not_told_again(closing: Any) -> None:
    before = Raised(Alert.DATA_LOST, NOON_UNIX - HOUR_S, "no valid state of charge for 1 h")
    stage = closing(SavedAlerts((), NOON_UNIX, (before,)))
    stage.wait(60.0)
    assert (told(stage), shown(stage)) == ([], ["data_lost"])
    stage.soc(80.0).wait(2.0)
    assert told(stage) == [("data_lost", "ends")]


@pytest.mark.parametrize("is_over", [True, False])
def test_a_history_fault_of_before_a_restart_ends_only_once_it_is_known_to_be_over(closing: Any, is_over: bool) -> None:
    before = Raised(Alert.HISTORY_FAULT, NOON_UNIX - HOUR_S, "the history is not being recorded properly: disk full")
    stage = closing(SavedAlerts((), NOON_UNIX, (before,)))
    stage.wait(5.0)
    if not is_over:
        stage.service.note_history("not recording: disk full")
    stage.wait(20.0)
    assert told(stage) == []
    stage.wait(60.0)
    assert told(stage) == ([("history_fault", "ends")] if is_over else [])


def test_days_without_surplus_are_counted_across_restarts(closing: Any) -> None:
    stage = closing(SavedAlerts((), NOON_UNIX - 3 * DAY_S, ()), **{"alert.no_surplus_days": 2})
    stage.wait(2.0)
    assert told(stage) == [("no_surplus", "begins")]


def test_a_clock_that_is_not_set_yet_makes_no_days_without_surplus(closing: Any) -> None:
    """A board without a clock of its own starts in the past, and the network then sets it forward."""
    stage = closing(SavedAlerts(), **{"alert.no_surplus_days": 2})
    stage.wait(2.0)
    stage.ahead += 400 * DAY_S
    stage.wait(5.0)
    assert told(stage) == []


# ---- the real program at a real broker ----


@pytest.mark.broker
def test_a_stuck_contact_reaches_a_subscriber_once_though_the_daemon_restarts(barge: Barge, tmp_path: Path) -> None:
    state, history = tmp_path / "state", tmp_path / "history.sqlite3"
    state.mkdir()
    barge.complaints_expected = True
    daemon = barge.daemon(telemetry__load_power__topic=LOAD, history__path=str(history))
    daemon.environ["STATE_DIRECTORY"] = str(state)
    daemon.start()
    barge.await_presence("up")
    barge.source.set(80)
    barge.await_status(data="live")

    def press() -> bool:
        barge.client.publish(400, LOAD)
        return bool(barge.client.documents("alert"))

    eventually(press, "the alert")
    [first] = barge.client.documents("alert")
    ALERT.validate(first)
    assert (first["alert"], first["state"]) == ("lockout", "begins")
    barge.await_status(lockout="contact_closed")
    shown = run_dumpload("status", "--config", str(daemon.config), folder=tmp_path)
    assert "Alert" in shown.stdout
    assert first["text"] in " ".join(shown.stdout.split())
    eventually(lambda: "lockout" in kept(state)["active"], "the file")
    assert daemon.stop() == 0
    daemon.start()
    barge.await_presence("up")
    barge.await_status(lockout="contact_closed")
    answer = barge.ask(reset=True)
    assert answer["lockout"] is None
    eventually(lambda: len(barge.client.documents("alert")) > 1, "the end of the alert")
    assert [one["state"] for one in barge.client.documents("alert")] == ["begins", "ends"]
    assert daemon.stop() == 0
    report = run_dumpload("report", "--json", "--config", str(daemon.config), folder=tmp_path)
    events = [event["what"] for event in json.loads(report.stdout)["events"]]
    assert f"alert lockout begins: {first['text']}" in events
    replayed = run_dumpload("replay", str(history), "--config", str(daemon.config), folder=tmp_path)
    assert "recorded alerts, not replayed: 2" in " ".join(replayed.stdout.split())
