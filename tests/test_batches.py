"""A long table played compiled comes to what the plain loop makes of it, to the last bit: the plain loop is the judge.

Quick tests run what is compiled as it is, which is ordinary Python; the slow ones compile it.
"""

import json
import random
import sys
from itertools import pairwise
from pathlib import Path
from unittest.mock import patch

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from month import write_month
from scenarios import EXAMPLES, HEATER, SETUPS, Drawn, batch, drawn, to_the_bit
from world import NOON

from dumpload.cli.commands import main
from dumpload.core.law import Selector
from dumpload.core.signals import Signal
from dumpload.records.items import Restart, RowBatch
from dumpload.replay import replay as replay_module
from dumpload.replay.heat_sources import SOURCE_SIGNALS, SourcedEnergy
from dumpload.replay.replayer import Replayer, Scenario
from dumpload.replay.totals import ENERGY_SIGNALS, Energy, LoadRating

pytest.importorskip("numpy")
pytest.importorskip("numba")

from dumpload.replay.arrays import play
from dumpload.replay.batches import BatchReplayer
from dumpload.replay.compiled import Compiled, compiled
from dumpload.replay.tally import count_rows

UNCOMPILED = Compiled(play, count_rows)
LOADS = (HEATER, LoadRating(300.0), LoadRating())
CONFIG = """\
[telemetry.state_of_charge]
topic = "barge/bank/charge"
[telemetry.battery_voltage]
topic = "barge/bank/voltage"
[telemetry.tank_temperature]
topic = "barge/tank/temperature"
[permissive]
window = ["09:00-18:00"]
timezone = "Europe/London"
voltage_cut_out = 25.5
voltage_cut_in = 26.0
tank_cut_out_c = 65
tank_cut_in_c = 58
[relay]
pin = 17
pin_factory = "mock"
[load]
rated_w = 300
rated_v = 24
"""


def in_parts(rows: Drawn, draw: random.Random) -> list[RowBatch]:
    """Return the rows in batches of any length."""
    cuts = sorted({0, len(rows.times), *(draw.randrange(len(rows.times)) for _ in range(3))})
    return [
        batch(rows.times[a:b], {signal: texts[a:b] for signal, texts in rows.texts.items()}) for a, b in pairwise(cuts)
    ]


def begun(plan: Scenario, rows: Drawn) -> Replayer:
    """Return a replay that does not ask where the heat came from, if the rows tell: a whole one is plain then."""
    one = Replayer(plan, NOON)
    if rows.texts.keys() & SOURCE_SIGNALS:
        one.totals.energy = Energy(plan.load, NOON)
    return one


def assert_the_same(rows: Drawn, seed: int, name: str, run: Compiled) -> None:
    """Play all of it plainly, and the rest of it after some batch, or a restart, by what is to be judged."""
    draw = random.Random(seed)  # noqa: S311
    plan = Scenario(SETUPS[name], draw.choice(LOADS), draw.random() < 0.2)
    parts, judge, judged = in_parts(rows, draw), begun(plan, rows), begun(plan, rows)
    plain_parts = draw.randrange(2)
    for place, part in enumerate(parts):
        if place == plain_parts:
            judged = BatchReplayer(judged, run)
        for one in (judge, judged):
            one.play(part)
        if draw.random() < 0.2:
            restart = Restart(float(part.times[-1]), 0.0, draw.choice(list(Selector)))
            for one in (judge, judged):
                one.play(restart)
    end = float(parts[-1].times[-1])
    assert all_of(judged, end) == all_of(judge, end)


def all_of(one: Replayer, end: float) -> object:
    """Return what a replay has come to, and all that it would go on from, to the last bit."""
    summary, totals, energy = one.finish(end), one.totals, one.totals.energy
    counts = (totals.changes, totals.samples, totals.accepted, totals.rejected, totals.is_on, totals.lost_s)
    heat = energy.sources if isinstance(energy, SourcedEnergy) else ()
    last = [energy.last[signal] for signal in ENERGY_SIGNALS]
    return to_the_bit((summary, heat, counts, last, energy.is_on, energy.wh, one.state, one.t))


