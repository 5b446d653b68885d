"""Numbers mean what the same texts mean."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.core.signals import QUANTITIES, Signal
from dumpload.records.cells import CellParser
from dumpload.records.items import PLAIN, REJECTED, Column

np = pytest.importorskip("numpy")
number_column = pytest.importorskip("dumpload.records.arrow_numbers").number_column

SOC, VOLTS = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE
NUMBERS = st.sampled_from([0.0, -0.0, 0.57, 1.0, 57.0, 99.9, 100.0, 255.0, 26500.0, -1.0, 1e9, np.nan, np.inf, -np.inf])


def meanings(column: Column) -> list[tuple[float, int]]:
    values = column.values.tolist()
    return list(zip(values, [PLAIN] * len(values) if column.codes is None else column.codes.tolist(), strict=True))


@given(
    raw=st.lists(st.none() | NUMBERS, min_size=1, max_size=40),
    signal=st.sampled_from(Signal),
    unknown=st.lists(st.sampled_from([255.0, 57.0, 1.0, -1.0]), max_size=2),
    data=st.data(),
)
def test_each_number_says_what_its_text_says(
    raw: list[float | None], signal: Signal, unknown: list[float], data: st.DataObject
) -> None:
    unit = data.draw(st.sampled_from(sorted(QUANTITIES[signal].scales)))
    one, other = CellParser(signal, unit, unknown), CellParser(signal, unit, unknown)
    texts = ["" if number is None else repr(float(number)) for number in raw]
    present = np.array([number is not None for number in raw])
    numbers = np.array([np.nan if number is None else number for number in raw])
    column = number_column(other, numbers, None if present.all() else present)
    assert repr(meanings(column)) == repr([one.parse(text) for text in texts])
    assert other.highest == one.highest


def test_the_highest_charge_is_kept_in_mind() -> None:
    one = CellParser(SOC, "percent", [255.0, "null"])
    number_column(one, np.array([0.5, 255.0, 0.75, 101.0]))
    assert one.highest == 0.75
    number_column(one, np.array([0.9]))
    assert one.highest == 0.9


def test_a_unit_is_converted_and_rounded_as_everywhere() -> None:
    found = meanings(number_column(CellParser(SOC, "ratio"), np.array([0.57, 0.57, 0.29, 1.01])))
    assert found[:3] == [(57.0, PLAIN), (57.0, PLAIN), (29.0, PLAIN)]
    assert found[3][1] == REJECTED
    assert number_column(CellParser(VOLTS, "mV"), np.array([26500.0])).values.tolist() == [26.5]
