"""The status as OpenMetrics text, read back by a parser of the standard that is not ours (prometheus_client)."""

import math
from typing import Any

import pytest
from contract import signal, status
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from dumpload.core.alerts import Alert
from dumpload.daemon.openmetrics import FAMILIES, metrics_text
from dumpload.daemon.payloads import status_misfit

Labels = frozenset[tuple[str, str]]

MEASURED = {
    "state_of_charge": signal(97.3, "percent", "barge/bank", 2.4),
    "battery_voltage": signal(27.1, "V", "barge/bank", 2.4),
    "battery_power": signal(-120.5, "W", "barge/bank", 2.4),
    "load_power": signal(430.0, "W", "barge/heater", 1.0),
    "solar_power": signal(900.0, "W", "barge/panels", 3.0),
    "tank_temperature": signal(None, "degC", "barge/tank", 75.0, state="lost"),
    "heartbeat": signal(None, "any", "barge/uptime", 4.0),
}


def parsed(text: str) -> dict[str, dict[Labels, float]]:
    """The values by sample and labels, as the reference parser reads them."""
    found: dict[str, dict[Labels, float]] = {}
    for family in text_string_to_metric_families(text):
        for one in family.samples:
            series = found.setdefault(one.name, {})
            labels = frozenset(one.labels.items())
            assert labels not in series, "a series is there once"
            series[labels] = one.value
    return found


def values(**changes: Any) -> dict[str, dict[Labels, float]]:
    document = status(**changes)
    assert status_misfit(document) == ""
    return parsed(metrics_text({"barge": document}))


def one(found: dict[str, dict[Labels, float]], sample: str) -> float:
    [value] = found[sample].values()
    return value


def state_of(found: dict[str, dict[Labels, float]], family: str) -> list[str]:
    return [dict(labels)[family] for labels, value in found[family].items() if value == 1]


def test_charge_volts_watts_and_tank_are_in_base_units_while_they_are_live() -> None:
    found = values(state_of_charge=97.3, signals=MEASURED)
    assert one(found, "dumpload_state_of_charge_ratio") == 0.973
    assert one(found, "dumpload_battery_voltage_volts") == 27.1
    assert one(found, "dumpload_battery_power_watts") == -120.5
    assert one(found, "dumpload_load_power_watts") == 430.0
    assert one(found, "dumpload_solar_power_watts") == 900.0
    assert "dumpload_tank_temperature_celsius" not in found, "a lost value is not repeated"
    live = {dict(labels)["signal"]: value for labels, value in found["dumpload_signal_live"].items()}
    assert live == {name: float(name != "tank_temperature") for name in MEASURED}
    ages = {dict(labels)["signal"]: value for labels, value in found["dumpload_signal_age_seconds"].items()}
    assert ages["tank_temperature"] == 75.0


def test_counters_are_since_the_start_and_energy_is_in_joules() -> None:
    found = values(changes=7, on_time_s=5400.5, energy_wh=0.1, rejected=3, energy_today_wh=100.0)
    assert one(found, "dumpload_changes_total") == 7
    assert one(found, "dumpload_on_time_seconds_total") == 5400.5
    assert one(found, "dumpload_energy_joules_total") == 360.0  # 1 Wh is 3600 J (SI brochure)
    assert one(found, "dumpload_energy_today_joules") == 360_000.0
    assert one(found, "dumpload_rejections_total") == 3


def test_selector_cause_data_and_lockout_are_state_sets_with_one_true_state() -> None:
    found = values(relay="off", cause="lockout", selector="hand", data="lost", lockout="pin_fault")
    assert one(found, "dumpload_relay_on") == 0
    assert state_of(found, "dumpload_cause") == ["lockout"]
    assert state_of(found, "dumpload_selector") == ["hand"]
    assert state_of(found, "dumpload_data") == ["lost"]
    assert state_of(found, "dumpload_lockout") == ["pin_fault"]
    assert state_of(values(lockout=None), "dumpload_lockout") == ["none"]


def test_a_cause_of_a_newer_daemon_is_a_state_of_its_own() -> None:
    assert state_of(values(cause="frost_guard"), "dumpload_cause") == ["frost_guard"]


def test_version_uptime_and_the_moment_of_the_figures_are_given() -> None:
    found = values(version="0.2.0", uptime_s=100.0, at="2025-06-16T12:00:00.250Z", since="2025-06-16T10:00:00.000Z")
    assert [dict(labels)["version"] for labels in found["dumpload_build_info"]] == ["0.2.0"]
    assert one(found, "dumpload_uptime_seconds") == 100.0
    assert one(found, "dumpload_status_timestamp_seconds") == 1750075200.25  # date -ud 2025-06-16T12:00:00.25Z +%s.%N
    assert one(found, "dumpload_relay_since_timestamp_seconds") == 1750068000.0
    assert one(found, "dumpload_up") == 1


