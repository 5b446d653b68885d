"""Every figure that a check starts from: given, default or missing."""

import json

from judged import settings
from surveyed import BARGE

from dumpload.check.document import CHECKS, entered
from dumpload.check.table import EITHER
from dumpload.config.model import known_keys


def rows(**changes: object) -> dict[str, dict[str, object]]:
    return {row["key"]: row for row in entered(settings({**BARGE, **changes}))}


def test_a_figure_is_given_default_or_missing() -> None:
    found = rows()
    assert (found["load.rated_w"]["value"], found["load.rated_w"]["unit"], found["load.rated_w"]["state"]) == (
        300,
        "W",
        "given",
    )
    assert (found["wiring.conductor_c"]["value"], found["wiring.conductor_c"]["state"]) == (75, "default")
    assert (found["contact.dc_w"]["value"], found["contact.dc_w"]["state"]) == (None, "missing")
    assert found["tank.relief_valve"]["value"] is True


def test_a_default_that_was_written_down_was_given() -> None:
    assert rows(**{"wiring.conductor_c": 75})["wiring.conductor_c"]["state"] == "given"


def test_every_figure_that_a_check_needs_is_among_them() -> None:
    needs = {key for one in CHECKS for need in one.needs for key in need.split(EITHER)}
    installed = {key for key in needs if not key.startswith("telemetry.")}
    assert installed <= set(rows())
    assert "telemetry.state_of_charge.max_age_s" in rows()


def test_nothing_of_the_machine_the_broker_or_its_users_is_among_them() -> None:
    for key in rows():
        assert key.partition(".")[0] not in {"mqtt", "history", "request"}
        assert not known_keys()[key].is_path


def test_it_can_be_told_as_json() -> None:
    told = entered(settings(BARGE))
    assert json.loads(json.dumps(told)) == told
