"""What each kind of value may be, and the line that refuses it."""

from datetime import date
from typing import Any

import pytest
from judged import complaints, settings

from dumpload.config.model import flat

TOPIC = "telemetry.state_of_charge.topic"
POINTER = "telemetry.state_of_charge.pointer"
UNKNOWN = "telemetry.state_of_charge.unknown"
NO_TOPIC = "an MQTT topic of at most 65535 bytes, without + or #, $share/, controls, or blanks at its ends"
NO_BASE = f"{NO_TOPIC}, no $ first, no / last"
NO_POINTER = 'a JSON pointer (RFC 6901) such as "/charge", or "" for the whole payload'
NO_HOST = "the name or address of a broker alone, without scheme, user, port or path"
HIDDEN = "(not shown)"
NO_NAME = "1 to 64 letters, digits, - or _"
NO_ZONE = 'the IANA name of a time zone this computer knows, such as "Europe/London"'
NO_DAY = "a date such as 2026-05-02"
NO_DRAWS = 'a list of draws, such as ["07:00 20", "19:30 15.5"]'
NO_HOURS = "a list of 24 numbers from 0 to 100000, from midnight on"
NO_STRINGS = "a list of tables with peak_w, tilt_deg (0 to 90), azimuth_deg (0 to 360)"
NO_SPANS = 'a list of time spans, such as ["09:00-17:00"]'


