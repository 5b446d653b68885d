"""Many settings at once or one by one: the same results, and the same refusals."""

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from histories import fill, sample
from judged import settings
from month import write_month

from dumpload.config import Settings
from dumpload.study.records.record import Form, RecordError
from dumpload.study.replay import at_once
from dumpload.study.replay.at_once import play_all
from dumpload.study.replay.document import replay_document
from dumpload.study.replay.figures import figures, plan
from dumpload.study.replay.player import Plan
from dumpload.study.replay.replay import ReplayInterrupted, Result

KEYS: dict[str, Any] = {
    "telemetry.battery_voltage.topic": "barge/bank/voltage",
    "telemetry.tank_temperature.topic": "barge/tank/temperature",
    "load.rated_w": 300,
    "load.rated_v": 24,
}
VARIED: list[dict[str, Any]] = [
    {},
    {"control.cut_in_percent": 95, "control.cut_out_percent": 90},
    {"control.min_on_s": 3600, "control.min_off_s": 7200},
    {"permissive.window": []},
    {"permissive.voltage_cut_out": 26.5, "permissive.voltage_cut_in": 27.0},
    {"permissive.max_on_s": 1800},
    {"telemetry.state_of_charge.max_age_s": 300.0, "control.confirm_s": 600},
]


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six days with an hour missing, a bad row, cells that do not count, and a code for unknown."""
    path = tmp_path_factory.mktemp("month") / "barge.csv"
    write_month(path, days=6, every_s=30)
    lines = path.read_text().splitlines()
    del lines[5000:5120]
    for number, text in ((3000, "255"), (3001, "255"), (7000, "nan"), (7001, ""), (7002, "102")):
        cells = lines[number].split(",")
        lines[number] = ",".join([cells[0], text, *cells[2:]])
    lines.insert(9000, "soon,1,2")
    path.write_text("\n".join(lines) + "\n")
    return path


def tried(*varied: dict[str, Any], **more: Any) -> list[tuple[Settings, Plan]]:
    made = [settings({**KEYS, "telemetry.state_of_charge.unknown": [255], **more, **keys}) for keys in varied]
    return [(one, plan(one)) for one in made]


def documents(results: list[Result], of: list[tuple[Settings, Plan]]) -> list[dict[str, Any]]:
    return [
        replay_document(one, figures(chosen, one.summary)) for one, (chosen, _plan) in zip(results, of, strict=True)
    ]


def one_by_one(path: Path, of: list[tuple[Settings, Plan]]) -> list[Result]:
    return [play_all(path, Form(), [one], lambda _part: None)[0] for one in of]


def test_at_once_and_one_by_one_come_to_the_same_document(month: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("numpy")
    of = tried(*VARIED)
    watched: list[float] = []
    together = play_all(month, Form(), of, watched.append)
    assert [type(one.changes) for one in together].count(list) == 1  # the on-time limit is played in full
    assert json.dumps(documents(together, of)) == json.dumps(documents(one_by_one(month, of), of))
    assert watched == sorted(watched)
    monkeypatch.setitem(sys.modules, "dumpload.study.fast.sweep", None)
    assert documents(play_all(month, Form(), of, watched.append), of) == documents(together, of)


def test_few_settings_are_played_one_by_one(month: Path) -> None:
    of = tried(*VARIED[:3])
    assert all(isinstance(one.changes, list) for one in play_all(month, Form(), of, lambda _part: None))


def test_settings_that_read_the_record_differently_are_played_one_by_one(month: Path) -> None:
    of = [*tried(*VARIED[:4]), *tried({}, **{"telemetry.state_of_charge.unknown": [254]})]
    results = play_all(month, Form(), of, lambda _part: None)
    assert all(isinstance(one.changes, list) for one in results)
    assert results[4].rejected == results[0].rejected + 2


def test_what_is_no_table_is_played_one_by_one(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite3"
    fill(path, [sample(row) for row in range(1, 50)])
    of = tried(*VARIED[:5])
    assert documents(play_all(path, Form(), of, lambda _part: None), of) == documents(one_by_one(path, of), of)


@pytest.mark.parametrize("text", ["", "time,state_of_charge\n", "time,state_of_charge\n5,97\n4,97\n", "time\n1\n"])
def test_what_is_no_record_is_refused_alike(tmp_path: Path, text: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text)
    refusals = []
    for count in (1, at_once.MANY):
        with pytest.raises(RecordError) as refused:
            play_all(path, Form(), tried(*VARIED[:count]), lambda _part: None)
        refusals.append(str(refused.value))
    assert refusals[0] == refusals[1]


def test_an_interruption_is_told(month: Path) -> None:
    def interrupt(_part: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(ReplayInterrupted, match="nothing is shown"):
        play_all(month, Form(), tried(*VARIED), interrupt)
