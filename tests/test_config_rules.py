"""How settings must fit together: every rule, its line, and the nearest settings that obey it."""

from typing import Any

import pytest
from judged import LEAVE_OUT, complaints

VOLTAGE = {"telemetry.battery_voltage.topic": "barge/bank/voltage"}
POWER = {"telemetry.battery_power.topic": "barge/bank/power"}
WATER = {"telemetry.tank_temperature.topic": "barge/heater/temperature"}
VOLTS = "telemetry.battery_voltage.topic"
CHARGE = "telemetry.state_of_charge"


def as_well(key: str, value: str, needed: str) -> str:
    return f"{key} = {value}: expected {needed} to be set as well"


@pytest.mark.parametrize(
    ("keys", "lines"),
    [
        (
            {"control.cut_out_percent": 97},
            ["control.cut_out_percent = 97: expected less than control.cut_in_percent, which is 97.0"],
        ),
        (
            {"control.cut_in_percent": 90},
            ["control.cut_out_percent = 93.0 (default): expected less than control.cut_in_percent, which is 90"],
        ),
        (
            {"control.floor_percent": 93.5},
            ["control.floor_percent = 93.5: expected at most control.cut_out_percent, which is 93.0"],
        ),
        ({"control.floor_percent": 93}, []),
        ({"house.day_w": 90}, [as_well("house.day_w", "90", "house.night_w")]),
        ({"house.night_w": 90}, [as_well("house.night_w", "90", "house.day_w")]),
        ({"solar.latitude": 51.5}, [as_well("solar.latitude", "51.5", "solar.longitude")]),
        ({"solar.longitude": -0.1}, [as_well("solar.longitude", "-0.1", "solar.latitude")]),
        (
            {"house.day_w": 90, "house.night_w": 40, "house.hourly_w": [60] * 24},
            ["house.day_w = 90: expected either this or house.hourly_w, not both"],
        ),
        (
            {"solar.rebulk_v": 28.4, "solar.absorption_v": 28.4},
            ["solar.rebulk_v = 28.4: expected less than solar.absorption_v, which is 28.4"],
        ),
        (
            {"solar.peak_w": 1400, "solar.strings": [{"peak_w": 700}, {"peak_w": 800, "tilt_deg": 30}]},
            ["solar.peak_w = 1400: expected the sum of solar.strings, which is 1500"],
        ),
        ({"solar.peak_w": 1500, "solar.strings": [{"peak_w": 700}, {"peak_w": 800, "tilt_deg": 30}]}, []),
        ({"control.cut_out_percent": 96.9}, []),
        (
            {**VOLTAGE, "permissive.voltage_cut_out": 27, "permissive.voltage_cut_in": 27},
            ["permissive.voltage_cut_out = 27: expected less than permissive.voltage_cut_in, which is 27"],
        ),
        (
            {**VOLTAGE, "permissive.voltage_cut_out": 27},
            [as_well("permissive.voltage_cut_out", "27", "permissive.voltage_cut_in")],
        ),
        (
            {"permissive.voltage_cut_in": 27},
            [as_well("permissive.voltage_cut_in", "27", "permissive.voltage_cut_out")],
        ),
        (
            {"permissive.voltage_cut_out": 26, "permissive.voltage_cut_in": 27},
            [as_well("permissive.voltage_cut_out", "26", "telemetry.battery_voltage")],
        ),
        ({**VOLTAGE, "permissive.voltage_cut_out": 26, "permissive.voltage_cut_in": 27}, []),
        (
            {**WATER, "permissive.tank_cut_in_c": 65, "permissive.tank_cut_out_c": 65},
            ["permissive.tank_cut_in_c = 65: expected less than permissive.tank_cut_out_c, which is 65"],
        ),
        (
            {**WATER, "permissive.tank_cut_out_c": 65},
            [as_well("permissive.tank_cut_out_c", "65", "permissive.tank_cut_in_c")],
        ),
        (
            {**WATER, "permissive.tank_cut_in_c": 55},
            [as_well("permissive.tank_cut_in_c", "55", "permissive.tank_cut_out_c")],
        ),
        (
            {"permissive.tank_cut_in_c": 55, "permissive.tank_cut_out_c": 65},
            [as_well("permissive.tank_cut_out_c", "65", "telemetry.tank_temperature")],
        ),
        ({**WATER, "permissive.tank_cut_in_c": 55, "permissive.tank_cut_out_c": 65}, []),
        (
            {"permissive.drain_limit_w": 0},
            [as_well("permissive.drain_limit_w", "0", "telemetry.battery_power")],
        ),
        ({**POWER, "permissive.drain_limit_w": 0}, []),
        (
            {"permissive.max_on_s": 299},
            ["control.min_on_s = 300.0 (default): expected at most permissive.max_on_s, which is 299"],
        ),
        ({"permissive.max_on_s": 300}, []),
        (
            {"permissive.max_on_s": 300, "control.min_off_s": 0},
            ["control.min_off_s = 0: expected above 0: it is the pause after permissive.max_on_s"],
        ),
        ({"permissive.max_on_s": 300, "control.min_off_s": 1}, []),
        ({"control.min_off_s": 0, "permissive.max_on_per_day_s": 3600}, []),
        (
            {"relay.feedback_pin": 17},
            ["relay.feedback_pin = 17: expected a line other than relay.pin"],
        ),
        ({"relay.feedback_pin": 27}, []),
        (
            {"wiring.gauge": "10", "wiring.area_mm2": 6},
            ['wiring.gauge = "10": expected either this or wiring.area_mm2, not both'],
        ),
        ({"wiring.gauge": "10"}, []),
        (
            {"telemetry.presence_topic": "barge/gateway"},
            [as_well("telemetry.presence_topic", '"barge/gateway"', "telemetry.absent_payload")],
        ),
        (
            {"telemetry.absent_payload": ""},
            [as_well("telemetry.absent_payload", '""', "telemetry.presence_topic")],
        ),
        ({"telemetry.presence_topic": "barge/gateway", "telemetry.absent_payload": ""}, []),
        (
            {"mqtt.tls": True, "mqtt.client_cert_file": "cert.pem"},
            [as_well("mqtt.client_cert_file", "(not shown)", "mqtt.client_key_file")],
        ),
        (
            {"mqtt.tls": True, "mqtt.client_key_file": "key.pem"},
            [as_well("mqtt.client_key_file", "(not shown)", "mqtt.client_cert_file")],
        ),
        ({"mqtt.tls": True, "mqtt.client_cert_file": "cert.pem", "mqtt.client_key_file": "key.pem"}, []),
        ({"mqtt.ca_file": "ca.pem"}, ["mqtt.ca_file = (not shown): expected mqtt.tls = true as well"]),
        ({"mqtt.ca_file": "ca.pem", "mqtt.tls": True}, []),
        (
            {"mqtt.password_file": "password"},
            [as_well("mqtt.password_file", "(not shown)", "mqtt.username")],
        ),
        ({"mqtt.username": "barge"}, []),
        ({"mqtt.username": "barge", "mqtt.password_file": "password"}, []),
        (
            {"battery.lowest_v": 25, "battery.nominal_v": 24, "battery.highest_v": 23},
            [
                "battery.lowest_v = 25: expected at most battery.nominal_v, which is 24",
                "battery.nominal_v = 24: expected at most battery.highest_v, which is 23",
                "battery.lowest_v = 25: expected at most battery.highest_v, which is 23",
            ],
        ),
    ],
)
def test_settings_must_fit_together(keys: dict[str, Any], lines: list[str]) -> None:
    assert complaints(keys) == lines


