"""The player drives the controller as the daemon does: deadlines at their time, samples before them, and no more."""

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from played import ELEMENT, EXAMPLES, SETUPS, outcome
from world import LIMITS, NOON, setup

from dumpload.core.controller import Event, Kind, Setup
from dumpload.core.decode import Reason, Rejection
from dumpload.core.law import Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import QUANTITIES, Signal
from dumpload.study.records.cells import Cells
from dumpload.study.records.columns import TextColumn
from dumpload.study.records.items import Moment, Restart, Run, Stretch
from dumpload.study.replay.player import Plan, Player

SOC = Signal.STATE_OF_CHARGE
QUICK = LIMITS._replace(confirm_s=0.0, min_on_s=0.0, min_off_s=0.0)


def player(configured: Setup | None = None, *, judge_contact: bool = False) -> Player:
    return Player(Plan(configured or setup(QUICK), ELEMENT, judge_contact), NOON)


def stretch(*rows: tuple[float, str], signal: Signal = SOC) -> Stretch:
    """Rows of one column: seconds after noon, and the cell."""
    cells = Cells(signal, QUANTITIES[signal].unit)
    return Stretch([NOON + t for t, _text in rows], {signal: TextColumn(cells, [text for _t, text in rows])})


def changes(one: Player) -> list[tuple[float, str, str]]:
    return [
        (change.wall - NOON, change.position.name.lower(), change.cause.name.lower()) for change in one.tally.changes
    ]


def sample(t: float, value: float, signal: Signal = SOC, *, age_s: float = 0.0) -> Event:
    return Event(NOON + t, NOON + t, Kind.SAMPLE, signal, value, NOON + t - age_s)


# Time


def test_the_relay_starts_off_and_its_time_off_counts_from_the_first_row() -> None:
    one = player(setup(QUICK._replace(min_off_s=100.0)))
    one.play(stretch((0, "98"), (50, "98"), (99.9, "98"), (100, "98")))
    assert changes(one) == [(100, "on", "surplus")]


def test_a_deadline_between_two_rows_is_met_at_its_own_time() -> None:
    one = player()
    one.play(stretch((0, "98"), (61, "98")))
    assert changes(one) == [(0, "on", "surplus"), (60, "off", "data_lost"), (61, "on", "surplus")]


def test_a_row_at_the_very_moment_of_a_deadline_comes_first() -> None:
    one = player()
    one.play(stretch((0, "98"), (60, "98")))
    assert changes(one) == [(0, "on", "surplus")]


def test_a_row_renews_all_its_signals_at_once() -> None:
    """Rows exactly as far apart as data live: no signal of a row is lost before the next one of the same row."""
    one = player(setup(QUICK, PermissiveLimits(voltage_cut_out_v=26.0, voltage_cut_in_v=27.0)))
    volts = Cells(Signal.BATTERY_VOLTAGE, "V")
    times = [NOON + 60.0 * row for row in range(10)]
    charges = TextColumn(Cells(SOC, "percent"), ["98"] * 10)
    one.play(Stretch(times, {SOC: charges, volts.signal: TextColumn(volts, ["27.5"] * 10)}))
    assert changes(one) == [(0, "on", "surplus")]


@pytest.mark.parametrize(("end", "expected"), [(59.9, 1), (60.0, 2), (60.1, 2)])
def test_a_deadline_at_the_last_row_is_still_run_and_none_after_it(end: float, expected: int) -> None:
    one = player()
    one.play(stretch((0, "98"), (end, "")))
    summary = one.finish(NOON + end)
    assert len(one.tally.changes) == expected
    assert summary.still_on == (expected == 1)


def test_nothing_is_switched_at_the_end() -> None:
    one = player()
    one.play(stretch((0, "98"), (30, "98")))
    summary = one.finish(NOON + 30)
    assert changes(one) == [(0, "on", "surplus")]
    assert (summary.switch_ons, summary.on_time_s, summary.still_on) == (1, 30.0, True)


def test_the_window_is_that_of_the_recorded_time() -> None:
    one = player(setup(QUICK, window=("12:01-12:02",)))
    one.play(stretch(*((t, "98") for t in range(0, 200, 10))))
    assert changes(one) == [(60, "on", "surplus"), (120, "off", "outside_window")]


# What counts


def test_rejected_cells_are_counted_and_change_nothing() -> None:
    one = player()
    one.play(stretch((0, "98"), (10, "nan"), (20, "101"), (30, "x"), (40, "")))
    assert (one.tally.samples, one.tally.accepted, one.tally.rejected) == (4, 1, 3)
    assert len(one.tally.changes) == 1


def test_a_column_without_settings_is_no_sample() -> None:
    ages = (60.0, *[float("nan")] * 5)
    one = player(setup(QUICK, max_age_s=ages))
    one.play(stretch((0, "27"), (10, "x"), signal=Signal.BATTERY_VOLTAGE))
    assert one.tally.samples == 0


def test_a_late_message_is_rejected_as_the_daemon_does() -> None:
    one = player()
    one.play(Moment(NOON, [sample(0, 98.0, age_s=60.0), Rejection(SOC, Reason.RETAINED)]))
    assert (one.tally.samples, one.tally.accepted, one.tally.rejected) == (2, 0, 2)


