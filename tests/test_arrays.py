"""Arrays of numbers say what the same texts say, row by row and many at once."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_passing import EXAMPLES
from world import NOON

from dumpload.core.controller import Event, Kind
from dumpload.core.decode import Reason, Rejection
from dumpload.core.signals import Signal
from dumpload.study.records.bounds import ALL, Band
from dumpload.study.records.cells import Cells
from dumpload.study.records.columns import TextColumn
from dumpload.study.records.items import Stretch

np = pytest.importorskip("numpy")
arrays = pytest.importorskip("dumpload.study.fast.arrays")
number_column = pytest.importorskip("dumpload.study.fast.numbers").number_column

SOC = Signal.STATE_OF_CHARGE
TEXTS = ["95", "96", "97", "97.5", "", "255", "101", "-1", "nan", "inf", "1e3"]


def cells() -> Cells:
    return Cells(SOC, "percent", [255.0, "null"])


def numbers(texts: list[str]) -> object:
    present = np.array([text != "" for text in texts])
    raw = np.array([float(text or "nan") for text in texts])
    return number_column(cells(), raw, None if present.all() else present)


def pair(texts: list[str], steps: list[float]) -> tuple[Stretch, Stretch]:
    """The same rows as texts and as numbers, the times of the latter as microseconds."""
    times = [NOON]
    for step in steps[: len(texts) - 1]:
        times.append(times[-1] + step)
    counts = np.array([round(t * 1e6) for t in times], np.int64)
    slow = Stretch(times, {SOC: TextColumn(cells(), texts)})
    return slow, arrays.ArrayStretch(counts, {SOC: numbers(texts)}, 1e6)


STEPS = st.lists(st.sampled_from([0.0, 0.25, 5.0, 5.0, 60.0, 60.0, 61.0]), min_size=60, max_size=60)


@settings(max_examples=5 * EXAMPLES)
@given(
    texts=st.lists(st.sampled_from([*TEXTS[:5] * 4, *TEXTS]), min_size=1, max_size=60),
    steps=STEPS,
    begin=st.integers(0, 59),
)
def test_what_is_asked_of_many_rows_is_answered_alike(texts: list[str], steps: list[float], begin: int) -> None:
    slow, quick = pair(texts, steps)
    ends = min(begin, len(texts) - 1), len(texts)
    rows = range(*ends)
    assert [quick.row(row) for row in range(len(texts))] == [slow.row(row) for row in range(len(texts))]
    one, other = slow.columns[SOC], quick.columns[SOC]
    for band in (ALL, Band(95.0, 97.0), Band(96.5, math.inf)):
        end, is_sparse = other.end_of_band(rows, band)
        assert end == one.end_of_band(rows, band)[0]
        assert is_sparse == (one.count(range(rows.start, end)) < end - rows.start)
    assert other.count(rows) == one.count(rows)
    assert other.extremes(rows) == pytest.approx(one.extremes(rows), nan_ok=True)
    assert quick.gaps(rows.start, rows.stop) == pytest.approx(slow.gaps(rows.start, rows.stop))
    for most_s in (5.0, 60.0):
        assert quick.leading_close(rows.start, rows.stop, most_s) == slow.leading_close(rows.start, rows.stop, most_s)
    for t in (slow.time(rows.start), NOON + 30.0, slow.time(len(texts) - 1), math.inf, -math.inf):
        assert quick.first_from(t, rows.start, rows.stop) == slow.first_from(t, rows.start, rows.stop)
    for expires_at in (slow.time(rows.start), slow.time(rows.start) + 60.0):
        for column, same in ((one, other), (None, None)):
            found_row = quick.end_of_life(same, rows, expires_at, 60.0)
            assert found_row == slow.end_of_life(column, rows, expires_at, 60.0)
    values, expected_values = (
        other.values(rows, quick.gaps(*ends)),
        one.values(rows, slow.gaps(*ends)),
    )
    assert (values is None) == (expected_values is None)
    if values is not None and expected_values is not None:
        assert values.last == expected_values.last
        assert values.over_time() == pytest.approx(expected_values.over_time())
        assert values.squares_over_time() == pytest.approx(expected_values.squares_over_time())
        assert values.seconds_above(96.0) == pytest.approx(expected_values.seconds_above(96.0))
    part, expected_part = quick.part(*ends), slow.part(*ends)
    assert [part.row(row) for row in range(part.rows)] == [expected_part.row(row) for row in range(expected_part.rows)]
    assert part.ends == pytest.approx(expected_part.ends)


def test_what_stands_in_a_row_is_told_as_of_a_text() -> None:
    column = numbers(["97", "", "255", "101", "nan"])
    said = [column.event(row, 5.0) for row in range(5)]
    assert said == [
        Event(5.0, 5.0, Kind.SAMPLE, SOC, 97.0, 5.0),
        None,
        Event(5.0, 5.0, Kind.UNKNOWN, SOC),
        Rejection(SOC, Reason.OUT_OF_RANGE),
        Rejection(SOC, Reason.NOT_FINITE),
    ]


@pytest.mark.parametrize(
    ("counts", "after", "expected"), [([1, 2, 2], 1.0, True), ([1, 2, 1], 0.0, False), ([1], 1.5, False)]
)
def test_order_is_seen(counts: list[int], after: float, expected: bool) -> None:
    assert arrays.ArrayStretch(np.array(counts), {}).is_in_order(after) == expected


@pytest.mark.parametrize(
    ("texts", "steps", "expected"),
    [
        (["95", "95"], [60.0], 2),
        (["95", "95"], [61.0], 1),
        (["95", ""], [60.0], 1),
        (["95", "", "95"], [30.0, 30.0], 3),
        (["95", "", "95"], [60.0, 0.0], 1),  # a row without a sample at the very moment comes after the loss
        (["95", "95", ""], [60.0, 0.0], 3),
    ],
)
def test_a_value_is_lost_before_the_row_that_finds_it_too_old(
    texts: list[str], steps: list[float], expected: int
) -> None:
    slow, quick = pair(texts, steps)
    rows = range(len(texts))
    assert slow.end_of_life(slow.columns[SOC], rows, NOON + 60.0, 60.0) == expected
    assert quick.end_of_life(quick.columns[SOC], rows, NOON + 60.0, 60.0) == expected
