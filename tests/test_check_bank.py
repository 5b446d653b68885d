"""The thresholds against the bank on paper."""

from typing import Any

import pytest
from judged import LEAVE_OUT
from surveyed import line, needs, state, without
from world import LIMITS, World, setup

from dumpload.core.law import Position

SURPLUS = "surplus or charge"
VOLTAGE = {
    "telemetry.battery_voltage.topic": "barge/bank/voltage",
    "permissive.voltage_cut_out": 26.4,
    "permissive.voltage_cut_in": 28.2,
}


@pytest.mark.parametrize(
    ("name", "changes", "expected"),
    [
        # 1 % is 71.68 Wh, 597 s at 432 W.
        ("band against the dwell", {"control.cut_out_percent": 96, "control.min_on_s": 597}, "pass"),
        ("band against the dwell", {"control.cut_out_percent": 96, "control.min_on_s": 598}, "fail"),
        # 4 x 597.3 = 2389 s.
        ("shortest possible cycle", {"control.cut_out_percent": 96, "control.min_off_s": 2089}, "pass"),
        ("shortest possible cycle", {"control.cut_out_percent": 96, "control.min_off_s": 2090}, "caution"),
        # 0.859 x 503 = 432.1 W
        ("panels against the load", {"solar.peak_w": 503}, "pass"),
        ("panels against the load", {"solar.peak_w": 502}, "caution"),
        # 432 W x 601 s = 72.1 Wh, 1.006 % of 7168 Wh; x 595 s = 71.4 Wh, 0.996 %.
        ("cost of lost data", {"telemetry.state_of_charge.max_age_s": 594}, "pass"),
        ("cost of lost data", {"telemetry.state_of_charge.max_age_s": 600}, "caution"),
        (
            "cost of lost data",
            {"telemetry.state_of_charge.max_age_s": 600, "control.floor_percent": 93},
            "fail",
        ),
        ("repeated old values", {}, "caution"),
        ("repeated old values", {"telemetry.state_of_charge.timestamp_pointer": "/taken_at"}, "pass"),
        # 100 I 168 / 280 = 3 % at 0.05 A.
        ("drift of the counter", {"battery.counter_offset_a": 0.05}, "pass"),
        ("drift of the counter", {"battery.counter_offset_a": 0.06}, "caution"),
        ("cut-in", {}, "pass"),
        ("cut-in", {"control.cut_in_percent": 95}, "caution"),
        ("cut-in", {"control.cut_in_percent": 95, "battery.chemistry": "lead_acid"}, ""),
        ("cut-in", {"control.cut_in_percent": 95, "battery.chemistry": LEAVE_OUT}, "caution"),
        # Half of 7168 Wh.
        ("floor against the night", {"battery.night_wh": 3584}, "pass"),
        ("floor against the night", {"battery.night_wh": 3600}, "fail"),
        ("discharge limit of the battery", {"battery.discharge_limit_a": 75}, "pass"),
        ("discharge limit of the battery", {"battery.discharge_limit_a": 74}, "fail"),
        ("charging in the cold", {"battery.coldest_c": 0}, "caution"),
        ("charging in the cold", {"battery.coldest_c": -5, "battery.charge_from_c": -10}, "fail"),
        ("charging in the cold", {"battery.coldest_c": 3, "battery.charge_from_c": -10}, "pass"),
        ("charging in the cold", {"battery.chemistry": "lead_acid"}, ""),
        (SURPLUS, {}, "caution"),
        (SURPLUS, VOLTAGE, "pass"),
        # 1 % below 28.4 V is 28.116 V.
        (SURPLUS, {**VOLTAGE, "permissive.voltage_cut_in": 28.12}, "pass"),
        (SURPLUS, {**VOLTAGE, "permissive.voltage_cut_in": 28.11}, "caution"),
        (SURPLUS, {**VOLTAGE, "solar.absorption_v": LEAVE_OUT}, "caution"),
        (SURPLUS, {"battery.throttle_percent": 93}, "pass"),
        (SURPLUS, {"battery.throttle_percent": 93.5}, "caution"),
    ],
)
def test_the_thresholds(name: str, changes: dict[str, Any], expected: str) -> None:
    assert state(name, changes) == expected


