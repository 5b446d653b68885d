"""The installation check as a document and as a command."""

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from judged import settings
from surveyed import BARGE, without

from dumpload.check import sources
from dumpload.check.document import CHECKS, SIMULATED, check_document, is_wrong
from dumpload.check.page import HEAD
from dumpload.check.table import EITHER
from dumpload.cli.commands import main
from dumpload.config.model import known_keys

CONFIG = Path(__file__).parent.parent / "config"
BAD = ["--set", "tank.relief_valve=false"]


def document(**changes: Any) -> dict[str, Any]:
    keys = {key.replace("__", "."): value for key, value in changes.items()}
    return check_document(Path("/barge/dumpload.toml"), settings(keys))


def check(*arguments: str) -> int:
    return main(["check", "--config", str(CONFIG / "minimal.toml"), *arguments])


def test_the_fewest_settings_judge_nothing_and_a_question_of_safety_without_answer_is_exit_code_1(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert check("--json") == 1
    found = json.loads(capsys.readouterr().out)
    assert found["valid"] is True
    assert found["verdict"] == "incomplete"
    assert [one["id"] for one in found["findings"] if one["state"] not in {"pass", "info"}] == ["repeated-values"]
    assert found["counts"]["not_checked"] == len(found["not_checked"]) > 30
    asked = [one["id"] for one in found["not_checked"] if one["safety"]]
    assert {"fuse-load", "contact-voltage", "cut-out", "relief-valve", "thermostat", "dry-element"} <= set(asked)
    assert found["counts"]["unanswered"] == len(asked)
    assert [one["safety"] for one in found["not_checked"]][: len(asked)] == [True] * len(asked)
    assert {one["part"] for one in found["not_checked"]} == {
        "load",
        "cable and fuse",
        "contact and coil",
        "heater's protection",
        "thresholds and battery",
        "water",
    }


def test_a_fail_is_exit_code_1_on_every_output(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert check(*BAD) == 1
    assert "FAIL  water: relief valve  [pressure]" in capsys.readouterr().out
    assert check(*BAD, "--json", "--report", str(tmp_path / "check.html")) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["verdict"] == "fail"
    assert found["findings"][0]["name"] == "relief valve"
    assert "FAIL: water: relief valve (pressure)" in (tmp_path / "check.html").read_text()


def test_what_is_not_answered_and_no_question_of_safety_is_no_reason_to_stop() -> None:
    keys = {**BARGE, "telemetry.state_of_charge.timestamp_pointer": "/taken_at", "battery.throttle_percent": 93}
    whole = check_document(Path("dumpload.toml"), settings(keys))
    assert (whole["verdict"], is_wrong(whole)) == ("caution", False)  # of a stuck contact, at least
    less = check_document(Path("dumpload.toml"), settings({**keys, **without("battery.night_wh")}))
    assert (less["verdict"], is_wrong(less)) == ("caution", False)
    unsafe = check_document(Path("dumpload.toml"), settings({**keys, **without("tank.relief_valve")}))
    assert (unsafe["verdict"], is_wrong(unsafe)) == ("incomplete", True)


def test_a_caution_is_not_a_fail() -> None:
    keys = {**BARGE, "tank.dry_fire_guard": False}
    found = check_document(Path("dumpload.toml"), settings(keys))
    assert (found["verdict"], is_wrong(found)) == ("caution", False)


def test_a_page_that_cannot_be_written_is_an_input_error(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "no").touch()
    assert check("--report", str(tmp_path / "no" / "check.html")) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith(f"--report {tmp_path}/no/check.html: expected a file that can be written")


def test_bad_settings_are_exit_code_2_and_nothing_is_judged(capsys: pytest.CaptureFixture[str]) -> None:
    assert check("--set", "wiring.length_m=-1") == 2
    assert capsys.readouterr().out == ""


def test_everything_the_checks_need_is_a_setting() -> None:
    needs = {key for one in CHECKS for need in one.needs for key in need.split(EITHER)}
    assert needs <= set(known_keys())


def test_every_figure_of_the_installation_is_used_by_some_check() -> None:
    keys = {**BARGE, "contact.dc_w": 600, "battery.throttle_percent": 99}
    tables = ("installation", "battery", "solar", "load", "tank", "wiring", "contact", "driver")
    known = {name for name in known_keys() if name.partition(".")[0] in tables}
    needs = {key for one in CHECKS for need in one.needs for key in need.split(EITHER)}
    by_themselves = {
        *(key for key, _label in HEAD),  # nothing is worked out of them
        "installation.rules",
        "contact.ac_v",
        "contact.dc_w",
        "battery.chemistry",
        "driver.supply_v",
        "tank.mixing_valve",
        "wiring.conductor",
        "wiring.boat_cable",
        "wiring.conductor_c",
        "driver.pin_v",
        "driver.pin_ma",
        "driver.saturation_v",
        "tank.thermostat_a",
        "tank.thermostat_breaks",
    }
    assert known - needs - by_themselves == SIMULATED
    assert set(keys) <= known


def test_findings_carry_figure_limit_source_and_what_to_change() -> None:
    found = document(**{key.replace(".", "__"): value for key, value in BARGE.items()})
    assert len(found["findings"]) > 40
    for one in found["findings"]:
        assert {"part", "name", "state", "danger", "figure", "limit", "source", "change", "trade"} <= set(one)
        assert {"id", "source_id", "common_practice", "keys", "numbers", "stated"} <= set(one)
        assert all(one[key] for key in ("id", "part", "name", "state", "danger", "figure", "source", "source_id"))
        assert bool(one["limit"]) == (one["state"] != "info"), one["name"]
        assert one["change"] or one["state"] in {"pass", "info"}, one["name"]


def test_lost_data_cost_time_and_energy() -> None:
    assert document()["data_lost"] == (
        "the heater is off at most 61 s after the last value (cost not calculated: needs load.rated_w, "
        "load.rated_v, battery.highest_v)"
    )
    load = {"load__rated_w": 300, "load__rated_v": 24, "battery__highest_v": 28.8}
    # 432 W x 61 s / 3600 = 7.32 Wh; of 7168 Wh 0.1021 %.
    assert document(**load)["data_lost"].endswith("which costs at most 7.32 Wh")
    bank = {"battery__capacity_ah": 280, "battery__nominal_v": 25.6}
    assert document(**load, **bank)["data_lost"].endswith("which costs at most 7.32 Wh, 0.1 % of the battery")


def test_the_law_is_said_in_words() -> None:
    found = document(
        relay__pin_factory="mock",
        relay__active_high=False,
        telemetry__battery_voltage__topic="barge/bank/voltage",
        telemetry__battery_power__topic="barge/bank/power",
        telemetry__tank_temperature__topic="barge/heater/temperature",
        control__confirm_s=0,
        permissive__window=[],
        permissive__voltage_cut_out=26.4,
        permissive__voltage_cut_in=27.2,
        permissive__tank_cut_out_c=65,
        permissive__tank_cut_in_c=58,
        permissive__drain_limit_w=150,
        permissive__max_on_s=7200,
        permissive__max_on_per_day_s=18_000,
    )
    assert found["relay"] == "no pin is driven (pin_factory is mock), low is on"
    assert found["law"] == [
        "on at or above 97 %; off below 93 %; never on below 50 %",
        "at least 300 s on and 300 s off (other limits still switch off at once)",
        "at any time of day",
        "only while the bus is at or above 26.4 V (again from 27.2 V)",
        "only until the tank reaches 65 degC (again from 58 degC)",
        "a drain above 150 W for 60 s switches it off for 900 s",
        "at most 7200 s in one run",
        "at most 18000 s in one local day",
    ]


def test_the_cautions_name_fire_arc_mains_scald_and_pressure_and_defer_to_codes() -> None:
    words = " ".join(document()["cautions"])
    for word in ("Fire:", "Arc:", "Mains:", "Scald:", "Pressure:", "Local codes", "licensed electrician", "plumber"):
        assert word in words


def test_the_check_imports_no_library_that_drives_or_talks() -> None:
    code = "import sys; import dumpload.check.document; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"paho", "gpiozero", "lgpio", "dumpload.daemon.service"} & set(loaded)


def test_the_daemon_imports_none_of_it() -> None:
    code = "import sys; import dumpload.daemon.bootstrap, dumpload.daemon.service; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not [name for name in loaded if name.startswith(("dumpload.physics", "dumpload.check", "dumpload.replay"))]


def test_every_finding_carries_its_numbers_for_a_program_to_read() -> None:
    found = document(**{key.replace(".", "__"): value for key, value in {**BARGE, "wiring.fuse_a": 16}.items()})
    (fuse,) = [one for one in found["findings"] if one["id"] == "fuse-load"]
    # 28.8 V / 1.92 ohm is 15 A; 125 % of it 18.75 A.
    number = {"name": "fuse", "unit": "A", "sense": "at_least", "key": "wiring.fuse_a"}
    (read,) = fuse["numbers"]
    assert {key: read[key] for key in number} == number
    assert (read["value"], read["limit"], read["fails"]) == (16, pytest.approx(18.75), pytest.approx(15))
    assert read["margin"] == pytest.approx(-2.75)
    assert (fuse["state"], fuse["source_id"], fuse["keys"]) == ("caution", "nec-210-20", ["wiring.fuse_a"])
    limits = [number for one in found["findings"] for number in one["numbers"] if number["limit"] is not None]
    assert len(limits) > 30
    assert all(number["sense"] in {"at_least", "at_most"} and number["margin"] is not None for number in limits)


def test_ids_are_words_that_stay_and_sources_have_one_each() -> None:
    ids = [one.id for one in CHECKS]
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)*", one) for one in ids)
    every = [one for one in vars(sources).values() if isinstance(one, sources.Basis)]
    assert len({one.id for one in every}) == len(every)


def test_every_key_that_the_checks_read_is_a_setting() -> None:
    """A misspelt key would never be known: the check would keep silent."""
    tables = "battery|solar|load|tank|wiring|contact|driver|installation|control|permissive|relay|telemetry"
    for module in Path(sources.__file__).parent.glob("*.py"):
        read = set(re.findall(rf'"((?:{tables})(?:\.[a-z_0-9]+)+)"', module.read_text()))
        unknown = read - set(known_keys()) - {"telemetry.state_of_charge.timestamp_pointer"}
        # "tank.cut_out" stands for tank.cut_out_v and tank.cut_out_a, too.
        assert not [key for key in unknown if f"{key}_v" not in known_keys()], module.name
