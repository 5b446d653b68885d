"""Several settings on one record, side by side."""

import re
from pathlib import Path

import pytest
from histories import change, fill, sample
from judged import settings
from month import write_month
from world import NOON

from dumpload.config.model import Settings
from dumpload.core.signals import Signal
from dumpload.records.record import TableFormat
from dumpload.replay.compare import Trial, run_trials, trials_document, trials_text
from dumpload.replay.document import replay_document
from dumpload.replay.text import percent

KEYS = {"load.rated_w": 300, "load.rated_v": 24, "tank.volume_l": 40, "tank.target_c": 60, "permissive.window": []}


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("month") / "barge.csv"
    write_month(path, days=3, every_s=30)
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
    assert lines[0].startswith("Of 6 settings on the same record, E would have run the heater longest")
    assert "B  at-99.5.toml" in lines
    assert lines[-2:] == ["F differs from A in:", "   control.cut_in_percent 99.0 (A: 97.0)"]
    columns = [line.split() for line in lines if line.strip() and set(line) <= set("ABCDEF ")]
    assert columns == [["A", "B", "C", "D"], ["E", "F"]]
    assert sum(line.startswith("on-time a day") for line in lines) == 2


def test_keys_that_decide_nothing_are_only_counted(month: Path) -> None:
    first, other = (
        settings(KEYS),
        settings(KEYS | {"name": "galley", "mqtt.port": 1884, "permissive.window": ["09:00-17:00"]}),
    )
    lines = trials_text(run_trials(month, TableFormat(), {"one": first, "other": other})).splitlines()
    assert "   permissive.window 09:00-17:00 (A: none)" in lines
    assert lines[-1].startswith("   plus ")
    assert "mqtt.port" not in "".join(lines)
    same = trials_text(run_trials(month, TableFormat(), {"one": first, "other": first})).splitlines()
    assert same[-1] == "B has the same control settings as A."


def test_one_trial_is_told_in_full(trials: list[Trial]) -> None:
    assert "Changes (UTC time):" in trials_text(trials[:1])


def test_how_far_all_of_them_are_is_told(month: Path) -> None:
    parts: list[float] = []
    run_trials(month, TableFormat(), chosen(97, 98), watch=parts.append)
    assert parts == sorted(parts)
    assert any(0.3 < part <= 0.5 for part in parts)
    assert parts[-1] == 1.0


# The energy of settings that were not in force


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two days in which the load was on at 97 % and drew 300 W, and else drew nothing; the charge falls bit by bit."""
    path = tmp_path_factory.mktemp("driven") / "barge.csv"
    rows = [(1_750_075_200 + 30 * n, 99 - n / 300) for n in range(5760)]
    lines = [f"{t},{max(charge, 50):.3f},{300 if charge >= 97 else 0}\n" for t, charge in rows]
    path.write_text("time,state_of_charge,load_power\n" + "".join(lines))
    return path


@pytest.fixture(scope="module")
def high_and_low(driven: Path) -> list[Trial]:
    """The thresholds that were in force, and lower ones."""
    high = settings(KEYS | {"control.cut_in_percent": 98, "control.cut_out_percent": 97})
    low = settings(KEYS | {"control.cut_in_percent": 98, "control.cut_out_percent": 92})
    return run_trials(driven, TableFormat(), {"high": high, "low": low})


def test_lower_thresholds_bring_more_energy_although_the_recorded_load_was_off(high_and_low: list[Trial]) -> None:
    on_s, wh = zip(
        *[(trial.result.summary.on_time_s, trial.result.summary.energy_wh) for trial in high_and_low], strict=True
    )
    assert on_s[1] > 3 * on_s[0]
    assert wh == pytest.approx([300 * seconds / 3600 for seconds in on_s], rel=0.01)


def test_the_notes_of_a_single_replay_are_in_a_comparison_with_their_letters(
    high_and_low: list[Trial],
) -> None:
    note = "of this on-time the heater drew nothing in the record: either the relay was off at that time"
    text = " ".join(trials_text(high_and_low).split())
    assert re.search(rf"! B: In 1\d h \d\d min {note}", text)
    assert note in " ".join(trials_text(high_and_low[1:]).split())
    assert note not in " ".join(trials_text(high_and_low[:1]).split())


def test_a_tie_names_all_of_those_that_are_equal(month: Path) -> None:
    same = settings(KEYS)
    text = trials_text(run_trials(month, TableFormat(), {"a": same, "b": same}))
    first = " ".join(text.split("\n\n")[0].split())
    assert first.endswith("all would have run the heater equally long, and all switched it on equally often.")


def test_one_key_is_a_key(month: Path) -> None:
    text = trials_text(
        run_trials(month, TableFormat(), {"a": settings(KEYS), "b": settings(KEYS | {"mqtt.port": 1884})})
    )
    assert text.endswith("plus 1 setting with no effect here")


def test_a_short_record_gives_no_figures_a_day(tmp_path: Path) -> None:
    rows = "".join(f"{1_750_075_200 + 30 * n},{99 if n < 40 else 80}\n" for n in range(60))
    (tmp_path / "log.csv").write_text("time,state_of_charge\n" + rows)
    chosen = {"a": settings(KEYS), "b": settings(KEYS | {"control.cut_in_percent": 98})}
    single = trials_text(run_trials(tmp_path / "log.csv", TableFormat(), {"a": chosen["a"]}))
    assert "a day" not in single
    assert "years at this rate" not in single
    both = trials_text(run_trials(tmp_path / "log.csv", TableFormat(), chosen))
    assert ["switch-ons", "a", "day", "-", "-"] in [line.split() for line in both.splitlines()]


@pytest.mark.parametrize(
    ("part", "expected"), [(1.0, "100 %"), (0.01, "1 %"), (0.0123, "1.2 %"), (0.995, "100 %"), (0.0, "0 %")]
)
def test_a_part_in_percent_has_no_exponent(part: float, expected: str) -> None:
    assert percent(part) == expected


@pytest.mark.parametrize(("was_on", "watt_hours"), [(True, 0.0), (False, 300.0)])
def test_a_history_knows_whether_its_load_was_off_or_its_thermostat_open(
    tmp_path: Path, was_on: bool, watt_hours: float
) -> None:
    path = tmp_path / "history.sqlite3"
    moved = [change(1)] if was_on else []
    power = sample(2, 0.0, t=1.0, wall=NOON + 1, signal=Signal.LOAD_POWER)._replace(until=9000.0)
    charges = [sample(3 + n, 99.0, t=2.0 + 30 * n, wall=NOON + 2 + 30 * n) for n in range(300)]
    fill(path, [*moved, power, *charges])
    (trial,) = run_trials(path, TableFormat(), {"a": settings(KEYS)})
    summary = trial.result.summary
    assert summary.on_time_s > 3600
    assert summary.energy_wh == pytest.approx(watt_hours * summary.on_time_s / 3600, rel=0.05, abs=1.0)