@settings(max_examples=EXAMPLES // 2, suppress_health_check=[HealthCheck.too_slow])
# A charge on its own once added up energy in two steps, the tally in one: another last bit.
@example(rows=Drawn([NOON, NOON + 0.5, NOON + 5.5], {Signal.STATE_OF_CHARGE: ["97.5"] * 3}), seed=0, name="duty")
@given(rows=drawn(), seed=st.integers(0, 2**32), name=st.sampled_from(sorted(SETUPS)))
def test_batches_come_to_what_rows_come_to(rows: Drawn, seed: int, name: str) -> None:
    assert_the_same(rows, seed, name, UNCOMPILED)


@pytest.mark.slow
@settings(max_examples=5 * EXAMPLES, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(rows=drawn(), seed=st.integers(0, 2**32), name=st.sampled_from(sorted(SETUPS)))
def test_compiled_batches_come_to_what_rows_come_to(rows: Drawn, seed: int, name: str) -> None:
    assert_the_same(rows, seed, name, compiled())


def test_a_batch_without_a_value_that_the_law_hears_only_lets_time_pass() -> None:
    judge, judged = (Replayer(Scenario(SETUPS["no dwell, no confirmation"], HEATER), NOON) for _ in range(2))
    judged = BatchReplayer(judged, UNCOMPILED)
    first = batch([NOON, NOON + 10.0], {Signal.STATE_OF_CHARGE: ["98", "98"], Signal.LOAD_POWER: ["380", "380"]})
    later = batch([NOON + 50.0, NOON + 90.0], {Signal.STATE_OF_CHARGE: ["", "x"], Signal.LOAD_POWER: ["300", "380"]})
    for one in (judge, judged):
        one.play(first)
        one.play(later)
    assert all_of(judged, NOON + 90.0) == all_of(judge, NOON + 90.0)
    assert len(judge.totals.changes) == 2


# From the command line


@pytest.fixture
def month(tmp_path: Path) -> list[str]:
    """Four days of the barge, every 30 s, without the powers, and other settings to compare."""
    write_month(tmp_path / "powers.csv", 4.0, 30)
    cells = [line.split(",") for line in (tmp_path / "powers.csv").read_text().splitlines()]
    (tmp_path / "month.csv").write_text("".join(f"{','.join((*row[:3], row[5]))}\n" for row in cells))
    (tmp_path / "barge.toml").write_text(CONFIG)
    (tmp_path / "other.toml").write_text(CONFIG.replace("25.5", "25.9"))
    other = str(tmp_path / "other.toml")
    return ["replay", str(tmp_path / "month.csv"), "--config", str(tmp_path / "barge.toml"), "--compare", other]


def test_a_short_record_and_a_report_are_played_plainly(month: list[str], tmp_path: Path) -> None:
    with patch.object(replay_module, "_go_on_compiled", side_effect=AssertionError):
        assert main([*month, "--json"]) == 0
        with patch.object(replay_module, "COMPILED_FROM_ROWS", 2_000):
            assert main([*month[:4], "--report", str(tmp_path / "page.html")]) == 0


def test_a_long_record_that_tells_where_the_heat_came_from_is_played_plainly(
    month: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    month[1] = str(tmp_path / "powers.csv")
    assert main([*month, "--json"]) == 0
    expected = capsys.readouterr().out
    monkeypatch.setattr(replay_module, "COMPILED_FROM_ROWS", 2_000)
    with patch.object(replay_module, "_go_on_compiled", side_effect=AssertionError):
        assert main([*month, "--json"]) == 0
    assert capsys.readouterr().out == expected
    assert json.loads(expected)["heat_sources"]["from_battery_wh"] is not None


def test_without_the_extra_a_long_record_is_played_plainly(
    month: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main([*month, "--json"]) == 0
    expected = capsys.readouterr()
    monkeypatch.setattr(replay_module, "COMPILED_FROM_ROWS", 2_000)
    monkeypatch.delitem(sys.modules, "dumpload.replay.batches")
    monkeypatch.setitem(sys.modules, "numba", None)
    monkeypatch.delitem(sys.modules, "dumpload.replay.compiled")
    monkeypatch.delitem(sys.modules, "dumpload.replay.compiler")
    assert main([*month, "--json"]) == 0
    assert capsys.readouterr() == expected


@pytest.mark.slow
def test_the_document_of_a_long_record_is_the_same(
    month: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main([*month, "--json"]) == 0
    expected = capsys.readouterr().out
    monkeypatch.setattr(replay_module, "COMPILED_FROM_ROWS", 2_000)
    assert main([*month, "--json"]) == 0
    assert capsys.readouterr().out == expected
