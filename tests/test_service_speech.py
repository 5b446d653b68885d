"""What the service publishes and when, what it makes of what it hears, and the requests it is sent."""

import json

import pytest
from contract import CHANGE, STATUS
from staging import BANK, BASE, Stage, Staging
from world import START

from dumpload.core.controller import Kind
from dumpload.core.law import Selector
from dumpload.gpio.relay import RelayError

pytest_plugins = ["stage_fixtures"]


# ---- what is published, and when ----


def statuses(stage: Stage) -> list[float]:
    """When a status went out (s since the start)."""
    sent = [call for call in stage.trace.calls if call.step == "link.publish" and call.details[0] == f"{BASE}/status"]
    return [round(call.t - START, 3) for call in sent]


def test_up_is_said_only_once_the_subscriptions_are_acknowledged(stage: Stage) -> None:
    stage.wait(90.0)
    assert stage.published("presence") == []
    stage.forget().inside(stage.service.on_up)
    assert stage.calls("link", "publish")[0] == (f"{BASE}/presence", "up", {"retain": True})
    assert [topic for topic, *_ in stage.calls("link", "publish")] == [f"{BASE}/presence", f"{BASE}/status"]
    assert stage.steps[-1] == "link.flush"


def test_the_status_is_retained_expires_and_keeps_its_contract(stage: Stage) -> None:
    stage.surplus().wait(30.0)
    for topic, payload, how in stage.calls("link", "publish"):
        assert (topic, how) == (f"{BASE}/status", {"retain": True, "expires_s": 90})
        STATUS.validate(json.loads(payload))


def test_when_nothing_happens_the_status_comes_every_half_minute(stage: Stage) -> None:
    stage.wait(100.0)
    assert statuses(stage) == [1.0, 31.0, 61.0, 91.0]


def test_the_status_comes_at_once_when_relay_selector_or_lockout_change(staging: Staging) -> None:
    stage = staging({"relay.feedback_pin": 27}).wait(5.5).soc(90.0).wait(1.0).forget()
    stage.ask('{"selector": "off"}')
    stage.wait(5.0).ask('{"selector": "auto"}')
    stage.wait(5.0)
    stage.inside(stage.service.contact_moved, True).settle()
    assert sorted(set(statuses(stage))) == [6.5, 11.5, 16.5]


def test_the_status_follows_a_change_of_cause_within_a_second_and_not_for_every_sample(stage: Stage) -> None:
    stage.wait(5.5).forget()
    for _ in range(3):
        stage.soc(90.0).wait(0.05).soc(98.0).wait(0.05)
    assert statuses(stage) == []
    stage.wait(0.7)
    assert statuses(stage) == [6.0]


def test_sequences_count_up_and_the_boot_is_always_the_same(stage: Stage) -> None:
    stage.wait(100.0)
    told = [json.loads(text) for text in stage.published("status")]
    assert [status["sequence"] for status in told] == [1, 2, 3, 4]
    assert len({status["boot_id"] for status in told}) == 1


def test_a_change_keeps_its_contract_and_is_published_until_acknowledged(stage: Stage) -> None:
    stage.soc(98.0).soc_for(98.0, 300.0)
    [(topic, payload)] = stage.calls("link", "publish_acked")
    assert topic == f"{BASE}/change"
    CHANGE.validate(json.loads(payload))


# ---- what is heard ----


def test_a_rejected_value_is_counted_and_logged_once(stage: Stage) -> None:
    for _ in range(5):
        stage.soc(980.0).wait(1.0)
    [(event, fields)] = stage.calls("log", "warning")
    assert (event, fields["reason"], fields["signal"]) == ("rejected", "out_of_range", "state_of_charge")
    stage.wait(30.0)
    assert json.loads(stage.published("status")[-1])["rejected"] == 5


def test_a_sample_that_is_too_old_when_it_is_heard_is_rejected(stage: Stage) -> None:
    stage.hear(BANK, "98", age_s=60.0)
    assert stage.calls("log", "warning")[0][1]["reason"] == "too_old"
    assert stage.seen_as == ("off", "starting")


def test_a_retained_value_is_never_acted_on(stage: Stage) -> None:
    for _ in range(60):
        stage.hear(BANK, "98", retained=True).wait(10.0)
    assert stage.seen_as == ("off", "starting")


@pytest.mark.parametrize("doubt", ["a reconnection", "a stall"])
def test_evidence_for_surplus_begins_anew_after_a_doubt(stage: Stage, doubt: str) -> None:
    stage.wait(300.0).soc(98.0).wait(29.0)
    if doubt == "a stall":
        stage.inside(stage.service.on_evidence_reset, "stood still for 4.0 s")
    else:
        stage.inside(stage.service.on_up)
    stage.wait(1.0).soc(98.0)
    assert stage.seen_as == ("off", "confirming")
    stage.wait(29.0).soc(98.0).wait(1.0).soc(98.0)
    assert stage.seen_as == ("on", "surplus")


