"""The life of the service: supervision, every way it ends, and new settings while it runs."""

import itertools
import json
import os
import signal
import threading
from typing import Any

import pytest
from contract import CHANGE, STATUS
from staging import Stage, Staging, reload_with
from world import NOON, START

from dumpload.config.layers import ConfigError, Problem
from dumpload.core.controller import Lockout
from dumpload.core.law import Cause
from dumpload.daemon.service import HARD_STOP_S
from dumpload.daemon.state import SavedState
from dumpload.gpio.relay import RelayError
from dumpload.history.schema import RowKind

pytest_plugins = ["stage_fixtures"]


# ---- supervision ----


def test_the_watchdog_is_fed_four_times_in_its_interval(staging: Staging) -> None:
    stage = staging(watchdog_s=16.0)
    stage.wait(32.5)
    fed = [call.t - START for call in stage.trace.calls if call.step == "notifier.watchdog"]
    assert fed == pytest.approx([1.0, 5.0, 9.0, 13.0, 17.0, 21.0, 25.0, 29.0])


def test_the_watchdog_is_fed_by_the_event_loop_and_by_nobody_else(staging: Staging) -> None:
    fed_by: list[threading.Thread] = []
    stage = staging(watchdog_s=8.0)
    stage.notifier.trouble.at["watchdog"] = lambda: fed_by.append(threading.current_thread())
    stage.wait(4.0)
    assert fed_by == [threading.current_thread()] * 2


def test_without_a_watchdog_nothing_is_fed(stage: Stage) -> None:
    stage.wait(30.0)
    assert "notifier.watchdog" not in stage.steps


@pytest.mark.parametrize("fake", ["link", "relay"])
def test_the_watchdog_is_fed_only_after_a_completed_round(staging: Staging, fake: str) -> None:
    stage = staging(watchdog_s=4.0)
    what = {"link": "tick", "relay": "is_energised"}[fake]
    getattr(stage, fake).trouble.at[what] = ValueError("a round that cannot be completed")
    stage.wait(5.0)
    assert "notifier.watchdog" not in stage.steps
    assert stage.exit_code == 1


def test_a_short_limit_on_the_age_makes_the_tick_finer(staging: Staging) -> None:
    stage = staging({"telemetry.state_of_charge.max_age_s": 2.0}, watchdog_s=0.4)
    stage.wait(2.05)
    assert len(stage.calls("notifier", "watchdog")) == 10


# ---- the ends ----


@pytest.mark.parametrize("who", ["link", "supervision"])
def test_a_task_that_dies_ends_the_service_with_the_relay_off_and_1(staging: Staging, who: str) -> None:
    stage = staging(begin=False)
    stage.link.trouble.at["run" if who == "link" else "tick"] = ValueError("broken")
    stage.begin().wait(1.0)
    assert stage.exit_code == 1
    assert stage.relay.is_shut
    [failure] = [fields["text"] for event, fields in stage.calls("log", "error") if event == "failed"]
    assert "ValueError('broken')" in failure


def test_a_callback_that_raises_ends_the_service_with_the_relay_off_and_1(stage: Stage) -> None:
    stage.surplus()
    stage.inside(stage.loop.call_soon, lambda: 1 / 0).settle()
    assert not stage.relay.energised
    assert stage.exit_code == 1


@pytest.mark.parametrize("what", ["relay.is_contact_closed", "notifier.ready"])
def test_a_start_that_fails_ends_the_service_with_the_relay_off_and_1(staging: Staging, what: str) -> None:
    stage = staging(begin=False)
    fake, call = what.split(".")
    getattr(stage, fake).trouble.at[call] = RelayError("GPIO27 cannot be read")
    stage.begin()
    assert stage.exit_code == 1
    assert stage.relay.is_shut
    assert "failed" in stage.logged


def test_a_service_that_is_cancelled_leaves_the_relay_off(stage: Stage) -> None:
    stage.surplus()
    assert stage._ended is not None
    stage.inside(stage._ended.cancel).settle()
    assert stage.has_ended
    assert stage.relay.is_shut
    assert not stage.relay.energised


