"""What may be in a message: everything but a plain number in range is rejected, with its reason and without harm."""

import json
from itertools import pairwise

import pytest
from daemons import CHARGE, CONFIRM_S, MAX_AGE_S, MIN_OFF_S
from rig import FULL, PERIOD_S, Barge
from waiting import eventually, never

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

# Allowance for a loaded machine, on top of one tick of supervision.
LATE_S = 2.0

LONG_ENOUGH_S = 2 * (CONFIRM_S + MIN_OFF_S)
MUCH_KIB = 24 * 1024

REJECTED = [
    (b"NaN", "not_finite"),
    (b"Infinity", "not_finite"),
    (b"-Infinity", "not_finite"),
    (b"1e400", "not_finite"),
    (b"9" * 5000, "not_finite"),
    (b'"98"', "wrong_type"),
    (b"true", "wrong_type"),
    (b"null", "wrong_type"),
    (b"[98]", "wrong_type"),
    (b'{"charge":98}', "wrong_type"),
    (b'{"charge":10,"charge":98}', "duplicate_key"),
    (b"\xef\xbb\xbf98", "not_json"),
    ("98".encode("utf-16"), "not_utf8"),
    (b"98\0", "not_json"),
    (b"98 %", "not_json"),
    (b"97,5", "not_json"),
    (b"9_8", "not_json"),
    ("٩٨".encode(), "not_json"),
    (b"ninety-eight", "not_json"),
    (b"", "not_json"),
    (b"[" * 30_000, "too_deep"),
    (b"9" * 66_000, "oversized"),
    (b"-0.1", "out_of_range"),
    (b"100.1", "out_of_range"),
    (b"9800", "out_of_range"),
]
# Values that vehicle buses and gateways send for "unknown", raw and scaled (from memory).
SENTINELS = [255, 254, 127.5, 102, 65535, 6553.5, 655.35, 163.8375, 327.67, -1, 0x7FFF, 0xFFFFFFFF, -32768, 1e9]


def test_case_48_each_payload_that_is_no_number_is_rejected_with_its_reason(barge: Barge, protocol: str) -> None:
    daemon = barge.start(mqtt__protocol=protocol)
    for number, (payload, reason) in enumerate(REJECTED, start=1):
        barge.client.publish(61.5, qos=1)
        before = len(daemon.logged("rejected", reason=reason))
        barge.client.publish(payload, qos=1)
        status = barge.ask()
        assert (status["rejected"], status["state_of_charge"]) == (number, 61.5), payload[:40]
        first = reason not in [seen for _, seen in REJECTED[: number - 1]]
        if first:  # what repeats is counted, and logged once a minute
            daemon.await_log("rejected", times=before + 1, reason=reason, total=number)
    assert daemon.line == []


def test_case_06_what_is_rejected_refreshes_no_age(barge: Barge) -> None:
    daemon = barge.started_on()
    last_sent_at = barge.source.set(b"NaN")
    barge.expect("off", "data_lost")
    assert daemon.await_edge(on=False, after=last_sent_at).t < last_sent_at + MAX_AGE_S + LATE_S
    never(lambda: len(daemon.ons) > 1, "rejected values switched on", LONG_ENOUGH_S)
    barge.comes_on(daemon)


@pytest.mark.parametrize("unit", ["percent", "ratio"])
def test_case_18_no_sentinel_starts_the_load(barge: Barge, unit: str) -> None:
    daemon = barge.start(telemetry__state_of_charge__unit=unit)
    sentinels = iter(SENTINELS * 1000)
    barge.source.set(lambda: next(sentinels))
    never(lambda: daemon.line, "a sentinel switched on", max(LONG_ENOUGH_S, 1.5 * len(SENTINELS) * PERIOD_S))
    barge.source.set(None)
    status = barge.ask()
    assert status["data"] == "none"
    assert status["rejected"] >= len(SENTINELS)
    barge.source.set(FULL / 100 if unit == "ratio" else FULL)
    barge.expect("on", "surplus")


def test_case_18_a_sentinel_in_range_is_named_in_the_settings_and_then_means_lost_now(barge: Barge) -> None:
    """A full-scale code divided by its own scale is exactly 100."""
    daemon = barge.started_on(telemetry__state_of_charge__unknown=[100.0, "null"])
    for code in (100, "null", "100.0"):
        said_at = barge.source.set(None)
        said_at = barge.client.publish(code, qos=1)
        barge.expect("off", "data_lost")
        assert daemon.await_edge(on=False, after=said_at).t < said_at + LATE_S
        barge.comes_on(daemon)


def test_case_07_a_fault_in_our_own_code_ends_the_daemon_with_the_relay_off(barge: Barge) -> None:
    barge.complaints_expected = True
    daemon = barge.started_on()
    poisoned_at = barge.client.publish("poison", qos=1)
    assert daemon.await_edge(on=False, after=poisoned_at).t < poisoned_at + LATE_S
    assert daemon.wait() == 1
    assert "a fault in our own code" in daemon.logged("failed")[0]["exception"]
    barge.await_presence("down")


