"""Passing over rows changes nothing: what is counted is the same as if the controller had evaluated every row."""

import math
import os
from collections.abc import Sequence
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from world import LIMITS, NOON, setup

from dumpload.core.controller import Setup
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import QUANTITIES, Signal
from dumpload.study.records.cells import Cells
from dumpload.study.records.columns import TextColumn
from dumpload.study.records.items import Stretch
from dumpload.study.replay.passing import Passing
from dumpload.study.replay.player import Plan, Player
from dumpload.study.replay.summary import Element, Summary, Tally

PERMISSIVES = PermissiveLimits(26.0, 27.0, 65.0, 58.0, 100.0, 60.0, 600.0, 1200.0, 3600.0)
QUICK = LIMITS._replace(confirm_s=0.0, min_on_s=0.0, min_off_s=0.0)
SETUPS = {
    "plain": setup(LIMITS),
    "no dwell, no confirmation": setup(QUICK),
    "only a dwell on": setup(QUICK._replace(min_on_s=120.0)),
    "voltage": setup(QUICK, PermissiveLimits(voltage_cut_out_v=26.0, voltage_cut_in_v=27.0)),
    "tank": setup(QUICK, PermissiveLimits(tank_cut_out_c=65.0, tank_cut_in_c=58.0)),
    "drain": setup(QUICK, PermissiveLimits(drain_limit_w=100.0, drain_limit_s=20.0, drain_rest_s=100.0)),
    "duty": setup(QUICK, PermissiveLimits(max_on_s=200.0, max_on_per_day_s=500.0)),
    "window": setup(LIMITS, window=("12:10-12:25",)),
    "every permissive": setup(LIMITS, PERMISSIVES),
    "young data only": setup(LIMITS, PERMISSIVES, max_age_s=20.5),
    "floor in the band": setup(LIMITS._replace(floor_percent=93.0)),
    "charge alone": setup(LIMITS)._replace(max_age_s=(60.0, *[math.nan] * 5)),
}
ELEMENT = Element(300.0, 1.92)
EXAMPLES = int(os.environ.get("REPLAY_EXAMPLES", "60"))
"""More are worth while after a change of the law, the permissives, or what passes rows over."""

CHARGES = [
    *["97.5", "99"] * 8,
    "97",
    "97.0",
    "98.5",
    "96.9",
    "93",
    "92.9",
    "50",
    "49.9",
    "100",
    "101",
    "x",
    "nan",
    "",
    "95",
    "1e2",
    "9_7",
]
OTHERS = {
    Signal.BATTERY_VOLTAGE: ["26", "25.9", "27", "27.5", "26.5", "", "151", "-", "26.55"],
    Signal.BATTERY_POWER: ["100", "-100", "-100.5", "-300", "0", "", "inf", "-0"],
    Signal.LOAD_POWER: ["0", "380", "20", "21", "", "-200", "408.2"],
    Signal.TANK_TEMPERATURE: ["58", "58.1", "65", "64.9", "40", "", "200", "57"],
    Signal.SOLAR_POWER: ["0", "900", "", "-101", "abc"],
}


class Drawn(NamedTuple):
    times: list[float]
    texts: dict[Signal, list[str]]


@st.composite
def drawn(draw: st.DrawFn) -> Drawn:
    """Rows in runs of the same text, as a real record has, with odd ones and gaps between."""
    runs = draw(st.lists(st.tuples(st.integers(1, 40), st.sampled_from([0.0, 0.5, 5.0, 10.0, 30.0, 60.0, 61.0, 300.0])),
                         min_size=1, max_size=12))  # fmt: skip
    steps = [step for count, step in runs for _ in range(count)]
    times = [NOON]
    for step in steps[1:]:
        times.append(times[-1] + step)
    texts = {}
    for signal, words in {Signal.STATE_OF_CHARGE: CHARGES, **OTHERS}.items():
        if signal == Signal.STATE_OF_CHARGE or draw(st.booleans()):
            column: list[str] = []
            for count, _step in runs:
                column += [draw(st.sampled_from(words))] * count
            for _ in range(draw(st.integers(0, 4))):
                column[draw(st.integers(0, len(column) - 1))] = draw(st.sampled_from(words))
            texts[signal] = column
    return Drawn(times, texts)


def stretch(rows: Drawn, begin: int, end: int) -> Stretch:
    columns = {
        signal: TextColumn(Cells(signal, QUANTITIES[signal].unit), column[begin:end])
        for signal, column in rows.texts.items()
    }
    return Stretch(rows.times[begin:end], columns)


def outcome(tally: Tally, summary: Summary) -> tuple[Sequence[object], list[float]]:
    changes = [(round(change.wall, 2), *change[1:]) for change in tally.changes]  # the test's times are no nearer
    exact = [changes, tally.samples, tally.accepted, tally.rejected, tally.unknown, summary.switch_ons]
    parts = [number for part in (summary.measured, summary.by_voltage, summary.by_rating) for number in part]
    numbers = [summary.on_time_s, summary.data_lost_s, summary.lowest_state_of_charge_on, summary.energy_wh]
    return repr(exact), [*numbers, summary.longest_run_s, summary.shortest_run_s, summary.drawing_s, *parts]


def play(configured: Setup, rows: Drawn, pieces: list[int], *, judge_contact: bool) -> tuple[Passing, Player]:
    """Play the rows in pieces of so many, the last of which is the rest."""
    player = Player(Plan(configured, ELEMENT, judge_contact), rows.times[0])
    passing = Passing(player)
    begin = 0
    for size in [*pieces, len(rows.times)]:
        if begin < len(rows.times):
            passing.play(stretch(rows, begin, begin + size))
            begin += size
    return passing, player


@pytest.mark.parametrize("configured", SETUPS.values(), ids=SETUPS)
@settings(max_examples=EXAMPLES)
@given(rows=drawn(), pieces=st.lists(st.integers(1, 100), max_size=5), judge_contact=st.booleans())
def test_passing_over_rows_gives_what_evaluating_every_row_gives(
    configured: Setup, rows: Drawn, pieces: list[int], judge_contact: bool
) -> None:
    passing, quick = play(configured, rows, pieces, judge_contact=judge_contact)
    slow = Player(Plan(configured, ELEMENT, judge_contact), rows.times[0])
    slow.play(stretch(rows, 0, len(rows.times)))
    end = rows.times[-1]
    exact, numbers = outcome(quick.tally, passing.finish(end))
    expected, expected_numbers = outcome(slow.tally, slow.finish(end))
    assert exact == expected
    assert numbers == pytest.approx(expected_numbers, rel=1e-9, abs=1e-9, nan_ok=True)
    assert quick.controller.position == slow.controller.position
    assert quick.controller.law_memory.surplus == slow.controller.law_memory.surplus


def test_a_quiet_record_is_passed_over_and_not_evaluated(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = Drawn([NOON + 5.0 * row for row in range(5000)], {Signal.STATE_OF_CHARGE: ["80.5", "81"] * 2500})
    player = Player(Plan(setup(LIMITS), ELEMENT), NOON)
    evaluated: list[object] = []
    handle = player.controller.handle
    monkeypatch.setattr(player.controller, "handle", lambda event: evaluated.append(event) or handle(event))
    Passing(player).play(stretch(rows, 0, 5000))
    assert player.tally.accepted == 5000
    assert len(evaluated) < 10