def test_a_fault_of_the_event_loop_without_an_exception_ends_it_too(stage: Stage) -> None:
    stage.inside(stage.loop.call_exception_handler, {"message": "Task was destroyed but it is pending!"})
    assert stage.exit_code == 1


def test_a_stop_drives_off_before_anything_else_and_then_says_goodbye_in_order(stage: Stage) -> None:
    stage.surplus()
    assert stage.end() == 0
    assert stage.steps[0] == "relay.off_for_good"
    said = [step for step in stage.steps if not step.startswith("relay.")]
    assert said == [
        "notifier.stopping",
        "log.info",
        "link.publish_acked",
        "link.publish",
        "notifier.status",
        "link.publish",
        "log.info",
        "link.close",
    ]
    assert stage.published("presence") == ["down"]
    [change] = [json.loads(text) for text in stage.published("change")]
    assert (change["relay"], change["cause"], change["state_of_charge"]) == ("off", "stopping", 98.0)
    status = json.loads(stage.published("status")[-1])
    assert (status["relay"], status["cause"]) == ("off", "stopping")
    CHANGE.validate(change)
    STATUS.validate(status)


def test_a_stop_with_the_load_off_is_no_change(stage: Stage) -> None:
    stage.soc(90.0).forget()
    assert stage.end() == 0
    assert stage.published("change") == []
    assert json.loads(stage.published("status")[-1])["cause"] == "below_cut_in"


@pytest.mark.parametrize(("signal_code", "exit_code"), [(0, 0), (130, 130)])
def test_the_exit_code_is_the_signal_s(stage: Stage, signal_code: int, exit_code: int) -> None:
    assert stage.end(signal_code) == exit_code


def test_a_stop_before_the_start_ends_at_once(staging: Staging) -> None:
    stage = staging(begin=False)
    stage.service.stop(0)
    stage.begin()
    assert stage.exit_code == 0
    assert stage.published("presence") == ["down"]


def test_a_second_stop_drives_off_again_and_changes_nothing_else(stage: Stage) -> None:
    stage.surplus()
    stage.service.stop(0)
    stage.service.stop(130)
    assert stage.steps[:2] == ["relay.off_for_good", "relay.off_for_good"]
    assert stage.exit_code == 0


def test_a_stop_whose_off_fails_ends_with_1(stage: Stage) -> None:
    stage.surplus()
    stage.relay.trouble.at["off"] = RelayError("GPIO17 still reads on")
    assert stage.end() == 1


def test_if_the_goodbye_hangs_the_process_is_ended_the_hard_way(stage: Stage, hard_ways: list[tuple[Any, ...]]) -> None:
    assert hard_ways == []
    stage.end()
    assert hard_ways == [(signal.ITIMER_REAL, HARD_STOP_S)]


def test_a_stop_starts_no_thread_so_that_it_waits_for_no_lock_and_works_where_no_more_can_be_had(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_thread: threading.Thread) -> None:
        raise RuntimeError

    stage.surplus()
    monkeypatch.setattr(threading.Thread, "start", refuse)
    assert stage.end() == 0
    assert not stage.relay.energised


def test_once_stopping_nothing_is_decided_told_or_rejected_any_more(staging: Staging) -> None:
    stage = staging({"control.min_off_s": 0.0, "control.confirm_s": 0.0})
    stage.soc(98.0)
    stage.service.stop(0)
    stage.forget()
    stage.soc(98.0).soc(980.0).ask('{"selector": "hand"}')
    stage.inside(stage.service.on_up)
    stage.inside(stage.service.on_evidence_reset, "a stall")
    stage.inside(stage.service.reload)
    assert "relay.on" not in stage.steps
    assert "up" not in stage.published("presence")
    assert stage.exit_code == 0
    assert not stage.relay.energised
    assert "rejected" not in stage.logged


def test_a_stop_that_comes_after_the_loop_has_ended_is_no_harm(stage: Stage) -> None:
    stage.end()
    stage.runner.close()
    stage.service._exit_code = None
    stage.service.stop(0)


