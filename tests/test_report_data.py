"""A chronicle's days add up to the summary, whatever happens at midnight or to the clock on the wall."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from chronicles import RATED_W, off, on, told, wall
from hypothesis import given
from hypothesis import strategies as st

from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Cause, Position
from dumpload.replay.totals import LoadRating
from dumpload.report.data import ReportData, runs_of
from dumpload.report.local_time import Span, midnight

CHANGES_OF_CLOCKS = {"spring": (2025, 3, 29), "autumn": (2025, 10, 25), "neither": (2025, 6, 14)}


@st.composite
def lives(draw: st.DrawFn) -> ReportData:
    """Some days around a change of the clocks, with a relay that moves at any moment, and a charge now and then."""
    zone = draw(st.sampled_from([ZoneInfo("Europe/London"), UTC, ZoneInfo("Asia/Kathmandu")]))
    begin = wall(*draw(st.sampled_from([*CHANGES_OF_CLOCKS.values()])), zone=zone) + draw(st.integers(0, 90_000))
    span_s = draw(st.integers(1, 5 * 86_400))
    near_midnight = [midnight(date.fromordinal(datetime.fromtimestamp(begin, zone).toordinal() + day), zone) - begin
                     for day in range(1, 5)]  # fmt: skip
    moments = st.one_of(st.integers(0, span_s), st.sampled_from(near_midnight)).filter(lambda at: 0 <= at <= span_s)
    moves = sorted(draw(st.sets(moments, max_size=12)))
    changes = [(off if index % 2 else on)(begin + at) for index, at in enumerate(moves)]
    samples = {begin + at: draw(st.floats(50.0, 100.0)) for at in draw(st.sets(moments, max_size=40))}
    return told(begin, begin + span_s, changes, samples=samples, zone=zone)


@given(one=lives())
def test_its_days_add_up_to_the_summary(one: ReportData) -> None:
    summary = one.result.summary
    assert sum(day.on_time_s for day in one.days) == pytest.approx(summary.on_time_s, abs=1e-3)
    assert sum(day.switch_ons for day in one.days) == summary.switch_ons
    assert sum(day.lost_s for day in one.days) == pytest.approx(summary.data_lost_s, abs=1e-3)
    assert sum(day.energy_wh for day in one.days) == pytest.approx(summary.energy_wh, abs=1e-6)
    for day in one.days:
        assert 0.0 <= day.on_time_s <= day.span.seconds + 1e-3
        assert day.energy_wh == pytest.approx(day.on_time_s * RATED_W / 3600.0, abs=1e-3)
        assert 0.0 <= day.lost_s <= day.span.seconds + 1e-3


@given(one=lives())
def test_its_runs_are_as_long_as_the_on_time(one: ReportData) -> None:
    assert sum(run.seconds for run in one.runs) == pytest.approx(one.result.summary.on_time_s, abs=1e-3)
    assert len(one.runs) == one.result.summary.switch_ons
    assert sum(one.offs.values()) == sum(change.position == Position.OFF for change in one.result.changes)


def test_a_run_over_midnight_belongs_to_both_days_and_is_switched_on_once() -> None:
    begin = wall(2025, 6, 16, 12)
    one = told(begin, begin + 86_400, [on(wall(2025, 6, 16, 23)), off(wall(2025, 6, 17, 2))])
    assert [(day.date.day, day.on_time_s, day.switch_ons) for day in one.days] == [(16, 3600, 1), (17, 7200, 0)]
    assert [day.energy_wh for day in one.days] == pytest.approx([300.0, 600.0])


@pytest.mark.parametrize(("clocks", "hours"), [("spring", [24, 23, 24]), ("autumn", [24, 25, 24])])
def test_on_a_day_on_which_clocks_change_it_can_be_on_for_23_or_25_hours(clocks: str, hours: list[int]) -> None:
    begin = wall(*CHANGES_OF_CLOCKS[clocks])
    end = begin + 3600 * sum(hours)
    one = told(begin, end, [on(begin)])
    assert [day.on_time_s / 3600 for day in one.days] == hours
    assert [day.energy_wh for day in one.days] == pytest.approx([RATED_W * count for count in hours])


def test_a_run_that_has_not_ended_is_as_long_as_it_is() -> None:
    assert runs_of([on(100.0)], 250.0) == [Span(100.0, 250.0)]
    assert runs_of([on(100.0), off(150.0)], 250.0) == [Span(100.0, 150.0)]
    assert runs_of([off(50.0)], 250.0) == []


def test_a_run_is_never_shorter_than_nothing_although_the_clock_was_put_back() -> None:
    assert runs_of([on(100.0), off(40.0)], 250.0) == [Span(100.0, 100.0)]


def test_causes_of_going_off_are_counted_the_most_frequent_first() -> None:
    causes = [Cause.OUTSIDE_WINDOW, Cause.BELOW_CUT_OUT, Cause.DATA_LOST, Cause.BELOW_CUT_OUT]
    begin = wall(2025, 6, 16, 10)
    changes = [one for hour, cause in enumerate(causes)
               for one in (on(begin + 3600 * hour), off(begin + 3600 * hour + 60, cause))]  # fmt: skip
    found = told(begin, begin + 5 * 3600, changes).offs
    assert [*found.items()] == [(Cause.BELOW_CUT_OUT, 2), (Cause.DATA_LOST, 1), (Cause.OUTSIDE_WINDOW, 1)]


def test_where_nothing_is_known_of_the_load_no_day_has_an_energy() -> None:
    begin = wall(2025, 6, 16, 10)
    one = told(begin, begin + 100_000, [on(begin)], element=LoadRating())
    assert all(is_missing(day.energy_wh) for day in one.days)


def test_a_day_has_the_extremes_of_its_own_charge() -> None:
    samples = {wall(2025, 6, 16, 23, 59): 40.0, wall(2025, 6, 17): 60.0, wall(2025, 6, 17, 12): 80.0}
    one = told(wall(2025, 6, 16, 12), wall(2025, 6, 18, 12), [], samples=samples)
    nothing = (MISSING, MISSING)
    expected = [(40.0, 40.0), (60.0, 80.0), nothing]
    assert repr([tuple(day.charge) for day in one.days]) == repr(expected)


def test_a_record_of_one_moment_has_one_day() -> None:
    begin = wall(2025, 6, 16)
    one = told(begin, begin, [], samples={begin: 98.0})
    assert [(day.date, day.on_time_s, day.lost_s) for day in one.days] == [(date(2025, 6, 16), 0.0, 0.0)]
