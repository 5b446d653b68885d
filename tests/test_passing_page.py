"""Passing over rows of a history changes nothing either: what is counted is what evaluating every row gives."""

import json
import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from histories import fill
from hypothesis import given, settings
from hypothesis import strategies as st
from test_passing import ELEMENT, EXAMPLES, SETUPS, outcome
from world import LIMITS, NOON, setup

from dumpload.core.controller import Setup
from dumpload.core.law import Selector
from dumpload.core.signals import Signal
from dumpload.io.history_schema import Entry, HistoryRow, RowKind
from dumpload.study.records.history import HistoryRecord, _Meaning, _pages
from dumpload.study.records.items import Page
from dumpload.study.records.record import Account
from dumpload.study.replay.passing import Passing
from dumpload.study.replay.player import Plan, Player

SOC = Signal.STATE_OF_CHARGE
VALUES = {
    SOC: [98.0, 98.0, 99.0, 97.5, 97.0, 95.0, 93.0, 92.0, 49.0],
    Signal.BATTERY_VOLTAGE: [25.9, 26.0, 26.5, 27.0, 28.0],
    Signal.BATTERY_POWER: [-300.0, -100.0, 0.0, 200.0],
    Signal.LOAD_POWER: [0.0, 20.0, 400.0],
    Signal.SOLAR_POWER: [500.0],
    Signal.TANK_TEMPERATURE: [40.0, 58.0, 60.0, 65.0],
}
OTHERS = [RowKind.LOST, RowKind.UNKNOWN, RowKind.ABSENT, RowKind.DOUBT, RowKind.CHANGE, RowKind.SELECT, RowKind.STOP]


def history(seed: int) -> list[HistoryRow]:
    """Rows of some starts: mostly samples much like the last ones, and a wall clock that may be stepped."""
    draw = random.Random(seed)  # noqa: S311
    rows: list[HistoryRow] = []
    last = {signal: draw.choice(values) for signal, values in VALUES.items()}
    t, apart, boot = 0.0, NOON, "b1"
    odd, slewed = draw.choice([0.0, 0.02, 0.2]), draw.choice([0.0, 0.3])
    for _ in range(draw.randrange(1, 150)):
        t += draw.choice([0.0, 0.5, 5.0, 15.0, 15.0, 15.0, 61.0 if draw.random() < 0.2 else 1.0])
        apart += draw.choice([0.0, 0.0, 0.0, 0.0001, slewed])
        kind = draw.choice([*OTHERS, RowKind.CLOCK, RowKind.START]) if draw.random() < odd else RowKind.SAMPLE
        signal, value, until, stamp = draw.choice([*[SOC] * 4, *Signal]), 0.0, t, t
        if kind == RowKind.SAMPLE:
            if draw.random() < 0.15:
                last[signal] = draw.choice(VALUES[signal])
            value = last[signal]
            stamp = t - draw.choice([0.0, 0.0, 0.0, 0.25, 30.0])
            until = stamp + draw.choice([0.0, 10.0, 45.0, 45.0])
        elif kind == RowKind.SELECT:
            value, until = float(draw.choice(list(Selector))), t + 100.0
        elif kind == RowKind.CLOCK:
            value = draw.choice([-600.0, 0.0002, 600.0])
            apart += value
        elif kind == RowKind.START:
            boot, t, apart = f"{boot}+", 5.0, apart + t
            stamp = until = t
        text = json.dumps({"selector": "auto", "lockout": "none"})
        rows.append(HistoryRow(t + apart, boot, len(rows), kind, signal, value, 0, text, t, stamp, until))
    return rows


def pages(rows: list[HistoryRow]) -> Iterator[Page]:
    """Yield them as the reader does, one after the other."""
    meaning = _Meaning()
    for part in _pages(iter(rows)):
        yield Page(part, meaning.shift(part[0]), meaning.items)
        meaning.end(part[-1])


@pytest.mark.parametrize("configured", SETUPS.values(), ids=SETUPS)
@settings(max_examples=EXAMPLES)
@given(seed=st.integers(0, 2**32), judge_contact=st.booleans())
def test_passing_over_rows_gives_what_evaluating_every_row_gives(
    configured: Setup, seed: int, judge_contact: bool
) -> None:
    rows = history(seed)
    plan = Plan(configured, ELEMENT, judge_contact)
    begin, end = rows[0].t, list(pages(rows))[-1].ends.end_t
    quick, slow = Player(plan, begin), Player(plan, begin)
    passing = Passing(quick)
    for page in pages(rows):
        passing.play(page)
    for page in pages(rows):
        slow.play(page)
    exact, numbers = outcome(quick.tally, passing.finish(end))
    expected, expected_numbers = outcome(slow.tally, slow.finish(end))
    assert exact == expected
    assert numbers == pytest.approx(expected_numbers, rel=1e-4, abs=2e-3, nan_ok=True)  # the wall clock may drift


def test_a_quiet_history_is_passed_over_and_not_evaluated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    entries = [
        Entry(row, NOON + 15.0 * row, RowKind.SAMPLE, 15.0 * row, 15.0 * row, 15.0 * row + 14.0, row % 2, 80.0)
        for row in range(1, 2000)
    ]
    fill(tmp_path / "history.sqlite3", entries)
    player = Player(Plan(setup(LIMITS), ELEMENT), 0.0)
    evaluated: list[object] = []
    handle = player.controller.__class__.handle
    monkeypatch.setattr(
        player.controller.__class__, "handle", lambda own, event: evaluated.append(event) or handle(own, event)
    )
    passing = Passing(player)
    for page in HistoryRecord(tmp_path / "history.sqlite3").read(Account()):
        passing.play(page)
    assert player.tally.accepted == 1999
    assert len(evaluated) < 20
