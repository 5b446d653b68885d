"""Why the relay was off: hours by cause that add up to the time off, and one plain reason for every day."""

import pytest
from chronicles import off, on, rough, told, wall
from judged import settings

from dumpload.core.law import Cause, Selector
from dumpload.report.data import ReportData
from dumpload.report.off_time import LABELS, days_off, hours_by_cause

KEYS = {"permissive.window": ["09:00-17:00"], "permissive.timezone": "Europe/London"}
BARGE = settings(KEYS)
BEGIN = wall(2025, 6, 17)
HOUR = 3600.0


def day(*changes: object, charge: float = 82.1, gap: tuple[float, float] = (0.0, 0.0)) -> ReportData:
    """A Tuesday with one charge, a value every minute but in a gap (h of the day)."""
    samples = {BEGIN + 60 * minute: charge for minute in range(24 * 60) if not gap[0] <= minute / 60 < gap[1]}
    return told(BEGIN, BEGIN + 24 * HOUR, changes, samples=samples, max_age_s=90.0)  # type: ignore[arg-type]


def reason(one: ReportData) -> str:
    (only,) = days_off(one, BARGE)
    return only.reason


# The reason of a day


def test_a_day_that_never_had_the_charge_says_how_far_it_came() -> None:
    assert reason(day()) == "never reached 97 %, highest 82.1 %"


def test_a_day_with_a_gap_says_from_when_to_when() -> None:
    assert reason(day(gap=(9 + 10 / 60, 15 + 40 / 60))) == "no data from 09:10 to 15:40"
    assert reason(day(gap=(0, 24))) == "no data all day"
    assert reason(day(gap=(9, 24))) == "no data from 09:00 to midnight"


def test_a_gap_at_night_is_no_reason() -> None:
    assert reason(day(gap=(0, 8))) == "never reached 97 %, highest 82.1 %"


def test_a_day_on_which_it_ran_says_for_how_long() -> None:
    changes = [on(BEGIN + 10 * HOUR), off(BEGIN + 15 * HOUR)]
    assert reason(day(*changes, charge=98.0)) == "on for 5 h"
    short = [on(BEGIN + 10 * HOUR), off(BEGIN + 10.5 * HOUR, Cause.TANK_HOT)]
    assert reason(day(*short, charge=98.0)) == "tank hot enough; on for 30 min"


def test_a_person_who_switched_it_off_is_the_reason_whatever_the_charge() -> None:
    one = day(charge=98.0)
    one.day_log.select(BEGIN - HOUR, Selector.OFF)
    assert reason(one) == "switched off by hand"
    one.day_log.select(BEGIN + HOUR, Selector.AUTO)
    assert reason(one) == "waiting (confirming, or minimum off time)"


def test_a_charge_that_came_outside_the_window_is_told_so() -> None:
    samples = {BEGIN + 60 * minute: 99.0 if minute > 18 * 60 else 90.0 for minute in range(24 * 60)}
    one = told(BEGIN, BEGIN + 24 * HOUR, [], samples=samples, max_age_s=90.0)
    assert reason(one) == "did not stay at 97 % within the daily window, highest 99.0 %"


def test_a_lockout_holds_over_midnight_and_another_veto_does_not() -> None:
    samples = {BEGIN + 60 * minute: 98.0 for minute in range(48 * 60)}
    for cause, second in ((Cause.LOCKOUT, "locked out after a fault"), (Cause.DUTY_LIMIT, "waiting")):
        changes = [on(BEGIN + 10 * HOUR), off(BEGIN + 11 * HOUR, cause)]
        one = told(BEGIN, BEGIN + 48 * HOUR, changes, samples=samples, max_age_s=90.0)
        first, last = days_off(one, BARGE)
        assert cause in first.in_window
        assert last.reason.startswith(second)


# Hours by cause


@pytest.mark.parametrize("seed", range(5))
def test_the_hours_off_and_on_add_up_to_all_of_the_record(seed: int) -> None:
    one = rough(12, 5, seed=seed)
    days = days_off(one, BARGE)
    off_s = sum(seconds for _cause, seconds in hours_by_cause(days))
    assert off_s + one.result.summary.on_time_s == pytest.approx(one.span.seconds)
    for recorded, found in zip(one.days, days, strict=True):
        assert sum(found.whole.values()) + recorded.on_time_s == pytest.approx(recorded.span.seconds)
        assert all(found.in_window[cause] <= seconds for cause, seconds in found.whole.items())


def test_hours_are_by_cause_the_most_first() -> None:
    (only,) = days_off(day(gap=(9, 12)), BARGE)
    causes = hours_by_cause([only])
    assert [cause for cause, _s in causes] == [Cause.OUTSIDE_WINDOW, Cause.BELOW_CUT_IN, Cause.DATA_LOST]
    assert dict(causes)[Cause.DATA_LOST] == pytest.approx(3 * HOUR, abs=120)
    assert dict(causes)[Cause.OUTSIDE_WINDOW] == pytest.approx(16 * HOUR, abs=120)
    assert all(cause in LABELS for cause, _s in causes)
