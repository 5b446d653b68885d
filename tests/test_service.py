"""The service and its pin: driven before anything is said, on exact deadlines, and watched."""

import asyncio
import json
from collections.abc import Callable
from typing import Any

import pytest
from contract import STATUS
from staging import BANK, UNTIL_FIVE, Stage, Staging, reload_with

from dumpload.core.controller import Decision, Lockout
from dumpload.core.law import Position
from dumpload.daemon.service import Service
from dumpload.gpio.relay import RelayError
from dumpload.history.schema import RowKind

pytest_plugins = ["stage_fixtures"]


# ---- the pin comes first ----


VOLTS = {
    "telemetry.battery_voltage.topic": BANK,
    "telemetry.battery_voltage.pointer": "/volts",
    "telemetry.state_of_charge.pointer": "/charge",
    "permissive.voltage_cut_out": 25.0,
    "permissive.voltage_cut_in": 26.0,
}
# Seconds from noon to ten minutes before the window closes.
TEN_TO_FIVE = 5 * 3600.0 - 600.0


def set_the_clock(stage: Stage, seconds: float) -> None:
    stage.ahead += seconds
    stage.wait(1.0)


def find_the_pin_off(stage: Stage) -> None:
    stage.relay.stuck = False
    stage.wait(1.0)


WAYS_OFF: dict[str, tuple[dict[str, Any], Callable[[Stage], object], str]] = {
    "the data are lost": ({}, lambda stage: stage.wait(60.0), "data_lost"),
    "the source does not know": (
        {"telemetry.state_of_charge.unknown": ["null"]},
        lambda stage: stage.hear(BANK, "null"),
        "data_lost",
    ),
    "the source is gone": (
        {"telemetry.presence_topic": "barge/presence", "telemetry.absent_payload": "gone"},
        lambda stage: stage.hear("barge/presence", "gone"),
        "data_lost",
    ),
    "below the floor": ({}, lambda stage: stage.soc(49.9), "below_floor"),
    "below the cut-out": ({"control.min_on_s": 0.0}, lambda stage: stage.soc(92.9), "below_cut_out"),
    "a person says off": ({}, lambda stage: stage.ask('{"selector": "off"}'), "selector_off"),
    "the window closes": (UNTIL_FIVE, lambda stage: stage.wait(301.0), "outside_window"),
    "the clock is set": (UNTIL_FIVE, lambda stage: set_the_clock(stage, 1200.0), "outside_window"),
    "new settings forbid it": (
        {},
        lambda stage: reload_with(stage, {"permissive.window": ["00:00-06:00"]}),
        "outside_window",
    ),
    "beside a value that is rejected": (
        VOLTS,
        lambda stage: stage.hear(BANK, '{"charge": 980, "volts": 24.9}'),
        "voltage_low",
    ),
    "the pin is found off": ({}, find_the_pin_off, "lockout"),
}


def running(staging: Staging, keys: dict[str, Any]) -> Stage:
    """A service that has just switched the load on, five minutes before five."""
    stage = staging(keys, at=TEN_TO_FIVE)
    if keys is VOLTS:
        stage.sample = '{{"charge": {percent}, "volts": 27.0}}'
    return stage.surplus()


@pytest.mark.parametrize("way", WAYS_OFF)
def test_to_go_off_the_pin_is_driven_before_anything_is_logged_or_published(staging: Staging, way: str) -> None:
    keys, act, cause = WAYS_OFF[way]
    stage = running(staging, keys)
    act(stage)
    assert not stage.relay.energised
    assert stage.seen_as == ("off", cause)
    [off, *_] = [number for number, call in enumerate(stage.trace.calls) if call.step == "relay.off"]
    moment = stage.trace.calls[off].t
    before = [call.step for call in stage.trace.calls[:off] if call.t == moment]
    assert set(before) <= {"notifier.reloading"}
    after = [call.step for call in stage.trace.calls[off:]]
    assert after.index("log.info") < after.index("link.publish_acked") < after.index("link.publish")


# ---- nothing that speaks can be in the way ----


SPEAKERS = [("log", "info"), ("link", "publish_acked"), ("link", "publish"), ("notifier", "status")]


@pytest.mark.parametrize(("fake", "call"), SPEAKERS)
def test_whoever_speaks_may_block_for_a_minute_the_relay_is_off_already(stage: Stage, fake: str, call: str) -> None:
    seen: list[bool] = []

    def block() -> None:
        seen.append(stage.relay.energised)
        stage.loop.now += 60.0

    stage.surplus()
    getattr(stage, fake).trouble.at[call] = block
    stage.soc(40.0)
    assert seen
    assert not any(seen)


