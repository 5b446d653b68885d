"""All rows of a record as one stretch, whatever they were read from."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_passing import Drawn, drawn, stretch

from dumpload.core.signals import QUANTITIES, Signal
from dumpload.study.records.cells import Cells
from dumpload.study.records.columns import TextColumn
from dumpload.study.records.items import Stretch

np = pytest.importorskip("numpy")
arrays = pytest.importorskip("dumpload.study.fast.arrays")
whole = pytest.importorskip("dumpload.study.fast.whole")

SOC, VOLTS = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE


@given(rows=drawn(), cut=st.integers(0, 400))
def test_the_whole_says_what_its_parts_say(rows: Drawn, cut: int) -> None:
    parts = [stretch(rows, 0, cut), stretch(rows, cut, len(rows.times))]
    one = whole.whole(parts)
    expected = [(part.time(row), part.row(row)) for part in parts for row in range(part.rows)]
    assert [(one.time(row), one.row(row)) for row in range(one.rows)] == expected


def test_a_signal_may_be_missing_in_some_parts() -> None:
    volts = arrays.NumberColumn(VOLTS, np.array([26.0, 27.0]))
    charge = TextColumn(Cells(SOC, QUANTITIES[SOC].unit), ["97"])
    one = whole.whole([arrays.ArrayStretch(np.array([1.0, 2.0]), {VOLTS: volts}), Stretch([3.0], {SOC: charge})])
    assert [[event.value for event in one.row(row)] for row in range(3)] == [[26.0], [27.0], [97.0]]


def test_nothing_is_no_stretch() -> None:
    assert whole.whole([Stretch([], {})]) is None


def test_rows_are_put_in_order_and_those_of_one_moment_stay_as_they_were() -> None:
    column = arrays.NumberColumn(SOC, np.array([1.0, 2.0, 3.0, 4.0]), np.array([0, 0, 0, 1], np.uint8))
    one = whole.in_order(arrays.ArrayStretch(np.array([5.0, 3.0, 3.0, 1.0]), {SOC: column}))
    assert [one.time(row) for row in range(4)] == [1.0, 3.0, 3.0, 5.0]
    assert [[event.value for event in one.row(row)] for row in range(4)] == [[], [2.0], [3.0], [1.0]]