def test_case_26_huge_messages_cost_neither_memory_nor_the_load_its_time(barge: Barge, protocol: str) -> None:
    """MQTT 5 lets us tell the broker not to send them; on 3.1.1 all but the beginning is passed over."""
    daemon = barge.start(mqtt__protocol=protocol)
    barge.source.set(FULL)
    barge.expect("on", "surplus")
    before = daemon.memory_kib("VmRSS")
    for size in (60_000, 100_000, 8_000_000):
        barge.client.publish(b"[" * size, qos=1)
    if protocol == "3.1.1":
        daemon.await_log("rejected", reason="oversized")
    assert not daemon.logged("broker_down")
    assert daemon.memory_kib() - before < MUCH_KIB
    silent_at = barge.source.set(None)
    barge.expect("off", "data_lost")
    assert daemon.await_edge(on=False, after=silent_at).t < silent_at + MAX_AGE_S + LATE_S
    barge.comes_on(daemon)


def test_case_26_a_flood_of_messages_does_not_keep_the_load_on(barge: Barge) -> None:
    max_age_s = 15.0
    daemon = barge.started_on(telemetry__state_of_charge__max_age_s=max_age_s)
    barge.source.set(40)
    for _ in range(3000):
        barge.client.paho.publish(CHARGE, b"[" * 1000)
    low_at = barge.client.publish(40, qos=1)
    barge.expect("off", "below_floor")
    assert daemon.await_edge(on=False, after=0).t < low_at + max_age_s / 2


def test_case_28_a_charge_that_oscillates_around_the_thresholds_moves_the_relay_no_faster_than_its_dwells(
    barge: Barge,
) -> None:
    dwell_s, slack_s = 0.7, 0.2
    settings = {"control__confirm_s": 0, "control__min_on_s": dwell_s, "control__min_off_s": dwell_s}
    daemon = barge.start(**settings)
    values = [97.1, 92.9, 97.1, 96.9, 93.1, 92.9]
    step = iter(range(100_000))
    barge.source.set(lambda: values[next(step) % len(values)])
    eventually(lambda: len(daemon.line) >= 6, "six changes")
    times = [edge.t for edge in daemon.line]
    assert all(later - earlier > dwell_s - slack_s for earlier, later in pairwise(times))
    assert [edge.on for edge in daemon.line] == [n % 2 == 0 for n in range(len(times))]


@pytest.mark.parametrize("values", [[96.9, 97.1], [92.9, 93.1]], ids=["cut-in", "cut-out"])
def test_case_28_around_one_threshold_it_does_not_move_at_all(barge: Barge, values: list[float]) -> None:
    daemon = barge.start()
    step = iter(range(100_000))
    barge.source.set(lambda: values[next(step) % 2])
    never(lambda: daemon.line, "the line moved", LONG_ENOUGH_S)
    barge.comes_on(daemon)


def test_case_35_a_resynchronised_meter_may_jump_to_full_but_the_dwell_since_the_start_holds(barge: Barge) -> None:
    barge.source.set(93)
    barge.start(control__min_off_s=2.0)
    barge.await_status(state_of_charge=93, cause="below_cut_in")
    barge.source.set(100)
    assert barge.expect("on", "surplus")["after_s"] >= 2.0


@pytest.mark.parametrize(("value", "cause", "min_on_s"), [(70, "below_cut_out", 1.5), (40, "below_floor", 600.0)])
def test_case_35_a_jump_down_ends_the_surplus_and_below_the_floor_even_within_the_dwell(
    barge: Barge, value: int, cause: str, min_on_s: float
) -> None:
    daemon = barge.started_on(control__min_on_s=min_on_s)
    low_at = barge.source.set(value)
    change = barge.expect("off", cause)
    daemon.await_edge(on=False, after=low_at)
    assert change["after_s"] >= min_on_s if cause == "below_cut_out" else change["after_s"] < min_on_s
    assert change["state_of_charge"] == value


def test_case_49_a_ratio_where_percent_is_expected_stays_off(barge: Barge) -> None:
    daemon = barge.start()
    barge.source.set(0.97)
    never(lambda: daemon.line, "the line moved", LONG_ENOUGH_S)
    assert barge.ask()["cause"] == "below_floor"
    barge.comes_on(daemon)


def test_case_60_of_two_publishers_that_disagree_the_lower_wins(barge: Barge) -> None:
    daemon = barge.start()
    values = iter([97.5, 35] * 1000)
    barge.source.set(lambda: next(values))
    never(lambda: daemon.line, "the line moved", LONG_ENOUGH_S)
    barge.comes_on(daemon)
    values = iter([97.5, 35] * 1000)
    barge.source.set(lambda: next(values))
    barge.expect("off", "below_floor")
    never(lambda: len(daemon.ons) > 1, "the line moved", LONG_ENOUGH_S)


def test_two_signals_in_one_message_are_read_apart(barge: Barge) -> None:
    where = {
        "telemetry__state_of_charge__pointer": "/bank/charge",
        "telemetry__battery_voltage__topic": CHARGE,
        "telemetry__battery_voltage__pointer": "/bank/0",
    }
    daemon = barge.start(**where)
    barge.client.publish(json.dumps({"bank": {"charge": 61.5, "0": "27.1"}}), qos=1)
    assert (barge.ask()["state_of_charge"], barge.status["rejected"]) == (61.5, 1)
    daemon.await_log("rejected", signal="battery_voltage", reason="wrong_type")


def test_a_retained_message_that_is_too_large_does_not_keep_the_load_off(barge: Barge) -> None:
    """MQTT 3.1.1 cannot decline it: it came first on every connection, and ended each."""
    barge.client.publish(bytes(100_000), qos=1, retain=True)
    daemon = barge.started_on(mqtt__protocol="3.1.1")
    assert not daemon.logged("broker_down")
    [entry] = daemon.logged("rejected", reason="retained")
    assert entry["topic"] == CHARGE