def test_what_is_not_known_is_left_out() -> None:
    found = values(state_of_charge=None, data_age_s=None, signals={}, energy_wh=None, at="2025-06-99T12:00:00.000Z")
    for name in ("state_of_charge_ratio", "data_age_seconds", "energy_joules_total", "status_timestamp_seconds"):
        assert f"dumpload_{name}" not in found


def test_an_older_daemon_has_what_it_says() -> None:
    later = ("signals", "changes", "on_time_s", "energy_wh", "on_time_today_s", "energy_today_wh", "on_time_limit_s")
    document = {key: value for key, value in status().items() if key not in later}
    found = parsed(metrics_text({"barge": document}))
    assert one(found, "dumpload_up") == 1
    assert one(found, "dumpload_state_of_charge_ratio") == 0.915
    assert "dumpload_changes_total" not in found


def test_a_daemon_that_is_away_is_not_up_and_has_nothing_else() -> None:
    assert parsed(metrics_text({"barge": None})) == {"dumpload_up": {frozenset({("name", "barge")}): 0.0}}
    assert parsed(metrics_text({})) == {"dumpload_up": {frozenset(): 0.0}}


def test_instances_are_told_apart_by_name() -> None:
    text = metrics_text({"heater": status(relay="on"), "watermaker": None, "pump": status()})
    found = parsed(text)
    up = {dict(labels)["name"]: value for labels, value in found["dumpload_up"].items()}
    assert up == {"heater": 1, "watermaker": 0, "pump": 1}
    on = {dict(labels)["name"]: value for labels, value in found["dumpload_relay_on"].items()}
    assert on == {"heater": 1, "pump": 0}


def test_every_metric_says_its_type_unit_and_meaning() -> None:
    text = metrics_text({"barge": status(state_of_charge=97.3, signals=MEASURED, energy_wh=1.0, energy_today_wh=1.0)})
    for family in text_string_to_metric_families(text):
        assert family.type in {"gauge", "counter", "stateset", "info"}, family.name
        assert family.documentation.endswith("."), family.name
        assert not family.unit or family.name.endswith(f"_{family.unit}"), family.name
    assert text.endswith("\n# EOF\n")


def test_names_end_in_the_standard_s_base_units() -> None:
    """OpenMetrics 1.0, "Units and Base Units" (read): watts only where a system has no more than a power."""
    base = {"seconds", "celsius", "volts", "joules", "ratio", "watts"}
    assert {family.unit for family in FAMILIES} - {""} <= base


HOSTILE = st.text(st.characters(exclude_categories=()), max_size=30) | st.sampled_from(
    ['"', "\\", "\\n", "\n", 'a"} 1\nb', "\ud800", "\r\n# EOF\n", "\x1b[2J", "é", "\U0001f525", ""]
)


def sendable(text: str) -> str:
    """The text as UTF-8 can say it: a lone surrogate is shown by its number."""
    return text.encode("utf-8", "backslashreplace").decode()


@given(name=HOSTILE, version=HOSTILE, cause=HOSTILE, heard=HOSTILE)
def test_whatever_a_name_holds_it_is_read_back_and_nothing_else_is(
    name: str, version: str, cause: str, heard: str
) -> None:
    document = status(name=name, version=version, cause=cause, signals={heard: signal(1.0, heard, heard, 1.0)})
    text = metrics_text({name: document})
    text.encode()  # can be sent
    found = parsed(text)
    assert [dict(labels) for labels in found["dumpload_up"]] == [{"name": sendable(name)}]
    assert [dict(labels)["version"] for labels in found["dumpload_build_info"]] == [sendable(version)]
    assert [dict(labels)["signal"] for labels in found["dumpload_signal_live"]] == [sendable(heard)]
    assert state_of(found, "dumpload_cause") == [sendable(cause) or "none"]
    plain = metrics_text({"a": status(signals={"b": signal(1.0, "W", "t", 1.0)})})
    assert text.count("\n") - plain.count("\n") in {0, 1}, "an unknown cause is one line more"


@given(st.floats(-1e15, 1e15, exclude_min=True, exclude_max=True))
def test_a_number_is_read_back_to_a_millionth(value: float) -> None:
    found = values(signals={"battery_power": signal(value, "W", "barge/bank", 1.0)})
    assert math.isclose(one(found, "dumpload_battery_power_watts"), value, abs_tol=5.1e-7, rel_tol=1e-15)


@pytest.mark.parametrize("key", ["rejected", "changes", "on_time_s", "energy_wh"])
def test_a_counter_below_nothing_is_no_status_of_ours(key: str) -> None:
    assert status_misfit(status(**{key: -1})) == key


def test_every_alert_has_a_series_that_is_1_while_it_is_on() -> None:
    words = {"since": "2025-06-16T09:02:03.000Z", "text": "no valid state of charge for 1 h"}
    found = values(alerts=[{"alert": "data_lost", **words}, {"alert": "of_a_newer_version", **words}])
    on = {dict(labels)["alert"] for labels, value in found["dumpload_alert"].items() if value == 1}
    assert on == {"data_lost", "of_a_newer_version"}
    assert len(found["dumpload_alert"]) == len(Alert) + 1