@pytest.mark.parametrize(("fake", "call"), SPEAKERS)
def test_whoever_speaks_may_raise_the_relay_is_off_and_the_service_ends_with_1(
    stage: Stage, fake: str, call: str
) -> None:
    def fail_on_change() -> None:
        if stage.seen_as[0] == "off":
            raise RuntimeError

    stage.surplus()
    getattr(stage, fake).trouble.at[call] = fail_on_change
    with pytest.raises(RuntimeError):
        stage.soc(40.0)  # the session reports it to `on_callback_error`, as below
    assert not stage.relay.energised
    getattr(stage, fake).trouble.at.clear()
    stage.inside(stage.service.on_callback_error, RuntimeError())
    assert stage.exit_code == 1


def test_an_observer_that_raises_at_a_deadline_ends_the_service_with_the_relay_off(stage: Stage) -> None:
    def observe(decision: Decision) -> None:
        assert decision.position == Position.ON, "an observer that cannot bear off"

    stage.surplus()
    stage.service.control.observers.insert(0, observe)
    stage.wait(60.0)
    assert not stage.relay.energised
    assert stage.relay.is_shut
    assert stage.exit_code == 1


def test_an_observer_that_raises_at_the_stop_ends_the_service_with_the_relay_off(stage: Stage) -> None:
    def observe(_decision: Decision) -> None:
        raise RuntimeError

    stage.surplus()
    stage.service.control.observers.insert(0, observe)
    assert stage.end() == 1
    assert not stage.relay.energised


def test_observers_are_told_every_change_after_the_pin(stage: Stage) -> None:
    told: list[tuple[Position, bool]] = []
    stage.service.control.observers.append(lambda decision: told.append((decision.position, stage.relay.energised)))
    stage.surplus().soc(40.0)
    assert told == [(Position.ON, True), (Position.OFF, False)]


# ---- deadlines are met exactly, without polling ----


@pytest.fixture
def without_ticks(monkeypatch: pytest.MonkeyPatch) -> None:
    async def never(_service: Service) -> None:
        await asyncio.Event().wait()

    monkeypatch.setattr(Service, "_supervise", never)


@pytest.mark.usefixtures("without_ticks")
@pytest.mark.parametrize(
    ("keys", "after_s", "cause"),
    [
        ({}, 60.0, "data_lost"),
        ({"telemetry.state_of_charge.max_age_s": 3600.0, "permissive.max_on_s": 400.0}, 400.0, "duty_limit"),
        ({**UNTIL_FIVE, "permissive.window": ["09:00-12:10"]}, 300.0, "outside_window"),
    ],
)
def test_with_no_tick_at_all_the_relay_goes_off_at_the_very_deadline(
    staging: Staging, keys: dict[str, Any], after_s: float, cause: str
) -> None:
    stage = staging(keys).surplus()
    went_on_at = stage.clock()
    stage.wait(after_s - 0.001)
    assert stage.seen_as == ("on", "surplus")
    stage.wait(0.002)
    assert stage.seen_as == ("off", cause)
    [off] = [call.t for call in stage.trace.calls if call.step == "relay.off"]
    assert off == pytest.approx(went_on_at + after_s, abs=1e-6)


@pytest.mark.usefixtures("without_ticks")
def test_each_accepted_sample_moves_the_deadline_and_the_dead_man_s_permit_forward(stage: Stage) -> None:
    stage.surplus()
    assert stage.relay.permit_until == stage.clock() + 60.0
    stage.wait(50.0).soc(98.0)
    assert stage.relay.permit_until == stage.clock() + 60.0
    stage.wait(59.0)
    assert stage.seen_as == ("on", "surplus")
    stage.wait(1.1)
    assert stage.seen_as == ("off", "data_lost")


@pytest.mark.usefixtures("without_ticks")
def test_a_load_waits_for_the_end_of_its_minimum_off_time_and_no_longer(stage: Stage) -> None:
    stage.soc(98.0).soc_for(98.0, 290.0)
    stage.wait(9.999)
    assert stage.seen_as == ("off", "min_off_dwell")
    stage.wait(0.002)
    assert stage.seen_as == ("on", "surplus")


