"""The cells of a column: what counts as a number."""

import math

import pytest

from dumpload.core.signals import Signal
from dumpload.records.cells import CellParser
from dumpload.records.items import EMPTY, PLAIN, REJECTED, UNKNOWN

SOC = Signal.STATE_OF_CHARGE


def cells(unit: str = "percent", *unknown: float | str, decimal_comma: bool = False) -> CellParser:
    return CellParser(SOC, unit, unknown, decimal_comma=decimal_comma)


@pytest.mark.parametrize(("text", "value"), [("97.5", 97.5), (" 97.5\n", 97.5), ("0", 0.0), ("1e2", 100.0)])
def test_a_number_in_range_is_a_sample(text: str, value: float) -> None:
    assert cells().parse(text) == (value, PLAIN)


@pytest.mark.parametrize(
    "text",
    ["100.01", "-0.1", "65535", "nan", "-inf", "1e999", "98 %", "97,5", "true", "9_7", "٩٧", "9\0", "x" * 10_000],
)
def test_anything_else_is_rejected(text: str) -> None:
    value, code = cells().parse(text)
    assert (math.isnan(value), code) == (True, REJECTED)


@pytest.mark.parametrize("text", ["", " ", "\t\n"])
def test_a_blank_is_no_sample_and_no_rejection(text: str) -> None:
    assert cells().parse(text)[1] == EMPTY


def test_a_ratio_and_a_decimal_comma_are_read_as_said() -> None:
    assert cells("ratio").parse("0.57") == (57.0, PLAIN)
    assert cells("ratio").parse("1.01")[1] == REJECTED
    assert cells(decimal_comma=True).parse("97,5") == (97.5, PLAIN)


@pytest.mark.parametrize("text", ["255", "255.0", " null ", "0"])
def test_a_code_for_unknown_is_no_number(text: str) -> None:
    assert cells("percent", 255.0, "null", 0.0).parse(text)[1] == UNKNOWN


def test_a_column_means_what_its_cells_mean_however_many_different_ones_there_are() -> None:
    texts = [f"{value / 1000:.3f}" for value in range(99_000, 101_000)] + ["", "x", "255"] * 4000
    column, one = cells("percent", 255.0).column(texts), cells("percent", 255.0)
    assert column.codes is not None
    assert repr(list(zip(column.values.tolist(), column.codes.tolist(), strict=True))) == repr(
        [one.parse(text) for text in texts]
    )


def test_not_all_of_a_million_different_texts_are_remembered() -> None:
    one = cells()
    one.column([f"{value / 1000:.3f}" for value in range(100_000)])
    assert len(one._meanings) < 10_000
    assert one.highest == 99.999


def test_a_heartbeat_may_be_a_text_or_a_number() -> None:
    parser = CellParser(Signal.HEARTBEAT, "any", unknown=("gone",))
    assert parser.parse("41") == (41.0, PLAIN)
    (one, code), (other, _) = parser.parse("12:00:01"), parser.parse("12:00:02")
    assert code == PLAIN
    assert one != other
    assert parser.parse(" 12:00:01 ") == (one, PLAIN)
    assert parser.parse("gone")[1] == UNKNOWN