@pytest.mark.parametrize(
    ("keys", "lines"),
    [
        (
            {VOLTS: "barge/bank/charge"},
            [f'{VOLTS} = "barge/bank/charge": expected a topic or a pointer other than that of {CHARGE}.topic'],
        ),
        ({VOLTS: "barge/bank/charge", "telemetry.battery_voltage.pointer": "/v"}, []),
        (
            {"telemetry.presence_topic": "barge/bank/charge", "telemetry.absent_payload": "gone"},
            [f'telemetry.presence_topic = "barge/bank/charge": expected a topic other than that of {CHARGE}.topic'],
        ),
        (
            {f"{CHARGE}.topic": "dumpload/dumpload/status"},
            [f'{CHARGE}.topic = "dumpload/dumpload/status": expected a topic that is not one of our own'],
        ),
        (
            {"name": "heater", f"{CHARGE}.topic": "dumpload/heater/presence"},
            [f'{CHARGE}.topic = "dumpload/heater/presence": expected a topic that is not one of our own'],
        ),
        (
            {"mqtt.base_topic": "barge", f"{CHARGE}.topic": "barge/request"},
            [f'{CHARGE}.topic = "barge/request": expected a topic that is not one of our own'],
        ),
        (
            {
                "mqtt.base_topic": "barge",
                "telemetry.presence_topic": "barge/change",
                "telemetry.absent_payload": "gone",
            },
            ['telemetry.presence_topic = "barge/change": expected a topic that is not one of our own'],
        ),
        ({"mqtt.base_topic": "barge", f"{CHARGE}.topic": "barge/charge"}, []),
    ],
)
def test_no_topic_means_two_things(keys: dict[str, Any], lines: list[str]) -> None:
    assert complaints(keys) == lines


def test_rules_about_valid_settings_speak_while_others_are_broken() -> None:
    lines = complaints(
        {
            "name": "my heater",
            "control.cut_in_percent": "97",
            "control.cut_out_percent": 40,
            "permissive.drain_limit_w": 100,
            "relay.pin": LEAVE_OUT,
        }
    )
    assert lines == [
        'name = "my heater": expected 1 to 64 letters, digits, - or _',
        'control.cut_in_percent = "97": expected a number from 0 to 100',
        "relay.pin: expected a whole number from 0 to 511; it must be set",
        "control.floor_percent = 50.0 (default): expected at most control.cut_out_percent, which is 40",
        "permissive.drain_limit_w = 100: expected telemetry.battery_power to be set as well",
    ]


@pytest.mark.parametrize(
    "keys",
    [
        {"control.cut_out_percent": 98, "control.cut_in_percent": "97"},
        {"control.cut_out_percent": "98", "control.cut_in_percent": 97},
        {"relay.feedback_pin": 5, "relay.pin": "5"},
        {"telemetry.battery_voltage": 5, "permissive.voltage_cut_out": 26, "permissive.voltage_cut_in": 27},
        {"telemetry.battery_voltage.topic": 5, "permissive.voltage_cut_out": 26, "permissive.voltage_cut_in": 27},
        {"telemetry.presence_topic": 5, "telemetry.absent_payload": "gone"},
        {"mqtt.base_topic": 5, "telemetry.state_of_charge.topic": "dumpload/dumpload/status"},
        {"mqtt.tls": "yes", "mqtt.ca_file": "ca.pem"},
        {"control": 5, "permissive.max_on_s": 60},
    ],
)
def test_no_rule_speaks_about_a_broken_setting(keys: dict[str, Any]) -> None:
    assert len(complaints(keys)) == 1
