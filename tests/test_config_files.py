"""The files in config/ load, agree with the schema, and the generated ones are what the models give."""

import copy
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from judged import FEWEST, complaints, nested

from dumpload.config.model import flat, known_keys, load_settings, needs_restart
from dumpload.config.reference import reference_page, schema_document

CONFIG = Path(__file__).parent.parent / "config"
BARGE, MINIMAL = CONFIG / "dumpload.toml", CONFIG / "minimal.toml"
VALIDATOR = jsonschema.Draft202012Validator(schema_document())


def uncommented(text: str) -> str:
    """Return the text with every suggested setting switched on."""
    return re.sub(r"^# (\w+ = )", r"\1", text, flags=re.MULTILINE)


@pytest.mark.parametrize("file", [BARGE, MINIMAL])
def test_the_examples_load_and_agree_with_the_schema(file: Path) -> None:
    load_settings(file, {})
    VALIDATOR.validate(tomllib.loads(file.read_text()))


def test_the_example_still_loads_with_every_suggestion_taken(tmp_path: Path) -> None:
    text = uncommented(BARGE.read_text())
    file = tmp_path / "dumpload.toml"
    file.write_text(text)
    found = flat(load_settings(file, {}))
    VALIDATOR.validate(tomllib.loads(text))
    for key in ("mqtt.tls", "permissive.voltage_cut_in", "permissive.max_on_s", "relay.feedback_pin", "history.path"):
        assert key in found


def test_the_example_needs_no_signal_but_the_state_of_charge_to_run() -> None:
    found = flat(load_settings(BARGE, {}))
    needing = {"permissive.voltage_cut_out", "permissive.tank_cut_out_c", "permissive.drain_limit_w"}
    assert not needing & set(found)
    assert found["relay.pin_factory"] == "lgpio"


def test_the_minimal_file_has_the_fewest_settings() -> None:
    values = tomllib.loads(MINIMAL.read_text())
    assert values == nested(FEWEST)
    for table, key in (("telemetry.state_of_charge", "topic"), ("relay", "pin")):
        less = copy.deepcopy(values)
        inner = less
        for part in table.split("."):
            inner = inner[part]
        del inner[key]
        assert not VALIDATOR.is_valid(less)


def test_the_schema_is_a_valid_one_and_the_file_is_up_to_date() -> None:
    jsonschema.Draft202012Validator.check_schema(schema_document())
    assert json.loads((CONFIG / "schema.json").read_text()) == schema_document()
    text = json.dumps(schema_document())
    assert '"type": "null"' not in text
    assert '"default": null' not in text


def test_the_reference_is_up_to_date() -> None:
    assert (CONFIG / "REFERENCE.md").read_text(encoding="utf-8") == reference_page()


def test_the_reference_has_every_setting_with_its_variable_and_whether_it_can_be_reloaded() -> None:
    rows = [line for line in reference_page().splitlines() if "`DUMPLOAD_" in line and line.startswith("|")]
    assert len(rows) == len(known_keys())
    for row, name in zip(rows, known_keys(), strict=True):
        key, *_, reload, variable = [cell.strip() for cell in row.strip("|").split(" | ")]
        assert key == f"`{name.rpartition('.')[2]}`"
        assert variable == f"`DUMPLOAD_{name.upper().replace('.', '__')}`"
        assert reload == ("no" if needs_restart(name) else "yes")


def test_the_documents_are_written_by_one_command(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-m", "dumpload.config.reference", str(tmp_path)], check=True)
    assert sorted(file.name for file in tmp_path.iterdir()) == ["REFERENCE.md", "schema.json"]
    assert (tmp_path / "REFERENCE.md").read_text(encoding="utf-8") == reference_page()
    assert json.loads((tmp_path / "schema.json").read_text(encoding="utf-8")) == schema_document()


WRONG: dict[str, Any] = {"boolean": 1, "integer": 1.5, "number": "1", "string": 1, "array": "x"}


@given(st.sampled_from(list(known_keys())))
def test_schema_and_program_refuse_the_same_wrong_types(name: str) -> None:
    wrong = {name: WRONG[known_keys()[name].schema["type"]]}
    assert complaints(wrong)
    assert not VALIDATOR.is_valid(nested({**FEWEST, **wrong}))


@pytest.mark.parametrize(
    "keys",
    [
        {"control.cut_in_percent": 120},
        {"control.cut_in": 97},
        {"colour": "red"},
        {"relay.pin": 512},
        {"mqtt.protocol": "4"},
        {"name": "my heater"},
        {"telemetry.state_of_charge.topic": "barge/#"},
        {"telemetry.state_of_charge.pointer": "charge"},
        {"mqtt.base_topic": "barge/"},
        {"permissive.window": ["9-17"]},
        {"telemetry.load_power.unit": "W"},
    ],
)
def test_schema_and_program_refuse_the_same_wrong_values(keys: dict[str, Any]) -> None:
    assert complaints(keys)
    assert not VALIDATOR.is_valid(nested({**FEWEST, **keys}))
