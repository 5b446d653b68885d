"""Replay of a record through the daemon's own controller: what it counts, what it prints, and what it refuses."""

import gzip
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from world import Shell

from dumpload.cli.commands import main
from dumpload.config.model import load_settings
from dumpload.config.to_core import controller_setup
from dumpload.core.controller import Event, Kind
from dumpload.core.text import utc_text

START = datetime(2026, 6, 1, 8, tzinfo=UTC)

SETTINGS = """\
[telemetry.state_of_charge]
topic = "barge/bank/charge"
max_age_s = 120
[permissive]
window = []
[relay]
pin = 17
pin_factory = "mock"
[load]
rated_w = 300
rated_v = 24
[tank]
volume_l = 40
"""


def charge(minute: int) -> float:
    """A bank that fills by noon, empties in the afternoon, and says nothing for twenty minutes in between."""
    return min(100.0, 90.0 + minute / 20) if minute < 240 else 100.0 - (minute - 240) / 10


MINUTES = [minute for minute in range(600) if not 242 <= minute < 262]


@pytest.fixture
def replayed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    (tmp_path / "barge.toml").write_text(SETTINGS)

    def run(text: str | bytes, *arguments: str, name: str = "log.csv") -> tuple[int, str, str]:
        file = tmp_path / name
        file.write_bytes(text if isinstance(text, bytes) else text.encode())
        code = main(["replay", str(file), "--config", str(tmp_path / "barge.toml"), *arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return run


def at(minute: int) -> str:
    return (START + timedelta(minutes=minute)).strftime("%Y-%m-%dT%H:%M:%SZ")


def csv(head: str = "time,state_of_charge") -> str:
    return "\n".join([head, *(f"{at(minute)},{charge(minute):.2f}" for minute in MINUTES)]) + "\n"


def document(outcome: tuple[int, str, str]) -> Any:
    code, out, err = outcome
    assert (code, err) == (0, "")
    return json.loads(out)


def test_its_changes_are_those_of_the_controller_driven_by_hand(replayed: Any, tmp_path: Path) -> None:
    result = document(replayed(csv(), "--json"))
    first = START.timestamp()
    controller = Shell(controller_setup(load_settings(tmp_path / "barge.toml", {}, [])), first)
    expected: list[tuple[str, str, str]] = []

    def note(event: Event) -> None:
        for decision in controller.handle(event):
            if decision.changed:
                row = (utc_text(decision.wall), decision.position.name.lower(), decision.cause.name.lower())
                expected.append(row)

    for minute in MINUTES:
        t = first + 60 * minute
        while controller.state.deadline < t:
            note(Event(controller.state.deadline, controller.state.deadline, Kind.WAKE))
        note(Event(t, t, Kind.SAMPLE, value=float(f"{charge(minute):.2f}"), stamp=t))
    assert [(change["at"], change["relay"], change["cause"]) for change in result["changes"]] == expected
    assert [change["cause"] for change in result["changes"]] == ["surplus", "data_lost", "surplus", "below_cut_out"]


def test_its_document_has_what_the_contract_asks_for(replayed: Any) -> None:
    result = document(replayed(csv(), "--json"))
    assert {"samples", "accepted", "rejected", "first", "last", "changes", "summary"} <= set(result)
    assert set(result["changes"][0]) == {"at", "relay", "cause", "state_of_charge"}
    expected = {"switch_ons", "on_time_s", "on_time_per_day_s", "energy_wh", "lowest_state_of_charge_on", "data_lost_s"}
    summary = result["summary"]
    assert expected <= set(summary)
    assert (result["samples"], result["rejected"], summary["switch_ons"]) == (len(MINUTES), 0, 2)
    assert summary["data_lost_s"] == 21 * 60 - 120  # from two minutes after the last sample to the next one
    on_s = summary["on_time_s"]
    assert summary["energy_wh"] == pytest.approx(300 * on_s / 3600, abs=1e-3)  # by the rating: P t, no voltage known


def test_the_text_says_the_verdict_first_and_that_the_loop_is_open(replayed: Any) -> None:
    code, out, _ = replayed(csv())
    assert code == 0
    assert out.startswith("The relay would have come on")
    assert "Open loop" in out
    assert max(map(len, out.splitlines())) <= 80


def test_a_voltage_gives_the_energy_by_the_elements_resistance(replayed: Any) -> None:
    rows = [f"{at(minute)},{charge(minute):.2f},28.8" for minute in range(150, 200)]
    result = document(replayed("\n".join(["time,state_of_charge,battery_voltage", *rows]) + "\n", "--json"))
    on_s = result["summary"]["on_time_s"]
    assert result["summary"]["energy_wh"] == pytest.approx(432 * on_s / 3600, abs=1e-3)  # (28.8/24)^2 x 300 W = 432 W


def test_a_measured_load_power_comes_before_voltage_and_rating(replayed: Any) -> None:
    rows = [f"{at(minute)},{charge(minute):.2f},400" for minute in range(150, 200)]
    result = document(replayed("\n".join(["time,state_of_charge,load_power", *rows]) + "\n", "--json"))
    on_s = result["summary"]["on_time_s"]
    assert result["summary"]["energy_wh"] == pytest.approx(400 * on_s / 3600, abs=1e-3)


def test_a_capture_goes_through_the_same_decoding_retained_flag_included(replayed: Any) -> None:
    lines = [
        json.dumps({"time": at(minute), "topic": "barge/bank/charge", "payload": "98.5", "retain": minute == 0})
        for minute in range(30)
    ]
    lines.append(json.dumps({"time": at(30), "topic": "barge/bank/charge", "payload": "NaN", "retain": False}))
    result = document(replayed("\n".join(lines) + "\n", "--json", name="log.jsonl"))
    assert (result["accepted"], result["rejected"]) == (29, 2)
    assert result["changes"][0]["at"] == utc_text(START.timestamp() + 300)  # the minimum off-time counts from the start


def test_other_thresholds_can_be_tried_and_put_side_by_side(replayed: Any, tmp_path: Path) -> None:
    result = document(replayed(csv(), "--json", "--set", "control.cut_in_percent=99"))
    assert result["changes"][0]["state_of_charge"] == pytest.approx(99.0, abs=0.1)
    (tmp_path / "other.toml").write_text(SETTINGS + "[control]\ncut_in_percent = 99\n")
    code, out, _ = replayed(csv(), "--compare", str(tmp_path / "other.toml"))
    assert code == 0
    assert "other" in out
    code, out, _ = replayed(csv(), "--compare", str(tmp_path / "other.toml"), "--json")
    assert code == 0
    assert json.loads(out)


@pytest.mark.parametrize(
    ("change", "more"),
    [
        (lambda text: "\ufeff" + text, ()),
        (lambda text: text.replace("\n", "\r\n"), ()),
        (lambda text: gzip.compress(text.encode()), ()),
        (lambda text: text.replace("state_of_charge", "soc"), ("--column", "state_of_charge=soc")),
        (
            lambda text: "\n".join(reversed(text.split("\n")[1:])).strip().join(["time,state_of_charge\n", "\n"]),
            ("--sort",),
        ),
    ],
    ids=["byte order mark", "CRLF", "gzip", "another column name", "out of order, sorted"],
)
def test_what_is_tolerated_gives_the_same_changes(replayed: Any, change: Any, more: tuple[str, ...]) -> None:
    plain = document(replayed(csv(), "--json"))
    assert document(replayed(change(csv()), "--json", *more))["changes"] == plain["changes"]


def test_a_ratio_is_read_as_one_when_told_so(replayed: Any) -> None:
    rows = [f"{at(minute)},{charge(minute) / 100:.4f}" for minute in MINUTES]
    text = "\n".join(["time,state_of_charge", *rows]) + "\n"
    result = document(replayed(text, "--json", "--unit", "state_of_charge=ratio"))
    assert result["changes"] == document(replayed(csv(), "--json"))["changes"]


def test_a_torn_last_line_is_left_out_and_said(replayed: Any) -> None:
    code, out, _ = replayed(csv() + f"{at(600)}")
    assert code == 0
    assert "torn" in out


def test_a_bad_row_is_reported_with_line_and_text_and_counted(replayed: Any) -> None:
    lines = csv().splitlines()
    lines.insert(4, "no time at all,97")
    code, out, _ = replayed("\n".join(lines) + "\n")
    assert code == 0
    text = " ".join(out.split())  # a long path moves the ends of lines
    assert "line 5" in text
    assert "no time at all" in text
    assert "1 row" in text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "empty"),
        ("time,state_of_charge\n", "at least one row"),
        ("when,state_of_charge\n1,2\n", "time"),
        (f"time,battery_voltage\n{at(0)},26\n", "state_of_charge"),
        (f"time,state_of_charge\n{at(5)},90\n{at(4)},90\n", "--sort"),
        (b"\x00\x01\x02\xff\xfe binary \x00" * 50, "expected"),
    ],
    ids=["empty", "header only", "no time", "no charge", "time going backwards", "binary"],
)
def test_a_record_that_makes_no_sense_is_refused_by_name(replayed: Any, text: str | bytes, expected: str) -> None:
    code, out, err = replayed(text)
    assert (code, out) == (2, "")
    assert "log.csv" in err
    assert expected in err


def test_a_record_that_is_not_there_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "barge.toml").write_text(SETTINGS)
    assert main(["replay", str(tmp_path / "none.csv"), "--config", str(tmp_path / "barge.toml")]) == 2
    assert "none.csv" in capsys.readouterr().err