@pytest.mark.parametrize(
    ("key", "value", "shown", "expected"),
    [
        ("name", "", '""', NO_NAME),
        ("name", "my heater", '"my heater"', NO_NAME),
        ("name", "heater\n", '"heater\\n"', NO_NAME),
        ("name", "x" * 65, '"' + "x" * 56 + "...", NO_NAME),
        ("name", 7, "7", NO_NAME),
        ("mqtt.host", "", HIDDEN, NO_HOST),
        ("mqtt.host", "mqtt://here", HIDDEN, NO_HOST),
        ("mqtt.host", "two words", HIDDEN, NO_HOST),
        ("mqtt.host", "localhost?password=hunter2", HIDDEN, NO_HOST),
        ("mqtt.host", "barge:hunter2", HIDDEN, NO_HOST),
        ("mqtt.host", "localhost:1883", HIDDEN, NO_HOST),
        ("mqtt.host", "local\u202ehost", HIDDEN, NO_HOST),
        ("mqtt.base_topic", "barge ", HIDDEN, NO_BASE),
        ("installation.date", "2 May", '"2 May"', NO_DAY),
        ("installation.date", "2026-02-30", '"2026-02-30"', NO_DAY),
        ("installation.date", "20260502", '"20260502"', NO_DAY),
        ("installation.date", 2026, "2026", NO_DAY),
        ("installation.site", "", '""', "1 to 1000 characters of text"),
        ("mqtt.port", 0, "0", "a whole number from 1 to 65535"),
        ("mqtt.port", 65536, "65536", "a whole number from 1 to 65535"),
        ("mqtt.port", 1883.0, "1883.0", "a whole number from 1 to 65535"),
        ("mqtt.keepalive_s", 0, "0", "a whole number from 1 to 600"),
        ("mqtt.tls", "yes", HIDDEN, "true or false"),
        ("mqtt.tls", 1, "1", "true or false"),
        ("mqtt.protocol", "4", HIDDEN, '"5" or "3.1.1"'),
        ("mqtt.protocol", 5, HIDDEN, '"5" or "3.1.1"'),
        ("mqtt.username", "", HIDDEN, "1 to 1000 characters of text"),
        ("mqtt.username", "a\x00b", HIDDEN, "1 to 1000 characters of text"),
        ("mqtt.ca_file", "", HIDDEN, "the path of a file"),
        ("mqtt.ca_file", "a\x00b", HIDDEN, "the path of a file"),
        ("mqtt.ca_file", 5, HIDDEN, "the path of a file"),
        ("mqtt.base_topic", "", HIDDEN, NO_BASE),
        ("mqtt.base_topic", "$barge", HIDDEN, NO_BASE),
        ("mqtt.base_topic", "barge/", HIDDEN, NO_BASE),
        ("mqtt.base_topic", "barge/#", HIDDEN, NO_BASE),
        ("mqtt.base_topic", "x" * 65530, HIDDEN, NO_BASE),
        (TOPIC, "", '""', NO_TOPIC),
        (TOPIC, "barge/+/charge", '"barge/+/charge"', NO_TOPIC),
        (TOPIC, "barge/#", '"barge/#"', NO_TOPIC),
        (TOPIC, "barge\0", '"barge\\x00"', NO_TOPIC),
        (TOPIC, " barge", '" barge"', NO_TOPIC),
        (TOPIC, "barge\t", '"barge\\t"', NO_TOPIC),
        (TOPIC, "barge\u00a0", '"barge\\xa0"', NO_TOPIC),
        (TOPIC, "bar\x1b[2Jge", '"bar\\x1b[2Jge"', NO_TOPIC),
        (TOPIC, "bar\x85ge", '"bar\\x85ge"', NO_TOPIC),
        (TOPIC, "$share/a/barge/charge", '"$share/a/barge/charge"', NO_TOPIC),
        ("telemetry.presence_topic", "$share/a/b", '"$share/a/b"', NO_TOPIC),
        (TOPIC, "é" * 32768, '"' + "é" * 56 + "...", NO_TOPIC),
        (TOPIC, 5, "5", NO_TOPIC),
        (POINTER, "charge", '"charge"', f'{NO_POINTER} (did you mean "/charge"?)'),
        (POINTER, "/a~2", '"/a~2"', NO_POINTER),
        ("telemetry.state_of_charge.timestamp_pointer", "at", '"at"', f'{NO_POINTER} (did you mean "/at"?)'),
        ("telemetry.state_of_charge.unit", "V", '"V"', '"percent" or "ratio"'),
        ("telemetry.state_of_charge.max_age_s", 0, "0", "a number above 0 and at most 3600"),
        ("telemetry.state_of_charge.max_age_s", 3600.1, "3600.1", "a number above 0 and at most 3600"),
        (UNKNOWN, 255, "255", "a list of numbers and texts"),
        ("permissive.window", "09:00-17:00", '"09:00-17:00"', NO_SPANS),
        ("permissive.timezone", "Europe", '"Europe"', NO_ZONE),
        ("permissive.timezone", "Barge/Cut", '"Barge/Cut"', NO_ZONE),
        ("permissive.timezone", "", '""', NO_ZONE),
        ("permissive.timezone", "../../etc/passwd", '"../../etc/passwd"', NO_ZONE),
        ("control.cut_in_percent", 120, "120", "a number from 0 to 100"),
        ("control.cut_in_percent", -1, "-1", "a number from 0 to 100"),
        ("control.cut_in_percent", True, "true", "a number from 0 to 100"),
        ("control.cut_in_percent", "97", '"97"', "a number from 0 to 100"),
        ("control.cut_in_percent", float("nan"), "nan", "a number from 0 to 100"),
        ("control.cut_in_percent", float("inf"), "inf", "a number from 0 to 100"),
        ("control.cut_in_percent", [97], "[97]", "a number from 0 to 100"),
        ("control.cut_in_percent", {"x": 97}, HIDDEN, "a number from 0 to 100"),
        ("control.cut_in_percent", 10**400, "1" + "0" * 56 + "...", "a number from 0 to 100"),
        ("control.min_on_s", -0.1, "-0.1", "a number from 0 to 86400"),
        ("control.confirm_s", 3601, "3601", "a number from 0 to 3600"),
        ("relay.pin", True, "true", "a whole number from 0 to 511"),
        ("relay.pin", "17", '"17"', "a whole number from 0 to 511"),
        ("relay.pin", 17.0, "17.0", "a whole number from 0 to 511"),
        ("relay.pin", -1, "-1", "a whole number from 0 to 511"),
        ("relay.pin", 512, "512", "a whole number from 0 to 511"),
        ("relay.active_high", 0, "0", "true or false"),
        ("relay.feedback_s", 0, "0", "a number above 0 and at most 60"),
        ("relay.pin_factory", "native", '"native"', '"lgpio" or "mock"'),
        ("request.max_hand_s", 86401, "86401", "a number above 0 and at most 86400"),
        ("history.retain_days", 1.5, "1.5", "a whole number from 1 to 3660"),
        ("battery.capacity_ah", 0, "0", "a number above 0 and at most 10000"),
        ("wiring.fuse_a", 1001, "1001", "a number above 0 and at most 1000"),
    ],
)
def test_a_value_of_the_wrong_kind_is_refused_by_name_and_value(
    key: str, value: Any, shown: str, expected: str
) -> None:
    assert complaints({key: value}) == [f"{key} = {shown}: expected {expected}"]


