"""Requests to a running daemon: what a person may ask for, and what old, copied or malformed ones cannot do."""

import json
from datetime import UTC, datetime, timedelta
from itertools import cycle, pairwise

import pytest
from daemons import BASE, MAX_AGE_S, MIN_OFF_S, MIN_ON_S
from rig import FULL, Barge
from waiting import boot_clock, eventually, never

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

# Allowance for a loaded machine, on top of one tick of supervision.
LATE_S = 2.0

REQUEST = f"{BASE}/request"
BELOW_CUT_OUT = 90
LONG_ENOUGH_S = 1.0


def rfc3339(seconds_ago: float) -> str:
    return (datetime.now(UTC) - timedelta(seconds=seconds_ago)).isoformat()


def test_case_39_hand_ends_by_itself(barge: Barge) -> None:
    daemon = barge.start()
    barge.source.set(BELOW_CUT_OUT)
    barge.await_status(cause="below_cut_in")
    asked_at = boot_clock()
    assert barge.ask(selector="hand", for_s=1.5)["selector"] == "hand"
    barge.expect("on", "hand")
    barge.expect("off", "hand_over")
    off_at = daemon.await_edge(on=False, after=asked_at).t
    assert 1.5 <= off_at - asked_at < 1.5 + MIN_ON_S + LATE_S
    assert barge.await_status(relay="off")["selector"] == "auto"


@pytest.mark.parametrize(
    ("value", "cause", "within_s"), [(40, "below_floor", LATE_S), (None, "data_lost", MAX_AGE_S + LATE_S)]
)
def test_case_39_hand_defeats_no_veto(barge: Barge, value: float | None, cause: str, within_s: float) -> None:
    daemon = barge.start()
    barge.source.set(BELOW_CUT_OUT)
    barge.await_status(cause="below_cut_in")
    barge.ask(selector="hand", for_s=600)
    barge.expect("on", "hand")
    changed_at = max(barge.source.set(value), boot_clock())
    barge.expect("off", cause)
    assert daemon.await_edge(on=False, after=changed_at).t < changed_at + within_s
    barge.source.set(BELOW_CUT_OUT)  # the selector is still in hand
    barge.expect("on", "hand")


def test_case_39_hand_without_data_does_nothing(barge: Barge) -> None:
    daemon = barge.start()
    assert barge.ask(selector="hand")["cause"] == "starting"
    never(lambda: daemon.line, "the line moved", LONG_ENOUGH_S)


def test_case_39_hand_does_not_outlive_the_daemon(barge: Barge) -> None:
    daemon = barge.start()
    barge.source.set(BELOW_CUT_OUT)
    barge.await_status(cause="below_cut_in")
    barge.ask(selector="hand", for_s=600)
    barge.expect("on", "hand")
    daemon.kill()
    barge.await_presence("down")
    daemon.start()
    barge.await_presence("up")
    barge.await_status(cause="below_cut_in", selector="auto")
    never(lambda: len(daemon.ons) > 1, "hand again after the restart", LONG_ENOUGH_S)


def test_case_39_a_request_that_is_sent_again_after_a_restart_is_refused(barge: Barge) -> None:
    daemon = barge.start()
    barge.source.set(BELOW_CUT_OUT)
    barge.await_status(cause="below_cut_in")
    request = {"selector": "hand", "for_s": 600, "boot_id": barge.status["boot_id"]}
    barge.ask(**request)
    barge.expect("on", "hand")
    assert daemon.stop() == 0
    barge.expect("off", "stopping")
    barge.await_presence("down")
    daemon.start()
    barge.await_presence("up")
    barge.client.publish(json.dumps(request), REQUEST, qos=1)
    eventually(lambda: barge.refusals, "the refusal")
    assert "expired: meant for boot" in barge.refusals[0]
    never(lambda: len(daemon.ons) > 1, "the old request was obeyed", LONG_ENOUGH_S)


