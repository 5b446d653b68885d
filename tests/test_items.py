"""Parts of a record: rows by column, and where a gap between them is too wide."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import NOON

from dumpload.core.decode import Reason, Rejection
from dumpload.core.signals import Signal
from dumpload.study.records.cells import Cells
from dumpload.study.records.columns import TextColumn
from dumpload.study.records.items import Ends, Moment, Restart, Stretch

SOC, VOLTS = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE


def test_a_row_says_what_its_cells_say_in_the_order_of_the_signals() -> None:
    columns = {
        VOLTS: TextColumn(Cells(VOLTS, "V"), ["26", "x", ""]),
        SOC: TextColumn(Cells(SOC, "percent"), ["97", "", " "]),
    }
    stretch = Stretch([NOON, NOON + 5, NOON + 9], columns)
    assert [(one.signal, getattr(one, "value", None)) for one in stretch.row(0)] == [(SOC, 97.0), (VOLTS, 26.0)]
    assert stretch.row(1) == [Rejection(VOLTS, Reason.WRONG_TYPE)]
    assert stretch.row(2) == []
    assert stretch.ends == Ends(NOON, NOON + 9, NOON, NOON + 9)


@pytest.mark.parametrize("item", [Moment(5.0, [], ahead=-95.0), Restart(5.0, ahead=-95.0)])
def test_a_moment_knows_its_unix_time(item: Moment | Restart) -> None:
    assert item.ends == Ends(5.0, 5.0, 100.0, 100.0)


@given(steps=st.lists(st.sampled_from([0.0, 0.5, 5.0, 5.0, 5.0, 29.0, 30.0, 30.5, 300.0]), max_size=80))
def test_the_first_gap_that_is_too_wide_is_found(steps: list[float]) -> None:
    times = [NOON]
    for step in steps:
        times.append(times[-1] + step)
    expected = next((row for row, step in enumerate(steps, 1) if step > 30.0), len(times))
    assert Stretch(times, {}).leading_close(0, len(times), 30.0) == expected