def test_a_hang_up_reloads(stage: Stage) -> None:
    stage.keys["control.cut_in_percent"] = 98.0
    stage.inside(os.kill, os.getpid(), signal.SIGHUP).wait(0.1)
    assert "reloaded" in stage.logged


# ---- reload ----


def test_new_settings_that_allow_it_leave_the_relay_on(stage: Stage) -> None:
    stage.surplus()
    reload_with(stage, {"control.cut_in_percent": 99.0, "control.cut_out_percent": 92.0})
    assert stage.seen_as == ("on", "surplus")
    assert stage.service.control.settings.limits.cut_out_percent == 92.0
    assert "relay.off" not in stage.steps
    assert stage.steps[0] == "notifier.reloading"
    assert stage.steps[-1] == "notifier.ready"
    [(event, fields)] = stage.calls("log", "info")
    assert event == "reloaded"
    assert "control.cut_in_percent 97 → 99; control.cut_out_percent 93 → 92" in fields["text"]


def test_the_same_settings_change_nothing_and_say_so(stage: Stage) -> None:
    stage.inside(stage.service.reload)
    assert stage.calls("log", "info")[-1][1]["text"] == "settings reloaded: nothing changed"
    assert stage.notifier.answers == [""]


def test_a_shorter_age_counts_at_once(stage: Stage) -> None:
    stage.surplus().wait(30.0)
    reload_with(stage, {"telemetry.state_of_charge.max_age_s": 20.0})
    assert stage.seen_as == ("off", "data_lost")


def test_a_longer_age_counts_by_the_source_s_own_clock_too(staging: Staging) -> None:
    at = {"pointer": "/charge", "timestamp_pointer": "/at", "max_age_s": 20.0}
    stage = staging({f"telemetry.state_of_charge.{key}": value for key, value in at.items()})
    stage.sample = '{{"charge": {percent}, "at": ' + str(NOON - 30.0) + "}}"
    stage.soc(90.0)
    assert stage.seen_as == ("off", "starting")
    reload_with(stage, {"telemetry.state_of_charge.max_age_s": 60.0})
    stage.soc(90.0)
    assert stage.seen_as == ("off", "below_cut_in")


@pytest.mark.parametrize(
    "change",
    [
        {"relay.pin": 18},
        {"mqtt.host": "elsewhere"},
        {"telemetry.state_of_charge.topic": "barge/other"},
        {"request.enabled": False},
        {"name": "other"},
        {"control.cut_in_percent": 99.0, "relay.pin": 18},
    ],
)
def test_settings_that_need_a_restart_are_refused_whole(stage: Stage, change: dict[str, Any]) -> None:
    stage.surplus()
    reload_with(stage, change)
    assert stage.seen_as == ("on", "surplus")
    assert stage.service.control.settings.limits.cut_in_percent == 97.0
    [(event, fields)] = stage.calls("log", "error")
    assert event == "reload_rejected"
    assert "needs a restart: " in fields["text"]
    assert [answer.startswith("needs a restart: ") for answer in stage.notifier.answers] == [True]
    assert stage.steps[-1] == "notifier.ready"


def test_bad_settings_leave_the_old_ones(stage: Stage) -> None:
    def bad() -> Any:
        raise ConfigError([Problem("dumpload.toml", "control.cut_in_percent", "nan", "a number")])

    stage.reloads = bad
    stage.surplus().inside(stage.service.reload)
    assert stage.seen_as == ("on", "surplus")
    [(event, fields)] = stage.calls("log", "error")
    assert event == "reload_rejected"
    assert "control.cut_in_percent = nan" in fields["text"]
    assert stage.notifier.answers == ["dumpload.toml: control.cut_in_percent = nan: expected a number"]


# ---- what outlives a restart ----


def test_a_selector_in_off_and_a_lockout_outlive_a_restart(staging: Staging) -> None:
    off = staging(kept=SavedState(selector_off=True))
    off.soc(98.0).soc_for(98.0, 400.0)
    assert off.seen_as == ("off", "selector_off")
    locked = staging(kept=SavedState(lockout=Lockout.PIN_FAULT))
    locked.soc(98.0).soc_for(98.0, 400.0)
    assert locked.seen_as == ("off", "lockout")


