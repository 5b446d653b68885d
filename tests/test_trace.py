"""A trace never loses an extreme, however few columns are drawn from it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import NOON

from dumpload.report.trace import NOTHING, QUARTER_S, Extremes, MinMaxTrace

DAY_S = 86_400.0

MOMENTS = st.floats(0.0, 3 * DAY_S - 1.0)
POINTS = st.lists(st.tuples(MOMENTS, st.floats(0.0, 100.0)), min_size=1, max_size=60)
COUNTS = st.integers(1, 600)


def traced(*points: tuple[float, float], each_s: float = QUARTER_S) -> MinMaxTrace:
    """A trace of values at so many seconds after noon."""
    trace = MinMaxTrace(each_s)
    for after_s, value in points:
        trace.add(NOON + after_s, value)
    return trace


def filled(columns: list[Extremes]) -> dict[int, Extremes]:
    return {index: column for index, column in enumerate(columns) if not math.isnan(column.low)}


def all_of(values: list[float]) -> Extremes:
    return Extremes(min(values), max(values))


@given(points=POINTS, count=COUNTS)
def test_the_extremes_over_all_columns_are_those_of_all_values(points: list[tuple[float, float]], count: int) -> None:
    columns = filled(traced(*points).columns(NOON, NOON + 3 * DAY_S, count)).values()
    found = Extremes(min(one.low for one in columns), max(one.high for one in columns))
    assert found == all_of([value for _after, value in points])


@given(points=POINTS, count=COUNTS, late=st.floats(0.0, DAY_S), each_s=st.floats(900.0, 90_000.0))
def test_a_column_has_the_extremes_of_the_quarters_that_begin_in_it_and_no_others(
    points: list[tuple[float, float]], count: int, late: float, each_s: float
) -> None:
    begin, end = NOON + late, NOON + late + each_s * count
    expected: dict[int, list[float]] = {}
    for after_s, value in points:
        quarter = (NOON + after_s) // QUARTER_S * QUARTER_S
        if begin - QUARTER_S < quarter < end:
            column = int(max(0.0, quarter - begin) * count / (end - begin))
            expected.setdefault(min(count - 1, column), []).append(value)
    columns = traced(*points).columns(begin, end, count)
    assert len(columns) == count
    assert filled(columns) == {column: all_of(values) for column, values in expected.items()}


@given(late=st.integers(0, 86_400), count=st.integers(93, 400))
def test_columns_shorter_than_a_quarter_leave_no_holes(late: int, count: int) -> None:
    """A day of 23 hours is drawn as wide as the others."""
    trace = traced(*((quarter * QUARTER_S, float(quarter)) for quarter in range(200)))
    columns = trace.columns(NOON + late, NOON + late + 92 * QUARTER_S, count)
    first = int(late // QUARTER_S)
    assert [column.low for column in columns] == sorted(column.high for column in columns)
    assert {column.low for column in columns} >= {float(quarter) for quarter in range(first, first + 92)}


@pytest.mark.parametrize("hours", [23, 24, 25])
def test_every_quarter_of_a_day_has_a_column_of_its_own(hours: int) -> None:
    """None is moved to its neighbour by rounding."""
    count = 4 * hours
    trace = traced(*((quarter * QUARTER_S, float(quarter)) for quarter in range(count)))
    columns = trace.columns(NOON, NOON + count * QUARTER_S, count)
    assert [column.low for column in columns] == [column.high for column in columns] == list(range(count))


def test_the_quarter_in_which_the_begin_lies_goes_to_the_first_column() -> None:
    columns = traced((0, 40.0), (900, 60.0), (1800, 80.0)).columns(NOON + 600, NOON + 600 + 1800, 2)
    assert columns == [Extremes(40.0, 60.0), Extremes(80.0, 80.0)]


def test_a_value_that_went_on_is_in_every_quarter_up_to_its_end() -> None:
    trace = MinMaxTrace()
    trace.hold(NOON + 600, NOON + 1800, 98.0)
    assert filled(trace.columns(NOON, NOON + 3600, 4)) == dict.fromkeys((0, 1, 2), Extremes(98.0, 98.0))


def test_a_value_that_did_not_go_on_counts_once() -> None:
    trace = MinMaxTrace()
    trace.hold(NOON + 600, NOON + 600, 98.0)
    trace.hold(NOON + 1000, NOON + 100, 97.0)
    assert filled(trace.columns(NOON, NOON + 3600, 4)) == {0: Extremes(98.0, 98.0), 1: Extremes(97.0, 97.0)}


@pytest.mark.parametrize("end", [NOON, NOON + 1.0])
def test_a_moment_has_the_extremes_of_its_quarter(end: float) -> None:
    assert traced((0, 40.0), (899, 60.0), (900, 80.0)).extremes(NOON, end) == Extremes(40.0, 60.0)


def test_where_nothing_was_added_there_is_nothing() -> None:
    assert MinMaxTrace().columns(NOON, NOON + DAY_S, 3) == [NOTHING] * 3
    assert traced((0, 40.0)).extremes(NOON + DAY_S, NOON + 2 * DAY_S) == NOTHING


def test_extremes_of_nothing_and_something_are_those_of_something() -> None:
    some = Extremes(40.0, 60.0)
    assert some.merge(NOTHING) == NOTHING.merge(some) == some
    assert some.merge(Extremes(50.0, 70.0)) == Extremes(40.0, 70.0)


@given(
    points=POINTS,
    begin=st.floats(-DAY_S, 3 * DAY_S),
    length_s=st.floats(0.0, 5 * DAY_S) | st.just(40 * 365 * DAY_S),
    each_s=st.sampled_from([QUARTER_S, 300.0]),
)
def test_the_extremes_of_a_time_are_those_of_its_only_column(
    points: list[tuple[float, float]], begin: float, length_s: float, each_s: float
) -> None:
    trace, ends = traced(*points, each_s=each_s), (NOON + begin, NOON + begin + min(length_s, 20 * DAY_S))
    assert repr(trace.extremes(*ends)) == repr(trace.columns(*ends, 1)[0])
    if length_s > 20 * DAY_S:
        assert trace.extremes(NOON, NOON + length_s) == all_of([value for _after, value in points])
