"""Settings from file, environment and command line: one precedence, the documented defaults, all problems at once."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from judged import FEWEST, complaints, nested
from judged import settings as judged
from pydantic import ValidationError

from dumpload.config.layers import ConfigError
from dumpload.config.model import (
    Settings,
    changed_keys,
    flat,
    known_keys,
    load_settings,
    needs_restart,
    restart_needed,
)
from dumpload.core.signals import QUANTITIES, Signal, signal_name

BARGE = """
[telemetry.state_of_charge]
topic = "barge/bank/charge"

[relay]
pin = 17
"""

DEFAULTS = {
    "name": "dumpload",
    "mqtt.host": "localhost",
    "mqtt.port": 1883,
    "mqtt.tls": False,
    "mqtt.client_id": "dumpload-dumpload",
    "mqtt.keepalive_s": 15,
    "mqtt.protocol": "5",
    "mqtt.base_topic": "dumpload/dumpload",
    "telemetry.state_of_charge.topic": "barge/bank/charge",
    "telemetry.state_of_charge.pointer": "",
    "telemetry.state_of_charge.unit": "percent",
    "telemetry.state_of_charge.max_age_s": 60.0,
    "telemetry.state_of_charge.scale": 1.0,
    "telemetry.state_of_charge.offset": 0.0,
    "telemetry.state_of_charge.unknown": (),
    "control.cut_in_percent": 97.0,
    "control.cut_out_percent": 93.0,
    "control.floor_percent": 50.0,
    "control.confirm_s": 30.0,
    "control.min_on_s": 300.0,
    "control.min_off_s": 300.0,
    "permissive.window": ("09:00-17:00",),
    "permissive.timezone": "UTC",
    "permissive.drain_limit_s": 60.0,
    "permissive.drain_rest_s": 900.0,
    "relay.pin": 17,
    "relay.active_high": True,
    "relay.feedback_s": 0.5,
    "relay.pin_factory": "lgpio",
    "request.enabled": False,
    "request.max_hand_s": 7200.0,
    "history.retain_days": 365,
    "history.max_size_mb": 200,
    "history.sample_every_s": 60.0,
    "alert.data_lost_s": 3600.0,
    "alert.restarts_per_day": 5,
    "web.listen": "127.0.0.1:8080",
    "web.host_names": (),
    "wiring.conductor": "class_5_tinned",
    "wiring.boat_cable": True,
    "wiring.conductor_c": 75.0,
    "driver.pin_v": 3.3,
    "driver.pin_ma": 8.0,
    "driver.saturation_v": 0.7,
    "tank.thermostat_breaks": "load",
    "tank.draws": (),
    "solar.strings": (),
    "solar.stops_when_full": False,
    "solar.begins_daily": True,
}


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "dumpload.toml"
    path.write_text(BARGE)
    return path


@pytest.mark.parametrize("name", [name for name, field in Settings.model_fields.items() if field.default_factory])
def test_the_defaults_of_a_table_are_what_a_file_with_that_table_empty_gives(name: str) -> None:
    as_default, as_read = judged(), judged({name: {}})
    assert getattr(as_default, name) == getattr(as_read, name)


def test_the_daemon_builds_no_validator_of_what_only_the_check_reads(file: Path) -> None:
    code = """if True:
        import sys, pathlib
        from dumpload.config import installation, model
        for sets in ([], ["battery.cells=8"]):
            settings = model.load_settings(pathlib.Path(sys.argv[1]), {}, sets)
            model.flat(settings)
            tables = [type(getattr(settings, name)) for name in type(settings).model_fields]
            print(*(t.__name__ for t in tables if t.__module__ == installation.__name__ and t.__pydantic_complete__))
    """
    done = subprocess.run([sys.executable, "-c", code, file], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == ["", "Battery"]


def test_the_fewest_settings_get_the_documented_defaults(file: Path) -> None:
    assert flat(load_settings(file, {})) == DEFAULTS


def test_what_follows_from_the_name_follows_from_it_unless_set() -> None:
    named = judged({"name": "watermaker"})
    assert (named.mqtt.client_id, named.mqtt.base_topic) == ("dumpload-watermaker", "dumpload/watermaker")
    own = judged({"name": "watermaker", "mqtt.client_id": "barge-7", "mqtt.base_topic": "barge/water"})
    assert (own.mqtt.client_id, own.mqtt.base_topic) == ("barge-7", "barge/water")


def test_the_environment_overrides_the_file_and_set_overrides_both(file: Path) -> None:
    file.write_text(BARGE + "[control]\ncut_in_percent = 98\n")
    environ = {"DUMPLOAD_CONTROL__CUT_IN_PERCENT": "98.5", "DUMPLOAD_PERMISSIVE__WINDOW": '["10:00-16:00"]'}
    assert load_settings(file, {}).control.cut_in_percent == 98
    assert load_settings(file, environ).control.cut_in_percent == 98.5
    assert load_settings(file, environ).permissive.window == ("10:00-16:00",)
    assert load_settings(file, environ, ["control.cut_in_percent=99"]).control.cut_in_percent == 99


def test_a_better_value_above_makes_a_bad_one_below_harmless(file: Path) -> None:
    file.write_text(BARGE + "[control]\ncut_in_percent = 120\n")
    assert load_settings(file, {}, ["control.cut_in_percent=99"]).control.cut_in_percent == 99


@pytest.mark.parametrize(
    ("key", "text", "value"),
    [
        ("mqtt.protocol", "5", "5"),
        ("mqtt.protocol", "3.1.1", "3.1.1"),
        ("mqtt.protocol", '"5"', "5"),
        ("mqtt.username", "007", "007"),
        ("mqtt.username", "true", "true"),
        ("mqtt.client_id", "1e3", "1e3"),
        ("name", "1", "1"),
        ("telemetry.state_of_charge.topic", "2026-06-16", "2026-06-16"),
        ("relay.pin_factory", "mock", "mock"),
    ],
)
def test_where_a_setting_is_text_an_override_needs_no_quotes(file: Path, key: str, text: str, value: str) -> None:
    variable = "DUMPLOAD_" + key.upper().replace(".", "__")
    assert flat(load_settings(file, {variable: text}))[key] == value
    assert flat(load_settings(file, {}, [f"{key}={text}"]))[key] == value


def test_a_table_on_the_command_line_outdates_the_text_of_the_environment(file: Path) -> None:
    with pytest.raises(ConfigError, match=r"--set: mqtt.username = \(not shown\): expected"):
        load_settings(file, {"DUMPLOAD_MQTT__USERNAME": "7"}, ["mqtt={username = 8}"])


def test_files_are_named_from_the_folder_of_the_settings_file_whatever_the_current_one(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(file.parent)
    sets = ["mqtt.username=barge", "mqtt.password_file=password"]
    assert load_settings(Path(file.name), {}, sets).mqtt.password_file == file.parent / "password"


def test_no_environment_but_the_given_one_is_read(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NAME", "other")
    monkeypatch.setenv("RELAY", '{"pin": 4}')
    monkeypatch.setenv("DUMPLOAD_RELAY__PIN", "4")
    assert flat(load_settings(file, {})) == DEFAULTS


def test_settings_cannot_be_changed_afterwards() -> None:
    found = judged()
    for table, key in ((found, "name"), (found.relay, "pin"), (found.telemetry.state_of_charge, "topic")):
        with pytest.raises(ValidationError):
            setattr(table, key, "other")


def test_every_signal_of_the_core_has_its_table_with_the_units_of_the_core() -> None:
    for signal in Signal:
        key = known_keys()[f"telemetry.{signal_name(signal)}.unit"]
        quantity = QUANTITIES[signal]
        assert set(key.schema.get("enum", [key.schema.get("const")])) == set(quantity.scales)
        assert key.schema["default"] == quantity.unit


def test_every_setting_has_a_meaning_a_form_and_a_unit_if_it_is_a_measure() -> None:
    for name, key in known_keys().items():
        assert key.schema["description"].endswith("."), name
        assert key.kind, name
        if key.schema["type"] == "number" or name.endswith("_s"):
            assert key.schema["x-unit"], name


def test_no_setting_holds_a_secret() -> None:
    assert [name for name in known_keys() if "password" in name] == ["mqtt.password_file", "web.password_file"]


# What a running program can take over


def test_changed_settings_are_listed_with_old_and_new_value() -> None:
    old = judged({"control.cut_in_percent": 98, "telemetry.load_power.topic": "barge/heater/power"})
    new = judged({"control.cut_in_percent": 99, "relay.feedback_pin": 27, "permissive.window": []})
    assert changed_keys(old, old) == []
    assert changed_keys(old, new) == [
        ("telemetry.load_power.topic", "barge/heater/power", None),
        ("telemetry.load_power.pointer", "", None),
        ("telemetry.load_power.unit", "W", None),
        ("telemetry.load_power.max_age_s", 60.0, None),
        ("telemetry.load_power.scale", 1.0, None),
        ("telemetry.load_power.offset", 0.0, None),
        ("telemetry.load_power.unknown", (), None),
        ("control.cut_in_percent", 98.0, 99.0),
        ("permissive.window", ("09:00-17:00",), ()),
        ("relay.feedback_pin", None, 27),
    ]


def test_thresholds_can_be_reloaded_pin_broker_and_topics_cannot() -> None:
    old = judged()
    new = judged(
        {
            "name": "heater",
            "relay.pin": 27,
            "telemetry.state_of_charge.topic": "barge/bank/other",
            "telemetry.state_of_charge.max_age_s": 30,
            "control.cut_in_percent": 99,
            "permissive.window": [],
            "request.max_hand_s": 60,
        }
    )
    assert restart_needed(old, old) == []
    assert restart_needed(old, new) == [
        "name",
        "mqtt.client_id",
        "mqtt.base_topic",
        "telemetry.state_of_charge.topic",
        "relay.pin",
    ]


def test_the_reloadable_settings_are_these() -> None:
    tables = {name.rpartition(".")[0] for name in known_keys() if not needs_restart(name)}
    signals = {f"telemetry.{signal_name(signal)}" for signal in Signal}
    assert tables == signals | {"alert", "control", "permissive", "request", "installation", "battery", "solar",
                                "house", "load", "tank", "wiring", "contact", "driver", "web"}  # fmt: skip
    ages = [name for name in known_keys() if name.startswith("telemetry.") and not needs_restart(name)]
    assert {name.rpartition(".")[2] for name in ages} == {"max_age_s"}
    assert needs_restart("request.enabled")
    assert not needs_restart("namely")


# Whatever comes in, nothing but ConfigError comes out, and no problem is kept back

SCALARS = st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.dates() | st.times()
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=10), inner, max_size=3),
    max_leaves=8,
)
TABLE_NAMES = [name for name in Settings.model_fields if name != "name"]
WRONG = st.sampled_from([{"x": 1}, [[]], float("nan"), float("-inf")])


@given(
    st.dictionaries(
        st.sampled_from(["name", *TABLE_NAMES]) | st.text(max_size=10),
        VALUES | st.dictionaries(st.sampled_from([name.rpartition(".")[2] for name in known_keys()]), VALUES),
        max_size=6,
    )
)
def test_no_values_raise_anything_else(values: dict[str, Any]) -> None:
    tables = {key: value for key, value in values.items() if "." not in key}
    for line in complaints(tables):
        assert ": expected " in line or ": unknown setting" in line
        assert "\n" not in line


@given(st.lists(st.sampled_from(list(known_keys())), unique=True, max_size=12), st.data())
def test_every_wrong_setting_is_reported_however_many_there_are(names: list[str], data: st.DataObject) -> None:
    wrong = {name: data.draw(WRONG) for name in names}
    found = complaints(wrong)
    for name in names:
        assert any(line.startswith((f"{name} = ", f"{name}[0] = ")) for line in found)


@given(
    st.dictionaries(
        st.sampled_from([name.upper().replace(".", "__") for name in known_keys()]) | st.text(max_size=12),
        st.text(max_size=20) | SCALARS.map(str),
        max_size=4,
    ),
    st.lists(st.text(max_size=30), max_size=2),
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_environment_or_command_line_raises_anything_else(
    file: Path, variables: dict[str, str], sets: list[str]
) -> None:
    environ = {f"DUMPLOAD_{name}": text for name, text in variables.items()}
    outcome: list[str] = []
    try:
        load_settings(file, environ, sets)
    except ConfigError as error:
        outcome = str(error).split("\n")
    assert all(line.isprintable() for line in outcome)


@given(st.text(max_size=60))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_text_after_half_a_file_raises_anything_else(file: Path, text: str) -> None:
    for length in (0, len(BARGE) // 2, len(BARGE)):
        file.write_text(BARGE[:length] + text, encoding="utf-8")
        try:
            assert load_settings(file, {}).relay.pin == 17
        except ConfigError as error:
            problems = error.problems
            assert problems


@pytest.mark.parametrize("cut", range(len(BARGE.strip())))
def test_a_file_cut_off_anywhere_is_refused_or_lacks_only_digits(file: Path, cut: int) -> None:
    """A write cut off inside the last number cannot be told from a shorter number; everywhere else it is refused."""
    file.write_text(BARGE.strip()[:cut])
    if BARGE.strip()[:cut].endswith("pin = 1"):
        assert load_settings(file, {}).relay.pin == 1
    else:
        with pytest.raises(ConfigError):
            load_settings(file, {})


def test_the_fewest_settings_are_the_fewest() -> None:
    assert [name for name, key in known_keys().items() if key.required and key.table_required] == list(FEWEST)
    assert set(nested(FEWEST)) == {"telemetry", "relay"}
