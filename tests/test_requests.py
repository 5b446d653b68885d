"""Requests are limited, and nothing is confirmed before the disk has what must outlive a restart."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from staging import NOON, Stage, Staging

from dumpload.core.controller import Kind
from dumpload.core.law import Selector
from dumpload.daemon.state import SavedState
from dumpload.history.schema import RowKind

pytest_plugins = ["stage_fixtures"]

DAY = datetime.fromtimestamp(NOON, UTC).toordinal()


def published(stage: Stage) -> list[dict[str, Any]]:
    """Every status that went out since `forget`."""
    return [json.loads(text) for text in stage.published("status")]


# ---- requests are limited ----


def test_one_request_a_second_is_acted_on_and_the_newest_wins(stage: Stage) -> None:
    stage.surplus().record().forget()
    for _ in range(1000):
        stage.ask('{"selector": "off"}').ask('{"selector": "auto"}')
    stage.ask('{"selector": "off"}').wait(1.0)
    assert stage.steps.count("relay.off") == 1
    assert [entry.kind for entry in stage.notebook.entries.values()].count(RowKind.SELECT) == 1
    assert stage.service.control.state.selector == Selector.OFF
    assert len(stage.logged) < 6


def test_a_person_who_changes_her_mind_is_obeyed_within_the_second(stage: Stage) -> None:
    stage.surplus().ask('{"selector": "off"}').ask('{"selector": "auto"}')
    assert stage.service.control.state.selector == Selector.OFF
    stage.wait(0.9)
    assert stage.service.control.state.selector == Selector.OFF
    stage.wait(0.1)
    assert stage.service.control.state.selector == Selector.AUTO


def test_the_newest_wins_also_where_it_is_already_so(stage: Stage) -> None:
    stage.surplus().ask('{"selector": "off"}').wait(0.5).ask('{"selector": "auto"}').ask('{"selector": "off"}')
    stage.wait(5)
    assert stage.service.control.state.selector == Selector.OFF


def test_what_is_already_so_changes_nothing_and_says_so_once(stage: Stage) -> None:
    """No row, one line of log a minute, and one status for all who wait."""
    stage.surplus().record().forget()
    for _ in range(1000):
        stage.ask('{"selector": "auto"}').ask('{"reset": true}')
    stage.settle()
    assert published(stage) == []
    assert [entry.kind for entry in stage.notebook.entries.values()] == []
    assert stage.logged == ["request_idle"]
    stage.wait(1.0)
    assert len(published(stage)) == 1


def test_what_waits_for_its_second_when_the_service_stops_is_not_said_to_be_done(stage: Stage) -> None:
    stage.surplus().ask('{"selector": "off"}').ask('{"selector": "auto"}').forget()
    stage.service.stop(0)
    stage.wait(2.0)
    assert [event for event in stage.logged if event.startswith("request")] == ["request_refused"]
    assert stage.service.control.state.selector == Selector.OFF


# ---- nothing is confirmed before the disk has it ----


def test_off_moves_the_pin_at_once_and_is_confirmed_when_it_is_kept(stage: Stage) -> None:
    stage.surplus()
    stage.state_file.is_slow = True
    stage.ask('{"selector": "off"}')
    assert not stage.relay.energised
    assert json.loads(stage.published("change")[-1])["cause"] == "selector_off"
    assert published(stage) == []
    stage.wait(2.0)
    assert published(stage) == []
    stage.inside(stage.state_file.sync)
    assert {status["selector"] for status in published(stage)} == {"off"}


def test_a_lockout_and_its_reset_are_confirmed_when_they_are_kept(stage: Stage) -> None:
    stage.surplus()
    stage.state_file.is_slow = True
    stage.inside(stage.service.control.happened, Kind.PIN_FAULT)
    assert published(stage) == []
    stage.inside(stage.state_file.sync)
    assert published(stage)[-1]["lockout"] == "pin_fault"
    stage.forget().ask('{"reset": true}')
    assert published(stage) == []
    stage.inside(stage.state_file.sync)
    assert published(stage)[-1]["lockout"] is None


def test_a_disk_that_never_keeps_it_is_said_in_the_status(stage: Stage) -> None:
    stage.surplus()
    stage.state_file.is_slow = True
    stage.ask('{"selector": "off"}').wait(7.0)
    assert "not on disk within" in published(stage)[-1]["notes"][0]
    stage.inside(stage.state_file.sync).wait(1.0)
    assert published(stage)[-1]["notes"] == []


def test_the_stop_waits_for_the_disk_before_it_says_goodbye(stage: Stage) -> None:
    stage.surplus()
    stage.state_file.is_slow = True
    stage.ask('{"selector": "off"}').inside(stage.service.stop, 0).wait(3.0)
    assert not stage.has_ended
    assert published(stage) == []
    stage.inside(stage.state_file.sync)
    assert stage.exit_code == 0
    assert published(stage)[-1]["selector"] == "off"
    assert "not_kept" not in stage.logged


def test_the_stop_waits_no_longer_than_a_bound_and_says_what_was_not_kept(stage: Stage) -> None:
    stage.surplus()
    stage.state_file.is_slow = True
    stage.ask('{"selector": "off"}').inside(stage.service.stop, 0)
    assert stage.exit_code == 0
    assert "not_kept" in stage.logged


# ---- the day's on-time outlives a restart ----


LIMITED = {"permissive.max_on_per_day_s": 3600.0}


def saved(stage: Stage) -> list[SavedState]:
    return stage.calls("state_file", "keep")


def test_the_on_time_is_kept_at_the_switchings_and_once_a_minute_between(staging: Staging) -> None:
    stage = staging(LIMITED)
    stage.soc(98.0).soc_for(98.0, 300.0).soc_for(98.0, 600.0)
    assert saved(stage)[0].on
    times = [one.on_time_s for one in saved(stage)]
    assert times == sorted(times)
    assert 10 <= len(times) <= 12, "not more often than once a minute: an SD card wears out"
    stage.soc(40.0)
    assert not saved(stage)[-1].on
    assert saved(stage)[-1].on_time_s == pytest.approx(600, abs=11)
    count = len(saved(stage))
    stage.soc_for(40.0, 600.0)
    assert len(saved(stage)) == count


def test_what_was_used_of_a_day_is_used_after_a_restart(staging: Staging) -> None:
    stage = staging(LIMITED, kept=SavedState(day=DAY, on_time_s=3300.0, on=False, at=NOON - 60))
    stage.soc(98.0).soc_for(98.0, 300.0)
    assert stage.seen_as == ("on", "surplus")
    stage.soc_for(98.0, 301.0)
    assert stage.seen_as == ("off", "duty_limit")


def test_a_program_that_died_while_on_was_on_until_now(staging: Staging) -> None:
    stage = staging(LIMITED, kept=SavedState(day=DAY, on_time_s=0.0, on=True, at=NOON - 3600))
    assert saved(stage)[0] == SavedState(day=DAY, on_time_s=3600.0, on=False, at=NOON)
    stage.soc(98.0).soc_for(98.0, 400.0)
    assert stage.seen_as == ("off", "duty_limit")
