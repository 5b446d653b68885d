"""The installation check as a document and as a command."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from judged import settings
from surveyed import BARGE

from dumpload.cli import main
from dumpload.config import known_keys
from dumpload.study.check.document import CHECKS, check_document
from dumpload.study.check.lines import EITHER

CONFIG = Path(__file__).parent.parent / "config"
BAD = ["--set", "tank.relief_valve=false"]


def document(**changes: Any) -> dict[str, Any]:
    keys = {key.replace("__", "."): value for key, value in changes.items()}
    return check_document(Path("/barge/dumpload.toml"), settings(keys))


def check(*arguments: str) -> int:
    return main(["check", "--config", str(CONFIG / "minimal.toml"), *arguments])


def test_the_fewest_settings_are_fine_and_everything_else_is_not_checked(capsys: pytest.CaptureFixture[str]) -> None:
    assert check("--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["valid"] is True
    assert found["verdict"] == "caution"
    assert [one["name"] for one in found["findings"] if one["state"] != "pass"] == ["old values told again"]
    assert found["counts"]["not_checked"] == len(found["not_checked"]) > 30
    assert {one["part"] for one in found["not_checked"]} == {
        "load",
        "cable and fuse",
        "contact and coil",
        "thresholds and bank",
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


def test_with_a_timestamp_they_are_only_not_whole(capsys: pytest.CaptureFixture[str]) -> None:
    assert check("--json", "--set", 'telemetry.state_of_charge.timestamp_pointer="/taken_at"') == 0
    found = json.loads(capsys.readouterr().out)
    assert found["verdict"] == "incomplete"
    assert found["counts"]["fail"] == found["counts"]["caution"] == 0


def test_a_caution_is_not_a_fail(capsys: pytest.CaptureFixture[str]) -> None:
    assert check("--set", "control.cut_in_percent=95") == 0
    assert capsys.readouterr().out.splitlines()[2].startswith("CAUTION: nothing failed, but 2 things to think about")


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
    tables = ("battery", "solar", "load", "tank", "wiring", "contact", "driver")
    known = {name for name in known_keys() if name.partition(".")[0] in tables}
    needs = {key for one in CHECKS for need in one.needs for key in need.split(EITHER)}
    by_themselves = {
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
    }
    assert known - needs - by_themselves == set()
    assert set(keys) <= known


def test_findings_carry_figure_limit_source_and_what_to_change() -> None:
    found = document(**{key.replace(".", "__"): value for key, value in BARGE.items()})
    assert len(found["findings"]) > 40
    for one in found["findings"]:
        assert set(one) == {"part", "name", "state", "danger", "figure", "limit", "source", "change", "trade"}
        assert all(one[key] for key in ("part", "name", "state", "danger", "figure", "limit", "source"))
        assert one["change"] or one["state"] == "pass", one["name"]


def test_lost_data_cost_time_and_energy() -> None:
    assert document()["data_lost"] == (
        "the load is off at most 61 s after the last value (not worked out what that can cost: needs load.rated_w, "
        "load.rated_v, battery.highest_v)"
    )
    load = {"load__rated_w": 300, "load__rated_v": 24, "battery__highest_v": 28.8}
    # 432 W x 61 s / 3600 = 7.32 Wh; of 7168 Wh 0.1021 %.
    assert document(**load)["data_lost"].endswith("which costs at most 7.32 Wh")
    bank = {"battery__capacity_ah": 280, "battery__nominal_v": 25.6}
    assert document(**load, **bank)["data_lost"].endswith("which costs at most 7.32 Wh, 0.1 % of the bank")


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
        "at least 300 s on and 300 s off (a veto ends an on-time at once)",
        "at any time of day",
        "only while the bus is not below 26.4 V (again from 27.2 V)",
        "only until the tank is at 65 degC (again from 58 degC)",
        "a drain of more than 150 W for 60 s takes it off for 900 s",
        "at most 7200 s in one run",
        "at most 18000 s in one local day",
    ]


def test_the_cautions_name_fire_arc_mains_scald_and_pressure_and_defer_to_codes() -> None:
    words = " ".join(document()["cautions"])
    for word in ("Fire:", "Arc:", "Mains:", "Scald:", "Pressure:", "Local codes", "licensed electrician", "plumber"):
        assert word in words


def test_the_check_imports_no_library_that_drives_or_talks() -> None:
    code = "import sys; import dumpload.study.check.document; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"paho", "gpiozero", "lgpio", "dumpload.service"} & set(loaded)


def test_the_daemon_imports_none_of_it() -> None:
    code = "import sys; import dumpload.daemon, dumpload.service; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not [name for name in loaded if name.startswith(("dumpload.physics", "dumpload.study"))]