def test_case_13_a_retained_request_is_refused_at_every_start(barge: Barge, protocol: str) -> None:
    barge.client.publish('{"selector":"hand","for_s":600}', REQUEST, qos=1, retain=True)
    barge.source.set(BELOW_CUT_OUT)
    daemon = barge.daemon(mqtt__protocol=protocol)
    for starts in (1, 2):
        daemon.start()
        eventually(lambda starts=starts: len(barge.refusals) == starts, "the refusal")
        assert barge.refusals[-1].startswith("retained")
        barge.await_status(cause="below_cut_in", selector="auto")
        daemon.stop()
    assert daemon.line == []


REFUSED = [
    ("hand", "malformed"),
    ("{}", "malformed"),
    ('{"selector":"on"}', "malformed"),
    ('{"selector":"hand","for_s":NaN}', "malformed"),
    ('{"selector":"hand","for_s":"600"}', "malformed"),
    ('{"selector":"hand","for_s":-1}', "malformed"),
    ('{"selector":"hand","for_s":7201}', "over-long"),
    ('{"selector":"hand","selector":"off"}', "malformed"),
    ('{"selector":"hand","veto":false}', "malformed"),
    ('{"selector":"hand","issued_at":"OLD"}', "expired"),
    ('{"selector":"hand","boot_id":"00000000"}', "expired"),
]


def test_a_request_that_makes_no_sense_is_refused_with_its_reason(barge: Barge) -> None:
    daemon = barge.start()
    barge.client.publish(BELOW_CUT_OUT, qos=1)
    for number, (payload, reason) in enumerate(REFUSED, start=1):
        barge.client.publish(payload.replace("OLD", rfc3339(600)), REQUEST, qos=1)
        eventually(lambda number=number: len(barge.refusals) == number, f"the refusal of {payload}")
        assert barge.refusals[-1].startswith(reason), payload
        daemon.await_log("request_refused", reason=barge.refusals[-1])
        assert barge.ask()["selector"] == "auto"
    assert daemon.line == []


def test_requests_are_not_listened_to_unless_enabled(barge: Barge) -> None:
    daemon = barge.start(request__enabled=False)
    barge.source.set(BELOW_CUT_OUT)
    barge.client.publish('{"selector":"hand"}', REQUEST, qos=1)
    barge.await_status(cause="below_cut_in")
    never(lambda: daemon.line or barge.refusals, "it listened", LONG_ENOUGH_S)


def test_selector_off_holds_against_surplus_until_auto(barge: Barge) -> None:
    daemon = barge.started_on()
    asked_at = boot_clock()
    barge.ask(selector="off")
    barge.expect("off", "selector_off")
    assert daemon.await_edge(on=False, after=asked_at).t < asked_at + LATE_S
    never(lambda: daemon.line[-1].on, "on though the selector is off", MIN_OFF_S + LONG_ENOUGH_S)
    barge.ask(selector="auto")
    barge.expect("on", "surplus")


def test_case_56_a_flood_of_conflicting_requests_moves_the_relay_no_faster_than_its_dwells(barge: Barge) -> None:
    min_off_s, slack_s = 1.0, 0.2
    daemon = barge.start(control__min_off_s=min_off_s)
    barge.source.set(BELOW_CUT_OUT)
    barge.await_status(state_of_charge=BELOW_CUT_OUT)
    before = daemon.memory_kib("VmRSS")
    words = cycle(['{"selector":"hand"}', '{"selector":"off"}'])
    ends_at = boot_clock() + 3 * min_off_s
    count = 0
    while boot_clock() < ends_at or count % 2:
        barge.client.paho.publish(REQUEST, next(words), 0)
        count += 1
        eventually(lambda: not barge.client.paho.want_write(), "the broker to take it")
    status = eventually(lambda: s if (s := barge.ask(selector="off"))["selector"] == "off" else {}, "off")
    assert status["relay"] == "off"
    edges = daemon.line
    rests = [later.t - earlier.t for earlier, later in pairwise(edges) if later.on]
    assert count > len(edges)
    assert all(rest > min_off_s - slack_s for rest in rests)  # it may never have been on: the newest request wins
    assert daemon.memory_kib() - before < 16 * 1024
    barge.source.set(FULL)
    barge.ask(selector="auto")
    eventually(lambda: daemon.line[-1].on, "the load to be on")