@pytest.mark.usefixtures("without_ticks")
def test_a_timer_that_fires_too_soon_is_set_again(stage: Stage) -> None:
    stage.surplus()
    went_on_at = stage.clock()
    stage.service.control._clock = lambda: stage.clock() - 0.25  # the clocks of timers and of ages may differ
    stage.wait(60.1)
    assert stage.seen_as == ("on", "surplus")
    stage.wait(0.2)
    assert stage.seen_as == ("off", "data_lost")
    [off] = [call.t for call in stage.trace.calls if call.step == "relay.off"]
    assert off == pytest.approx(went_on_at + 60.25, abs=1e-6)


@pytest.mark.usefixtures("without_ticks")
def test_where_nothing_can_change_by_itself_nothing_is_waited_for(stage: Stage) -> None:
    stage.soc(90.0)
    assert stage.service.control._timer is not None
    stage.wait(301.0)  # data lost, minimum off-time over
    assert stage.service.control._timer is None


def test_a_suspend_that_the_timers_did_not_count_is_noticed_by_the_tick(stage: Stage) -> None:
    stage.surplus()
    lag = 0.0
    stage.service.control._clock = lambda: stage.clock() + lag
    lag = 3600.0  # an hour passed that the event loop's own clock knows nothing of
    stage.ahead += lag
    stage.wait(1.0)
    assert stage.seen_as == ("off", "data_lost")
    assert "clock_step" not in stage.logged


# ---- the wall clock ----


def test_a_step_of_the_wall_clock_looks_at_the_window_anew_and_is_logged(staging: Staging) -> None:
    stage = staging(UNTIL_FIVE).soc(98.0).wait(1.0).forget()
    stage.ahead += 7 * 3600.0
    stage.wait(1.0)
    assert stage.seen_as == ("off", "outside_window")
    [(event, fields)] = stage.calls("log", "warning")
    assert (event, fields["step_s"]) == ("clock_step", pytest.approx(25_200.0))


def test_a_clock_that_is_slewed_is_no_step(stage: Stage) -> None:
    for _ in range(10):
        stage.ahead += 0.4
        stage.wait(1.0)
    assert "clock_step" not in stage.logged


def test_no_step_of_the_wall_clock_lengthens_or_shortens_an_age(stage: Stage) -> None:
    stage.surplus().wait(30.0)
    stage.ahead -= 50 * 365 * 86_400.0
    stage.wait(29.9)
    assert stage.seen_as == ("on", "surplus")
    stage.wait(0.2)
    assert stage.seen_as == ("off", "data_lost")


# ---- faults of the pin ----


def test_a_pin_that_cannot_be_driven_on_is_locked_out_and_off(stage: Stage) -> None:
    stage.relay.trouble.at["on"] = RelayError("GPIO17 is in use")
    stage.soc(98.0).soc_for(98.0, 300.0)
    assert stage.seen_as == ("off", "lockout")
    assert stage.service.control.state.lockout == Lockout.PIN_FAULT
    assert not stage.relay.energised
    assert "pin_fault" in stage.logged


def test_the_record_of_a_pin_that_cannot_be_driven_on_is_on_and_then_off(stage: Stage) -> None:
    stage.relay.trouble.at["on"] = RelayError("GPIO17 is in use")
    stage.soc(98.0).soc_for(98.0, 300.0)
    changes = [json.loads(text) for text in stage.published("change")]
    assert [(change["relay"], change["cause"], change["previous_cause"]) for change in changes] == [
        ("on", "surplus", "min_off_dwell"),
        ("off", "lockout", "surplus"),
    ]
    assert json.loads(stage.published("status")[-1])["lockout"] == "pin_fault"


def test_a_pin_that_cannot_be_driven_off_ends_the_service_with_1(stage: Stage) -> None:
    stage.surplus()
    stage.relay.trouble.at["off"] = RelayError("GPIO17 still reads on")
    stage.soc(40.0)
    assert stage.relay.is_shut
    assert stage.exit_code == 1
    [failure] = [fields["text"] for event, fields in stage.calls("log", "error") if event == "failed"]
    assert "GPIO17 still reads on" in failure
    assert "relay off" not in failure


def await_the_end(stage: Stage) -> dict[str, Any]:
    """Return the last status of a service that had to give up."""
    assert stage.exit_code == 1
    status: dict[str, Any] = json.loads(stage.published("status")[-1])
    STATUS.validate(status)
    return status


def low_charge(stage: Stage) -> None:
    stage.soc(40.0)