def test_a_lost_connection_changes_nothing_at_once(stage: Stage) -> None:
    stage.surplus().inside(stage.service.on_down, "the connection was lost", 2.0)
    assert stage.seen_as == ("on", "surplus")
    assert stage.logged == ["broker_down"]


# ---- requests ----


def test_changes_that_the_link_gave_up_are_logged_at_the_next_tick(stage: Stage) -> None:
    stage.forget().link.dropped = 2
    stage.wait(1.0)
    assert stage.logged == ["undelivered"]


def test_hand_runs_for_its_time_and_then_auto_is_back(stage: Stage) -> None:
    stage.soc(90.0).soc_for(90.0, 300.0).ask('{"selector": "hand", "for_s": 600}')
    assert stage.seen_as == ("on", "hand")
    stage.soc_for(90.0, 601.0)
    assert stage.seen_as[0] == "off"
    assert json.loads(stage.published("status")[-1])["selector"] == "auto"


def test_a_refused_request_says_why_and_moves_nothing(stage: Stage) -> None:
    stage.soc(90.0).soc_for(90.0, 300.0).forget().ask('{"selector": "hand", "for_s": 99999}')
    assert stage.seen_as == ("off", "below_cut_in")
    assert json.loads(stage.published("change")[0])["refused"].startswith("over-long: ")
    assert stage.logged == ["request_refused"]


def test_a_retained_request_is_refused_and_its_clearing_says_nothing(stage: Stage) -> None:
    stage.forget().ask('{"selector": "off"}', retained=True)
    assert json.loads(stage.published("change")[0])["refused"].startswith("retained: ")
    stage.forget().ask(b"", retained=True)
    assert stage.trace.calls == []


def test_without_requests_enabled_nobody_is_listened_to(staging: Staging) -> None:
    stage = staging({"request.enabled": False})
    stage.forget().ask('{"selector": "off"}')
    assert stage.trace.calls == []


def test_a_request_is_answered_with_a_status_even_if_the_relay_does_not_move(stage: Stage) -> None:
    stage.forget().ask('{"selector": "off"}')
    assert len(statuses(stage)) >= 1


def test_a_reset_lets_a_locked_out_relay_run_again(stage: Stage) -> None:
    stage.relay.trouble.at["on"] = RelayError("GPIO17 is in use")
    stage.soc(98.0).soc_for(98.0, 300.0)
    stage.relay.trouble.at.clear()
    stage.soc_for(98.0, 310.0)
    assert stage.seen_as == ("off", "lockout")
    stage.ask('{"reset": true}')
    assert stage.seen_as == ("on", "surplus")


def test_a_reset_together_with_off_does_not_switch_on_in_between(stage: Stage) -> None:
    stage.relay.trouble.at["on"] = RelayError("GPIO17 is in use")
    stage.soc(98.0).soc_for(98.0, 300.0)
    stage.relay.trouble.at.clear()
    stage.soc_for(98.0, 310.0).forget().ask('{"reset": true, "selector": "off"}')
    assert stage.seen_as == ("off", "selector_off")
    assert "relay.on" not in stage.steps


def test_a_request_is_logged_in_our_own_words_once(stage: Stage) -> None:
    stage.soc(90.0).forget().ask('{"selector":\n\n"hand", "for_s": 90}')
    level, fields = stage.calls("log", "info")[0]
    assert (level, fields) == ("request", {"text": "request over MQTT: selector hand for 90 s"})


# ---- hand within the vetoes ----


def refusals(stage: Stage) -> list[str]:
    return [json.loads(text)["refused"] for text in stage.published("change") if "refused" in text]


def test_hand_asked_for_while_a_veto_holds_is_refused_with_the_veto_and_its_words(stage: Stage) -> None:
    stage.soc(40.0).forget().ask('{"selector": "hand", "for_s": 3600}')
    assert refusals(stage) == ["below_floor: State of charge below the floor."]
    assert "request" not in stage.logged
    assert json.loads(stage.published("status")[-1])["selector"] == "auto"
    stage.soc_for(80.0, 600.0)
    assert stage.seen_as == ("off", "below_cut_in")


def test_hand_with_a_reset_comes_after_the_reset_and_off_before_it(stage: Stage) -> None:
    stage.soc(98.0).soc_for(98.0, 300.0).inside(stage.service.control.happened, Kind.PIN_FAULT).forget()
    stage.ask('{"selector": "hand", "for_s": 3600, "reset": true}')
    assert (refusals(stage), stage.service.control.state.selector) == ([], Selector.HAND)
    stage.inside(stage.service.control.happened, Kind.PIN_FAULT).wait(1).forget()
    stage.ask('{"selector": "off", "reset": true}')
    assert stage.seen_as == ("off", "selector_off")
    assert "relay.on" not in stage.steps