def test_the_share_of_the_band_in_which_the_charger_still_charges() -> None:
    # (95 - 93) / (97 - 93) = 50 %; nothing is left above the cut-in.
    figure = line(SURPLUS, {"battery.throttle_percent": 95}).figure
    assert figure == "the charger throttles from 95 % charge: over 50 % of the band it would still charge"
    # (99 - 97) % of 7168 Wh = 143.36 Wh, rounded up: never less than it is.
    assert "over 2 % (144 Wh) above the cut-in" in line(SURPLUS, {"battery.throttle_percent": 99}).figure


def test_where_the_charger_throttles_is_asked_for_unless_the_model_has_all_it_needs() -> None:
    assert needs(SURPLUS, without("battery.resistance_mohm", "solar.peak_w")) == (
        "battery.resistance_mohm",
        "solar.peak_w",
    )
    assert needs(SURPLUS, {"battery.chemistry": "lead_acid"}) == ("battery.throttle_percent",)
    assert needs(SURPLUS, {"battery.chemistry": LEAVE_OUT}) == ("battery.throttle_percent",)


def test_better_evidence_is_named() -> None:
    assert "permissive.voltage_cut_in to 28.2 to 28.4 V" in line(SURPLUS).change
    lead = {"battery.chemistry": "lead_acid", "battery.throttle_percent": 99}
    unsaid = {**lead, **without("solar.absorption_v")}
    assert "near the charger's set point" in line(SURPLUS, unsaid).change
    assert state(SURPLUS, {**lead, **VOLTAGE}) == "pass"


def test_the_advice_passes() -> None:
    name, changes = "floor against the night", {"battery.night_wh": 5000}
    # 5000 / 7168 = 69.754 %
    assert line(name, changes).change == "Set control.floor_percent to at least 69.8."
    assert state(name, {**changes, "control.floor_percent": 69.8}) == "pass"
    assert "larger battery" in line(name, {"battery.night_wh": 7000}).change
    name, changes = "band against the dwell", {"control.cut_out_percent": 96.9}
    # 432 x 300 / 3600 = 36 Wh = 0.5022 %; 7.168 Wh last 59.7 s.
    assert "control.min_on_s to at most 59.7, or make the band at least 0.51 % wide" in line(name, changes).change
    assert state(name, {"control.cut_out_percent": 96.49}) == "pass"
    assert state(name, {**changes, "control.min_on_s": 59.7}) == "pass"


def test_without_a_timestamp_it_is_said_how_often_and_how_long_an_old_value_would_have_to_come() -> None:
    found = line("repeated old values", {"telemetry.state_of_charge.max_age_s": 45, "control.confirm_s": 600})
    assert "re-sent by a bridge or queue for 10 min, less than 45 s apart, counts as surplus" in found.figure
    assert "telemetry.state_of_charge.timestamp_pointer" in found.change
    assert "max_age_s below the bridge's shortest reconnect time" in found.change


def test_without_a_confirm_time_a_single_old_value_is_enough() -> None:
    figure = line("repeated old values", {"control.confirm_s": 0}).figure
    assert figure == "no timestamp: one stale value re-sent by a bridge or queue counts as surplus"


@pytest.mark.parametrize(("apart_s", "confirm_s", "counts"), [(59, 30, True), (60, 30, False), (60, 0, True)])
def test_what_it_says_of_old_values_and_what_it_advises_is_what_the_daemon_does(
    apart_s: float, confirm_s: float, counts: bool
) -> None:
    world = World(setup(LIMITS._replace(confirm_s=confirm_s), max_age_s=60))
    for _ in range(60):
        world.soc(98.0).wait_through(apart_s)
    assert any(row.position == Position.ON for row in world.rows) == counts