def unreadable(stage: Stage) -> None:
    stage.relay.trouble.at["is_energised"] = RelayError("GPIO17 cannot be read")
    stage.soc(40.0)


def a_signal(stage: Stage) -> None:
    stage.service.stop(0)


@pytest.mark.parametrize("way", [low_charge, unreadable, a_signal])
def test_after_an_off_that_failed_nothing_says_that_the_relay_is_off(
    stage: Stage, way: Callable[[Stage], None]
) -> None:
    stage.record().surplus()
    before = len(stage.recorded(RowKind.CHANGE))
    stage.relay.trouble.at["off"] = RelayError("GPIO17 still reads on")
    way(stage)
    status = await_the_end(stage)
    assert (status["relay"], status["cause"], status["lockout"]) == ("on", "lockout", "pin_fault")
    assert status["since"] == "2025-06-16T12:05:00.000Z"
    assert status["notes"] == ["pin: it could not be driven off and may be on: open the isolator"]
    assert status["next"]["condition"].startswith("a person opens the isolator")
    assert stage.published("change") == []
    assert len(stage.recorded(RowKind.CHANGE)) == before
    assert [row.text for row in stage.recorded(RowKind.FAULT)][:1] == ["lockout: pin_fault"]
    assert stage.calls("state_file", "keep")[-1].lockout == Lockout.PIN_FAULT


def test_a_pin_found_on_that_cannot_be_driven_off_is_said_to_be_on(stage: Stage) -> None:
    stage.relay.trouble.at["off"] = RelayError("GPIO17 still reads on")
    stage.relay.stuck = True
    stage.wait(1.0)
    status = await_the_end(stage)
    assert (status["relay"], status["cause"], status["lockout"]) == ("on", "lockout", "pin_fault")


def test_a_pin_that_fails_both_ways_is_said_to_be_on(stage: Stage) -> None:
    def fail_and_stay_on() -> None:
        stage.relay.energised = True
        stage.relay.trouble.at["off"] = broken
        raise broken

    broken = RelayError("GPIO17 still reads on")
    stage.relay.trouble.at["on"] = fail_and_stay_on
    stage.soc(98.0).soc_for(98.0, 300.0)
    status = await_the_end(stage)
    assert (status["relay"], status["cause"], status["lockout"]) == ("on", "lockout", "pin_fault")


def test_an_off_that_succeeds_at_the_second_attempt_is_told(stage: Stage) -> None:
    def fail_once() -> None:
        stage.relay.trouble.at.clear()
        raise RelayError

    stage.surplus()
    stage.relay.trouble.at["off"] = fail_once
    stage.soc(40.0)
    status = await_the_end(stage)
    assert (status["relay"], status["cause"]) == ("off", "below_floor")
    assert [json.loads(text)["cause"] for text in stage.published("change")] == ["below_floor"]


def test_a_pin_that_cannot_be_driven_off_is_tried_again_before_anything_is_said(stage: Stage) -> None:
    stage.surplus()
    stage.relay.trouble.at["off"] = RelayError("GPIO17 still reads on")
    stage.soc(40.0)
    assert stage.steps[:2] == ["relay.off", "relay.off_for_good"]


@pytest.mark.parametrize(("wanted", "reads"), [("on", False), ("off", True)])
def test_a_pin_that_is_not_where_it_was_driven_is_locked_out_and_off(stage: Stage, wanted: str, reads: bool) -> None:
    if wanted == "on":
        stage.surplus()
    stage.relay.stuck = reads
    stage.forget().wait(1.0)
    assert stage.seen_as[0] == "off"
    assert stage.service.control.state.lockout == Lockout.PIN_FAULT
    assert "relay.off" in stage.steps
    [fields] = [fields for event, fields in stage.calls("log", "error") if event == "pin_mismatch"]
    assert fields["text"].endswith(wanted)


def test_a_pin_that_cannot_be_read_back_is_locked_out_and_off(stage: Stage) -> None:
    stage.surplus()
    stage.relay.trouble.at["is_energised"] = RelayError("GPIO17 cannot be read")
    stage.wait(1.0)
    assert stage.service.control.state.lockout == Lockout.PIN_FAULT
    assert not stage.relay.energised
    assert "pin_fault" in stage.logged


