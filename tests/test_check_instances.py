"""Two instances on one computer: what only one of them may have, over all files of the settings folder."""

import json
import os
from pathlib import Path
from typing import Any

import pytest

from dumpload.cli.commands import main
from dumpload.config.instances import has_neighbours

Capture = pytest.CaptureFixture[str]

KEPT = "/var/lib/dumpload"
ONE = """
name = "{name}"
[telemetry.state_of_charge]
topic = "barge/bank/charge"
[relay]
pin = {pin}
{relay}
[mqtt]
host = "{host}"
{mqtt}
[history]
path = "{history}"
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in [name for name in os.environ if name.startswith("DUMPLOAD_")]:
        monkeypatch.delenv(name)
    return tmp_path


def put(folder: Path, file: str, **changes: Any) -> Path:
    stem = file.removesuffix(".toml")
    values = {
        "name": stem,
        "pin": 17,
        "relay": "",
        "host": "localhost",
        "mqtt": "",
        "history": f"/var/lib/dumpload/{stem}.db",
    }
    path = folder / file
    path.write_text(ONE.format(**{**values, **changes}))
    return path


def own(capsys: Capture, folder: Path, path: Path) -> dict[str, Any]:
    """Return the findings on what an instance has of its own, by id."""
    main(["check", "--json", "--config", str(path)], [str(folder / "dumpload.toml")])
    document = json.loads(capsys.readouterr().out)
    return {one["id"]: one for one in document["findings"] if one["part"] == "instances"}


@pytest.mark.parametrize(
    ("changes", "finding", "words"),
    [
        ({}, "own_pin", "GPIO17"),
        ({"pin": 4, "relay": "feedback_pin = 17"}, "own_pin", "GPIO17"),
        ({"pin": 4, "name": "galley"}, "own_name", "name galley"),
        ({"pin": 4, "mqtt": 'base_topic = "dumpload/galley"'}, "own_topic", "base topic dumpload/galley"),
        (
            {"pin": 4, "history": "/var/lib/dumpload/../dumpload/galley.db"},
            "own_history",
            "history /var/lib/dumpload/galley.db",
        ),
    ],
)
def test_what_two_files_claim_fails_and_names_both(
    folder: Path, capsys: Capture, changes: dict[str, Any], finding: str, words: str
) -> None:
    galley, heater = put(folder, "galley.toml"), put(folder, "heater.toml", **changes)
    found = own(capsys, folder, galley)
    assert found[finding]["state"] == "fail"
    assert found[finding]["figure"] == f"{words} in {galley} and in {heater}"
    assert main(["check", "--config", str(heater)], [str(folder / "dumpload.toml")]) == 1
    assert f"{galley}" in capsys.readouterr().out.replace("\n              ", " ")


def test_instances_that_share_nothing_pass(folder: Path, capsys: Capture) -> None:
    galley = put(folder, "galley.toml")
    put(folder, "heater.toml", pin=4)
    assert {one["state"] for one in own(capsys, folder, galley).values()} == {"pass"}


@pytest.mark.parametrize(
    "changes",
    [
        {"relay": 'chip_label = "expander"'},
        {"relay": 'pin_factory = "mock"'},
        {"pin": 4, "host": "elsewhere", "mqtt": 'base_topic = "dumpload/galley"'},
    ],
    ids=["another chip", "no pin at all", "another broker"],
)
def test_what_only_looks_shared_passes(folder: Path, capsys: Capture, changes: dict[str, Any]) -> None:
    galley = put(folder, "galley.toml")
    put(folder, "heater.toml", **changes)
    assert {one["state"] for one in own(capsys, folder, galley).values()} == {"pass"}


def test_a_file_that_is_refused_is_named_and_not_compared(folder: Path, capsys: Capture) -> None:
    galley = put(folder, "galley.toml")
    (folder / "heater.toml").write_text("pin = ")
    found = own(capsys, folder, galley)["own_pin"]
    assert found["state"] == "caution"
    assert str(folder / "heater.toml") in found["change"]


def test_a_lone_file_and_a_draft_elsewhere_have_no_others(folder: Path, capsys: Capture) -> None:
    (folder / "etc").mkdir()
    galley = put(folder / "etc", "galley.toml")
    assert own(capsys, folder / "etc", galley) == {}
    put(folder / "etc", "heater.toml")
    assert own(capsys, folder / "etc", put(folder, "draft.toml")) == {}


def test_settings_have_neighbours_where_others_are_installed_beside_them(folder: Path) -> None:
    one = put(folder, "heater.toml")
    assert not has_neighbours(one, str(folder / "dumpload.toml"))
    put(folder, "watermaker.toml")
    assert has_neighbours(one, str(folder / "dumpload.toml"))
    assert not has_neighbours(one, "/etc/dumpload/dumpload.toml"), "a draft elsewhere"
