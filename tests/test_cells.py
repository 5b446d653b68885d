"""The cells of a column: what counts as a number, and what many of them say at once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import NOON

from dumpload.core.controller import Event, Kind
from dumpload.core.decode import Reason, Rejection
from dumpload.core.signals import Signal
from dumpload.study.records.bounds import ALL, Band
from dumpload.study.records.cells import Cells

SOC = Signal.STATE_OF_CHARGE


def cells(unit: str = "percent", *unknown: float | str, decimal_comma: bool = False) -> Cells:
    return Cells(SOC, unit, unknown, decimal_comma=decimal_comma)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("97.5", 97.5),
        (" 97.5\n", 97.5),
        ("0", 0.0),
        ("1e2", 100.0),
        ("100.01", Reason.OUT_OF_RANGE),
        ("-0.1", Reason.OUT_OF_RANGE),
        ("65535", Reason.OUT_OF_RANGE),
        ("nan", Reason.NOT_FINITE),
        ("-inf", Reason.NOT_FINITE),
        ("1e999", Reason.NOT_FINITE),
        ("", Reason.WRONG_TYPE),
        ("98 %", Reason.WRONG_TYPE),
        ("97,5", Reason.WRONG_TYPE),
        ("true", Reason.WRONG_TYPE),
        ("9_7", Reason.WRONG_TYPE),
        ("٩٧", Reason.WRONG_TYPE),
    ],
)  # fmt: skip
def test_a_cell_counts_if_it_is_a_number_in_range(text: str, expected: float | Reason) -> None:
    assert cells().read(text) == expected


def test_a_ratio_and_a_decimal_comma_are_read_as_told() -> None:
    assert cells("ratio").read("0.57") == 57.0
    assert cells("ratio").read("1.01") == Reason.OUT_OF_RANGE
    assert cells(decimal_comma=True).read("97,5") == 97.5
    assert cells(decimal_comma=True).extremes({"97,5", "98"}) == (97.5, 98.0)
    assert cells("ratio").extremes({"0.57", "0.98"}) == (57.0, 98.0)


@pytest.mark.parametrize("text", ["255", "255.0", " null ", "0"])
def test_a_code_for_unknown_is_no_number(text: str) -> None:
    column = cells("percent", 255.0, "null", 0.0)
    assert column.read(text) is None
    assert column.event(text, NOON) == Event(NOON, NOON, Kind.UNKNOWN, SOC)
    assert column.leading(["97", text, "98"], ALL) == 1


def test_a_cell_becomes_a_sample_of_its_row_or_a_rejection() -> None:
    assert cells().event("97.5", NOON) == Event(NOON, NOON, Kind.SAMPLE, SOC, 97.5, NOON)
    assert cells().event("x", NOON) == Rejection(SOC, Reason.WRONG_TYPE)


TEXTS = st.lists(
    st.sampled_from(["97", "97.0", "96.9", "98", "100", "101", "", "x", "nan", "9_7", "0.5", "93", "1e2", "255", "é"])
    | st.floats(90, 101).map(str),
    max_size=60,
)


@pytest.mark.parametrize("unit", ["percent", "ratio"])
@pytest.mark.parametrize("band", [ALL, Band(97.0, 200.0), Band(93.0, 97.0), Band(50.0, 97.0)])
@given(columns=st.lists(TEXTS, min_size=1, max_size=5))
def test_how_many_lead_is_what_one_by_one_gives(unit: str, band: Band, columns: list[list[str]]) -> None:
    """Several columns one after the other: what is remembered of one must not spoil the next."""
    column = cells(unit, 255.0)
    for texts in columns:
        count = 0
        for text in texts:
            value = column.read(text)
            if not isinstance(value, float) or not band.low <= value < band.high:
                break
            count += 1
        assert column.leading(texts, band) == count


def test_a_column_of_many_different_texts_is_not_all_remembered() -> None:
    column = cells()
    texts = [f"{value / 1000:.3f}" for value in range(100_000)]
    assert column.leading(texts, ALL) == len(texts)
    assert sum(map(len, column._known.values())) < 10_000


def test_numbers_of_a_column_are_given_only_when_all_are_plain() -> None:
    assert cells().numbers(["97", "98.5"]) == [97.0, 98.5]
    assert cells().numbers(["97", ""]) is None
    assert cells().numbers(["97", "101"]) is None
    assert cells("ratio").numbers(["0.97"]) is None
    assert cells().numbers(["97", ""], checked=True) is None