def test_a_pin_that_stays_unreadable_is_driven_off_every_second_but_said_once_a_minute(staging: Staging) -> None:
    stage = staging()
    stage.record().surplus()
    stage.relay.trouble.at["is_energised"] = RelayError("GPIO17 cannot be read")
    stage.wait(150.0)
    assert stage.steps.count("relay.off") >= 150
    texts = [fields["text"] for event, fields in stage.calls("log", "error") if event == "pin_fault"]
    assert [text.rpartition(" (")[2] for text in texts[1:]] == ["59 more like this since)"] * 2
    assert len(stage.recorded(RowKind.PIN_FAULT)) == 1


def test_a_reset_does_not_hide_a_pin_that_is_still_unreadable(stage: Stage) -> None:
    stage.surplus()
    stage.relay.trouble.at["is_energised"] = RelayError("GPIO17 cannot be read")
    stage.wait(10.0).ask('{"reset": true}').wait(1.0)
    assert stage.service.control.state.lockout == Lockout.PIN_FAULT
    assert not stage.relay.energised


def test_a_relay_that_the_dead_man_thread_drove_off_counts_as_lost_data(stage: Stage) -> None:
    stage.surplus()
    stage.relay.energised, stage.relay.forced_off_at = False, stage.clock()
    stage.wait(1.0)
    assert stage.seen_as == ("off", "data_lost")
    assert stage.service.control.state.lockout == Lockout.NONE
    assert "forced_off" in stage.logged


def test_a_dead_man_thread_that_has_died_ends_the_service_with_1(stage: Stage) -> None:
    stage.surplus()
    stage.relay.deadman.alive = False
    stage.wait(1.0)
    assert not stage.relay.energised
    assert stage.exit_code == 1


# ---- the contact ----


def test_a_contact_found_closed_while_off_is_locked_out(staging: Staging) -> None:
    stage = staging({"relay.feedback_pin": 27}).soc(90.0).wait(5.0)
    stage.inside(stage.service.contact_moved, True).settle()
    assert stage.seen_as == ("off", "lockout")
    assert stage.service.control.state.lockout == Lockout.CONTACT_CLOSED
    assert json.loads(stage.published("status")[-1])["lockout"] == "contact_closed"


def test_a_contact_closed_from_the_start_is_locked_out_once_it_could_have_opened(staging: Staging) -> None:
    stage = staging({"relay.feedback_pin": 27}, begin=False)
    stage.relay.contact = True
    stage.begin().soc(90.0).wait(1.0).soc(90.0)
    assert stage.seen_as == ("off", "lockout")


def test_a_contact_that_follows_the_relay_is_fine(staging: Staging) -> None:
    stage = staging({"relay.feedback_pin": 27}, begin=False)
    stage.relay.contact = False
    stage.begin().surplus()
    stage.inside(stage.service.contact_moved, True).wait(1.0)
    assert stage.seen_as == ("on", "surplus")


def test_a_contact_that_moves_before_or_after_the_service_runs_is_no_harm(staging: Staging) -> None:
    stage = staging(begin=False)
    stage.service.contact_moved(True)
    stage.begin().end()
    stage.runner.close()
    stage.service.contact_moved(True)


@pytest.mark.parametrize("first", ["state_of_charge", "battery_voltage"])
def test_one_message_is_decided_as_a_whole_and_never_pulses_the_relay(staging: Staging, first: str) -> None:
    names = ["state_of_charge", "battery_voltage"]
    keys: dict[str, Any] = {f"telemetry.{name}.topic": "barge/bank" for name in names}
    keys |= {"telemetry.state_of_charge.pointer": "/charge", "telemetry.battery_voltage.pointer": "/volts"}
    keys |= {"permissive.voltage_cut_out": 25.0, "permissive.voltage_cut_in": 26.0}
    keys |= {"control.confirm_s": 0.0, "control.min_off_s": 0.0, "control.min_on_s": 60.0}
    stage = staging(keys)
    parts = {"state_of_charge": '"charge": %s', "battery_voltage": '"volts": %s'}
    order = [first, *(name for name in names if name != first)]

    def say(charge: float, volts: float) -> None:
        values = {"state_of_charge": charge, "battery_voltage": volts}
        stage.hear("barge/bank", "{" + ", ".join(parts[name] % values[name] for name in order) + "}")

    say(90.0, 27.0)
    say(98.0, 24.0)  # surplus, but the bus is low
    assert "relay.on" not in stage.steps
    say(92.0, 27.0)  # the bus is back, but the surplus has gone
    assert "relay.on" not in stage.steps
    say(98.0, 27.0)
    assert stage.seen_as == ("on", "surplus")