def test_they_are_kept_when_they_change_after_the_pin(stage: Stage) -> None:
    stage.surplus().ask('{"selector": "off"}').wait(1).ask('{"selector": "auto"}')
    assert stage.calls("state_file", "keep") == [SavedState(selector_off=True), SavedState()]
    assert stage.steps.index("relay.off") < stage.steps.index("state_file.keep")


# ---- the record ----


def recorded(staging: Staging) -> Stage:
    return staging(begin=False).record().begin()


def test_the_record_begins_with_the_boot_and_the_settings(staging: Staging) -> None:
    stage = recorded(staging)
    boot, (start, *_) = stage.notebook.boot, stage.notebook.rows
    stage.wait(1.0)
    assert boot.boot_id == json.loads(stage.published("status")[0])["boot_id"]
    assert (start.kind, start.t, start.wall) == (RowKind.START, START, NOON)
    assert json.loads(start.text)["settings"]["control.cut_in_percent"] == 97.0


def test_every_event_is_recorded_after_the_pin_and_in_the_order_in_which_it_happened(staging: Staging) -> None:
    stage = recorded(staging).surplus().soc(40.0)
    assert stage.steps[0] == "relay.off"
    sample, change = stage.calls("history", "put")
    assert (sample.kind, sample.value) == (RowKind.SAMPLE, 40.0)
    assert (change.kind, change.cause) == (RowKind.CHANGE, Cause.BELOW_FLOOR)
    assert sample.sequence < change.sequence


def test_new_settings_are_recorded(staging: Staging) -> None:
    stage = recorded(staging)
    reload_with(stage, {"control.cut_in_percent": 98.0})
    [row] = stage.recorded(RowKind.SETTINGS)
    assert (row.t, row.wall) == (stage.clock(), stage.wall())
    assert json.loads(row.text)["settings"]["control.cut_in_percent"] == 98.0


def test_the_record_ends_with_the_service_and_says_what_it_failed_of(staging: Staging) -> None:
    stage = recorded(staging).surplus()
    stage.inside(stage.service.on_callback_error, ValueError("broken"))
    assert stage.exit_code == 1
    assert stage.steps[0] == "relay.off_for_good"
    [fault] = stage.recorded(RowKind.FAULT)
    assert (fault.t, fault.wall, fault.text) == (stage.clock(), stage.wall(), "ValueError('broken')")
    assert stage.notebook.rows[-1].kind == RowKind.STOP


@pytest.mark.parametrize("end", ["a signal", "a fault", "a pin that fails once"])
def test_every_change_is_published_recorded_and_logged_as_one(staging: Staging, end: str) -> None:
    """The change at the stop was decided twice, some milliseconds apart: now with a clock that never stands still."""
    stage = staging(begin=False).record()
    ticks = itertools.count()
    stage.service.control._clock = stage.service._clock = lambda: stage.clock() + next(ticks) * 1e-3
    stage.begin().soc(98.0).soc_for(98.0, 300.0).wait(1.0).soc(40.0).soc(98.0).soc_for(98.0, 300.0)
    assert stage.seen_as == ("on", "surplus")
    if end == "a fault":
        stage.inside(stage.service.on_callback_error, ValueError("broken"))
    elif end == "a pin that fails once":
        stage.relay.trouble.at["off"] = lambda: stage.relay.trouble.at.clear() or fail()
        stage.soc(40.0)
    else:
        stage.service.stop(0)
    assert stage.exit_code == (0 if end == "a signal" else 1)
    assert len(stage.recorded(RowKind.CHANGE)) == 4
    stage.check_changes()


def fail() -> None:
    msg = "GPIO17 still reads on"
    raise RelayError(msg)


def test_trouble_with_the_record_is_shown_in_the_status(stage: Stage) -> None:
    stage.wait(5.0)
    stage.service.note_history("cannot be written")
    stage.wait(1.0)
    assert json.loads(stage.published("status")[-1])["notes"] == ["history: cannot be written"]