def test_a_value_said_to_be_unknown_is_lost_at_once() -> None:
    one = player()
    one.play(stretch((0, "98")))
    one.play(Moment(NOON + 10, [Event(NOON + 10, NOON + 10, Kind.UNKNOWN)]))
    assert changes(one) == [(0, "on", "surplus"), (10, "off", "data_lost")]
    summary = one.finish(NOON + 20)
    assert (one.tally.samples, one.tally.accepted, one.tally.rejected) == (2, 1, 0)
    assert summary.data_lost_s == 10


def test_the_recorded_load_is_no_evidence_of_the_replayed_contact() -> None:
    """The record's own relay may have been on: that is no stuck contact of the one that is tried."""
    rows = [(t, "400") for t in range(0, 60, 10)]
    aside = player()
    aside.play(stretch(*rows, signal=Signal.LOAD_POWER))
    aside.play(stretch((60, "98")))
    assert changes(aside) == [(60, "on", "surplus")]
    judged = player(judge_contact=True)
    judged.play(stretch(*rows, signal=Signal.LOAD_POWER))
    judged.play(stretch((60, "98")))
    assert changes(judged) == []
    assert aside.tally.accepted == judged.tally.accepted == 7


# Records that know more than rows


def test_a_run_keeps_its_value_live_without_confirming_anything() -> None:
    one = player(setup(QUICK._replace(confirm_s=30.0)))
    one.play(Moment(NOON, [sample(0, 98.0), Run(SOC, NOON + 300)]))
    one.play(Moment(NOON + 350, [sample(350, 98.0)]))
    assert changes(one) == [(350, "on", "surplus")]
    assert one.finish(NOON + 350).data_lost_s == 0


def test_a_restart_of_the_recorded_program_takes_the_relay_off_and_forgets() -> None:
    one = player(setup(QUICK._replace(min_off_s=20.0)))
    one.play(stretch(*((t, "98") for t in range(0, 50, 10))))
    one.play(Restart(NOON + 50))
    one.play(stretch((60, "98"), (69, "98"), (70, "98")))
    assert changes(one) == [(20, "on", "surplus"), (50, "off", "stopping"), (70, "on", "surplus")]


def test_wall_time_follows_the_record_when_its_clock_was_stepped() -> None:
    one = player()
    one.play(Moment(NOON, [sample(0, 98.0)]))
    one.play(Moment(NOON + 10, [Event(NOON + 10, NOON + 3610, Kind.WAKE)], ahead=-3600.0))
    one.finish(NOON + 100)
    assert [change.wall - NOON for change in one.tally.changes] == [0, 3660]


# Passing over single events


class Plodding(Player):
    """Evaluates every single event."""

    def _passes(self, event: Event) -> bool:
        return event.t < 0


@st.composite
def moments(draw: st.DrawFn) -> list[Moment]:
    values = {
        SOC: st.sampled_from([98.0, 97.0, 99.0, 97.5, 95.0, 93.0, 92.0, 49.0]),
        Signal.BATTERY_VOLTAGE: st.sampled_from([25.9, 26.0, 26.5, 27.0, 28.0]),
        Signal.BATTERY_POWER: st.sampled_from([-300.0, -100.0, 0.0, 200.0]),
        Signal.LOAD_POWER: st.sampled_from([0.0, 20.0, 400.0]),
        Signal.SOLAR_POWER: st.just(500.0),
        Signal.TANK_TEMPERATURE: st.sampled_from([40.0, 58.0, 60.0, 65.0]),
    }
    t = 0.0
    drawn: list[Moment] = []
    for step in draw(st.lists(st.sampled_from([0.0, 0.5, 5.0, 10.0, 30.0, 60.0, 60.5]), min_size=20, max_size=80)):
        t += step
        kind = draw(st.sampled_from([*[Kind.SAMPLE] * 20, Kind.UNKNOWN, Kind.ABSENT, Kind.DOUBT, Kind.SELECT]))
        signal = draw(st.sampled_from([*[SOC] * 4, *Signal]))
        event = Event(NOON + t, NOON + t, kind, signal)
        if kind == Kind.SAMPLE:
            age_s = draw(st.sampled_from([*[0.0] * 9, 3.0, 90.0]))
            event = sample(t, draw(values[signal]), signal, age_s=age_s)
        elif kind == Kind.SELECT:
            event = event._replace(selector=draw(st.sampled_from(Selector)), until=NOON + t + 100)
        drawn.append(Moment(NOON + t, [event]))
    return drawn


@pytest.mark.parametrize("configured", SETUPS.values(), ids=SETUPS)
@settings(max_examples=EXAMPLES)
@given(drawn=moments(), judge_contact=st.booleans())
def test_passing_over_events_gives_what_evaluating_every_event_gives(
    configured: Setup, drawn: Sequence[Moment], judge_contact: bool
) -> None:
    plan = Plan(configured, ELEMENT, judge_contact)
    quick, slow = Player(plan, NOON), Plodding(plan, NOON)
    for moment in drawn:
        quick.play(moment)
        slow.play(moment)
    end = drawn[-1].t
    exact, numbers = outcome(quick.tally, quick.finish(end))
    expected, expected_numbers = outcome(slow.tally, slow.finish(end))
    assert exact == expected
    assert numbers == pytest.approx(expected_numbers, rel=1e-9, abs=1e-9, nan_ok=True)