@pytest.mark.parametrize(
    ("key", "value", "line"),
    [
        ("permissive.window", ["09:00-12:00", "9-17"], f'permissive.window[1] = "9-17": expected {NO_SPANS}'),
        ("permissive.window", ["09:00-09:00"], f'permissive.window[0] = "09:00-09:00": expected {NO_SPANS}'),
        ("permissive.window", ["09:00-24:01"], f'permissive.window[0] = "09:00-24:01": expected {NO_SPANS}'),
        ("permissive.window", [9], f"permissive.window[0] = 9: expected {NO_SPANS}"),
        (UNKNOWN, [255, True], f"{UNKNOWN}[1] = true: expected a list of numbers and texts"),
        (UNKNOWN, [float("nan")], f"{UNKNOWN}[0] = nan: expected a list of numbers and texts"),
        (UNKNOWN, [[]], f"{UNKNOWN}[0] = []: expected a list of numbers and texts"),
        ("tank.draws", ["07:00 20", "24:00 20"], f'tank.draws[1] = "24:00 20": expected {NO_DRAWS}'),
        ("tank.draws", ["07:00 0"], f'tank.draws[0] = "07:00 0": expected {NO_DRAWS}'),
        ("tank.draws", ["07:00"], f'tank.draws[0] = "07:00": expected {NO_DRAWS}'),
        ("house.hourly_w", [60.0] * 23 + [-1], f"house.hourly_w[23] = -1: expected {NO_HOURS}"),
        ("solar.strings", [{"peak_w": 700, "tilt_deg": 91}], f"solar.strings[0].tilt_deg = 91: expected {NO_STRINGS}"),
        ("solar.strings", [{"tilt_deg": 9}], f"solar.strings[0].peak_w: expected {NO_STRINGS}; it must be set"),
        ("solar.strings", [{"peak_w": 9}, 5], f"solar.strings[1] = 5: expected {NO_STRINGS}"),
    ],
)
def test_a_wrong_item_of_a_list_is_named_by_its_position(key: str, value: Any, line: str) -> None:
    assert complaints({key: value}) == [line]


def test_an_unknown_key_of_a_string_of_panels_is_named_without_its_value() -> None:
    (line,) = complaints({"solar.strings": [{"peak_w": 700, "slope": 12}]})
    assert line.startswith("solar.strings[0].slope")
    assert line.endswith("unknown setting")
    assert "12" not in line


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("name", "heater-1_B"),
        ("mqtt.host", "fd00::1"),
        ("mqtt.host", "fe80::1%eth0"),
        ("mqtt.host", "broker.barge-1.example"),
        ("mqtt.host", "schiff-brücke"),
        (TOPIC, "$SYS/broker/bank charge/é"),
        ("mqtt.port", 65535),
        (TOPIC, "/"),
        (TOPIC, "$SYS/barge charge"),
        (TOPIC, "x" * 65535),
        (POINTER, "/a~0b/~1/0"),
        (POINTER, "/"),
        ("permissive.window", ()),
        ("permissive.window", ("22:00-06:00", "00:00-24:00")),
        ("permissive.timezone", "America/St_Johns"),
        ("control.cut_in_percent", 100.0),
        ("control.min_on_s", 0.0),
        ("control.confirm_s", 0.0),
        ("relay.pin", 0),
        ("relay.pin", 511),
        ("permissive.max_on_per_day_s", 86400.0),
        ("tank.draws", ("00:00 0.5", "23:59 10000")),
        ("house.hourly_w", (0.0,) * 24),
        (UNKNOWN, (255.0, -1.0, "null", "")),
    ],
)
def test_values_at_the_very_bounds_are_accepted_unchanged(key: str, value: Any) -> None:
    assert flat(settings({key: list(value) if isinstance(value, tuple) else value}))[key] == value


@pytest.mark.parametrize(
    ("key", "base", "path"),
    [
        ("mqtt.ca_file", "ca.pem", "/barge/ca.pem"),
        ("mqtt.ca_file", "tls/ca.pem", "/barge/tls/ca.pem"),
        ("mqtt.ca_file", "/etc/ssl/ca.pem", "/etc/ssl/ca.pem"),
        ("history.path", "history.sqlite3", "/barge/history.sqlite3"),
    ],
)
def test_files_are_named_from_the_folder_of_the_settings_file(key: str, base: str, path: str) -> None:
    assert str(flat(settings({key: base, "mqtt.tls": True}))[key]) == path


@pytest.mark.parametrize("day", ["2026-05-02", date(2026, 5, 2)])
def test_a_date_is_taken_with_quotes_and_without(day: object) -> None:
    assert flat(settings({"installation.date": day}))["installation.date"] == "2026-05-02"
