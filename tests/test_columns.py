"""Columns of texts: what stands in a row, and the values of many rows at once."""

import math

import pytest

from dumpload.core.decode import Reason, Rejection
from dumpload.core.signals import Signal
from dumpload.study.records.bounds import ALL, Band
from dumpload.study.records.cells import Cells
from dumpload.study.records.columns import ListedValues, TextColumn

SOC, VOLTS = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE


def column(*texts: str, signal: Signal = SOC, unit: str = "percent") -> TextColumn:
    return TextColumn(Cells(signal, unit, [255.0]), list(texts))


def test_an_empty_or_blank_cell_says_nothing() -> None:
    one = column("97", "", " ", "x")
    assert [one.event(row, 0.0) is None for row in range(4)] == [False, True, True, False]
    assert one.event(3, 0.0) == Rejection(SOC, Reason.WRONG_TYPE)
    assert [one.has(row) for row in range(4)] == [True, False, True, True]
    assert one.count(range(4)) == 3


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["95", "96", "94"], (3, False)),
        (["95", "97", "94"], (1, False)),
        (["95", "", "94"], (3, True)),
        (["95", "", "97"], (2, True)),
        (["", ""], (2, True)),
        (["95", " "], (1, False)),
        (["95", "255"], (1, False)),
    ],
)
def test_the_band_ends_where_a_sample_is_outside_it_or_not_plain(texts: list[str], expected: tuple[int, bool]) -> None:
    assert column(*texts).end_of_band(range(len(texts)), Band(90.0, 97.0)) == expected


def test_the_extremes_leave_out_what_does_not_count() -> None:
    assert column("95", "", "x", "101", "255", "96").extremes(range(6)) == (95.0, 96.0)
    assert math.isnan(column("x", "").extremes(range(2)).low)


def test_values_are_known_only_where_every_row_has_one() -> None:
    gaps = [10.0, 20.0]
    values = column("26", "27", "28", signal=VOLTS, unit="V").values(range(3), gaps)
    assert values is not None
    assert (values.last, values.over_time(), values.seconds_above(26.0)) == (28.0, 26 * 10 + 27 * 20, 20.0)
    assert column("26", "", "28", signal=VOLTS, unit="V").values(range(3), gaps) is None
    assert column("26000", "27000", "28000", signal=VOLTS, unit="mV").values(range(3), gaps) is None


def test_a_part_has_the_rows_of_the_whole() -> None:
    one = column("95", "96", "97", "98").part(1, 3)
    assert one.texts == ["96", "97"]
    assert one.end_of_band(range(2), ALL) == (2, False)


def test_squares_last_as_long_as_their_values() -> None:
    assert ListedValues([2.0, 3.0], [10.0]).squares_over_time() == 40.0
