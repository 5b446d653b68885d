"""Several settings on one record, side by side."""

from pathlib import Path

import pytest
from judged import settings
from month import write_month

from dumpload.config.model import Settings
from dumpload.records.record import TableFormat
from dumpload.replay.compare import Trial, run_trials, trials_document, trials_text
from dumpload.replay.document import replay_document

KEYS = {"load.rated_w": 300, "load.rated_v": 24, "tank.volume_l": 40, "tank.target_c": 60, "permissive.window": []}


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("month") / "barge.csv"
    write_month(path, days=6, every_s=30)
    return path


def chosen(*cut_ins: float) -> dict[str, Settings]:
    return {f"at-{cut_in:g}.toml": settings(KEYS | {"control.cut_in_percent": cut_in}) for cut_in in cut_ins}


@pytest.fixture(scope="module")
def trials(month: Path) -> list[Trial]:
    return run_trials(month, TableFormat(), chosen(97, 99.5, 98, 96, 95, 99))


def test_each_trial_is_that_of_its_own_settings_alone(month: Path, trials: list[Trial]) -> None:
    alone = run_trials(month, TableFormat(), chosen(99.5))[0]
    assert replay_document(alone.result, alone.figures) == replay_document(trials[1].result, trials[1].figures)
    assert trials[0].result.summary.on_time_s > trials[1].result.summary.on_time_s > 0


def test_the_document_keeps_the_first_and_adds_the_others(trials: list[Trial]) -> None:
    document = trials_document(trials[:2])
    assert document["config"] == "at-97.toml"
    (other,) = document["compared"]
    assert other["config"] == "at-99.5.toml"
    assert other["differs"] == {"control.cut_in_percent": [97.0, 99.5]}
    assert {"samples", "changes", "summary"} <= set(other)
    assert "compared" not in trials_document(trials[:1])


def test_the_text_has_the_settings_side_by_side(trials: list[Trial]) -> None:
    text = trials_text(trials)
    lines = text.splitlines()
    assert max(map(len, lines)) <= 80
    assert text.isascii()
    assert lines[0].startswith("Of 6 settings on the same record, E would have run the load longest")
    assert "B  at-99.5.toml" in lines
    assert lines[-2:] == ["F differs from A in:", "   control.cut_in_percent 99.0 (A: 97.0)"]
    columns = [line.split() for line in lines if line.strip() and set(line) <= set("ABCDEF ")]
    assert columns == [["A", "B", "C", "D"], ["E", "F"]]
    assert sum(line.startswith("on-time a day") for line in lines) == 2


def test_keys_that_decide_nothing_are_only_counted(month: Path) -> None:
    one, other = (
        settings(KEYS),
        settings(KEYS | {"name": "galley", "mqtt.port": 1884, "permissive.window": ["09:00-17:00"]}),
    )
    lines = trials_text(run_trials(month, TableFormat(), {"one": one, "other": other})).splitlines()
    assert "   permissive.window ('09:00-17:00',) (A: ())" in lines
    assert lines[-1].startswith("   and in ")
    assert "mqtt.port" not in "".join(lines)
    same = trials_text(run_trials(month, TableFormat(), {"one": one, "other": one})).splitlines()
    assert same[-1] == "B has the same control settings as A."


def test_one_trial_is_told_in_full(trials: list[Trial]) -> None:
    assert "Changes (UTC time):" in trials_text(trials[:1])


def test_how_far_all_of_them_are_is_told(month: Path) -> None:
    parts: list[float] = []
    run_trials(month, TableFormat(), chosen(97, 98), watch=parts.append)
    assert parts == sorted(parts)
    assert any(0.3 < part <= 0.5 for part in parts)
    assert parts[-1] == 1.0
