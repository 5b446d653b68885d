"""What single rows of a history mean to a report: when they were, what they say, and what was so before a period."""

from typing import Any

import pytest
from world import NOON

from dumpload.core.freshness import NEVER
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.signals import Signal
from dumpload.history.schema import HistoryRow, RowKind
from dumpload.records.history import Timeline
from dumpload.report.from_history import Before, Held, incident_words, recorded_charge, recorded_position

SOC, VOLTS = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE


def row(kind: RowKind, t: float = 0.0, *, wall: float = NOON, boot: str = "a", **fields: Any) -> HistoryRow:
    """A row of a start whose own clock was at 0 at `wall`."""
    plain = HistoryRow(wall + t, boot, 1, kind, -1, 0.0, 0, "", t, t, t)
    return plain._replace(**fields)


# When


def walls(timeline: Timeline, *rows: HistoryRow) -> list[float]:
    return [timeline.place(one) - timeline.ahead - NOON for one in rows]


def test_the_clocks_of_all_starts_are_laid_in_a_row() -> None:
    rows = [row(RowKind.START), row(RowKind.RESET, 5.0), row(RowKind.START, 1.0, boot="b", wall=NOON + 100.0)]
    assert walls(Timeline({}), *rows) == [0.0, 5.0, 101.0]


def test_the_first_start_keeps_its_own_clock_to_the_last_digit() -> None:
    timeline = Timeline({})
    assert [timeline.place(row(RowKind.RESET, t)) for t in (0.1, 0.30000000000000004)] == [0.1, 0.30000000000000004]


def test_times_never_go_back_whatever_the_clocks_say() -> None:
    rows = [row(RowKind.START, 50.0), row(RowKind.RESET, 40.0), row(RowKind.START, boot="b", wall=NOON - 9000.0),
            row(RowKind.RESET, 3.0, boot="b", wall=NOON - 9000.0)]  # fmt: skip
    assert walls(Timeline({}), *rows) == [50.0, 50.0, 50.0, 53.0]


def test_a_start_whose_clock_was_stepped_is_placed_by_the_clock_as_it_was_afterwards() -> None:
    rows = [
        row(RowKind.START, wall=NOON - 500.0),
        row(RowKind.CLOCK, 1.0, wall=NOON - 500.0, value=400.0),
        row(RowKind.CLOCK, 2.0, wall=NOON - 100.0, value=100.0),
        row(RowKind.START, boot="b", wall=NOON + 60.0),
    ]
    assert walls(Timeline({}), *rows) == [-500.0, -499.0, -498.0, 60.0]
    assert walls(Timeline({"a": 500.0}), *rows) == [0.0, 1.0, 2.0, 60.0]


@pytest.mark.parametrize("wall", [-1.0, 7_258_118_401.0])
def test_a_row_of_no_time_at_which_a_daemon_can_have_run_is_refused(wall: float) -> None:
    assert Timeline({}).expected(row(RowKind.RESET, wall=wall)) == "a time from 1970 to 2200"


def test_a_row_forty_years_after_the_first_is_refused_and_those_after_it_are_read() -> None:
    timeline = Timeline({})
    timeline.place(row(RowKind.START))
    year_s = 365.25 * 86_400
    late = row(RowKind.START, boot="b", wall=NOON + 41 * year_s)
    assert timeline.expected(late) == "a time within 40 years of the first row"
    assert timeline.expected(row(RowKind.START, boot="b", wall=NOON + 39 * year_s)) == ""


# What it says


@pytest.mark.parametrize(
    ("kind", "fields", "words"),
    [
        (RowKind.START, {}, "the program started"),
        (RowKind.STOP, {}, "the program shut down normally"),
        (RowKind.SELECT, {"value": Selector.HAND, "until": 1900.0}, "selector moved to hand for 30 min"),
        (RowKind.SELECT, {"value": Selector.OFF}, "selector moved to off"),
        (RowKind.SELECT, {"value": Selector.AUTO, "until": NEVER}, "selector moved to auto"),
        (RowKind.RESET, {}, "the lockout was reset"),
        (RowKind.PIN_FAULT, {}, "the pin could not be driven or read back"),
        (RowKind.FAULT, {"text": "lockout: contact_closed"}, "fault: lockout: contact_closed"),
        (RowKind.SETTINGS, {}, "new settings were taken"),
        (RowKind.CLOCK, {"value": 3.2}, "the clock was stepped by +3.2 s"),
        (RowKind.GAP, {"value": 7.0, "text": '{"why": "the disk was full"}'}, "7 rows are missing: the disk was full"),
        (RowKind.GAP, {"value": 3.0, "text": "not JSON"}, "3 rows are missing: for a reason not recorded"),
        (RowKind.GAP, {"value": 3.0, "text": "[]"}, "3 rows are missing: for a reason not recorded"),
    ],
)
def test_what_happened_is_told_in_words(kind: RowKind, fields: dict[str, Any], words: str) -> None:
    assert incident_words(row(kind, 100.0, **fields)) == words


@pytest.mark.parametrize(
    "kind",
    [
        RowKind.SAMPLE,
        RowKind.CHANGE,
        RowKind.LOST,
        RowKind.UNKNOWN,
        RowKind.ABSENT,
        RowKind.EVIDENCE_RESET,
        RowKind.FEEDBACK,
    ],
)
def test_what_has_a_place_of_its_own_is_no_event(kind: RowKind) -> None:
    assert incident_words(row(kind)) == ""


@pytest.mark.parametrize(
    ("text", "charge"),
    [('{"state_of_charge": 98.5}', "98.5"), ('{"state_of_charge": null}', "nan"), ("{}", "nan"), ("", "nan"),
     ('{"state_of_charge": "98"}', "nan")],
)  # fmt: skip
def test_a_change_tells_its_charge(text: str, charge: str) -> None:
    assert str(recorded_charge(row(RowKind.CHANGE, text=text))) == charge


@pytest.mark.parametrize(
    ("text", "position"),
    [('{"relay": "on"}', Position.ON), ('{"relay": "off"}', Position.OFF), ("{}", Position.OFF), ("x", Position.OFF)],
)
def test_a_gap_tells_where_the_relay_is(text: str, position: Position) -> None:
    assert recorded_position(row(RowKind.GAP, text=text)) == position


# Before a period


def before(*rows: HistoryRow) -> Before:
    one = Before()
    for each in rows:
        one.take(each, each.t + 1000.0)
    return one


def sample(signal: Signal, value: float, t: float = 5.0, until: float = 60.0) -> HistoryRow:
    return row(RowKind.SAMPLE, t, signal=signal, value=value, until=until)


def on(text: str = '{"state_of_charge": 98.0}') -> HistoryRow:
    return row(RowKind.CHANGE, 10.0, value=1.0, cause=Cause.SURPLUS, text=text)


def test_before_anything_is_recorded_nothing_is_known() -> None:
    assert (before().is_any, before().on, before().samples) == (False, None, {})


def test_the_last_values_and_the_run_are_remembered() -> None:
    one = before(sample(SOC, 91.0), sample(SOC, 98.0, until=70.0), sample(VOLTS, 26.5), on())
    assert one.is_any
    assert one.samples == {SOC: Held(98.0, 1070.0), VOLTS: Held(26.5, 1060.0)}
    assert one.on is not None
    assert (one.on.position, one.on.cause, one.on.state_of_charge) == (Position.ON, Cause.SURPLUS, 98.0)


@pytest.mark.parametrize(
    "end",
    [
        row(RowKind.CHANGE, 20.0, value=0.0),
        row(RowKind.START, 20.0),
        row(RowKind.STOP, 20.0),
        row(RowKind.GAP, 20.0, text='{"relay": "off"}'),
    ],
    ids=["change", "start", "stop", "gap"],
)
def test_a_run_that_ended_is_forgotten(end: HistoryRow) -> None:
    assert before(on(), end).on is None


def test_a_gap_in_a_run_does_not_begin_it_anew() -> None:
    gap = row(RowKind.GAP, 20.0, text='{"relay": "on"}', cause=Cause.HAND)
    kept, begun = before(on(), gap).on, before(gap).on
    assert kept is not None
    assert begun is not None
    assert (kept.cause, begun.cause) == (Cause.SURPLUS, Cause.HAND)


@pytest.mark.parametrize(
    ("end", "left"),
    [
        (row(RowKind.LOST, 20.0, signal=SOC), {VOLTS}),
        (row(RowKind.UNKNOWN, 20.0, signal=VOLTS), {SOC}),
        (row(RowKind.ABSENT, 20.0), set()),
        (row(RowKind.START, 20.0), set()),
        (row(RowKind.STOP, 20.0), set()),
        (row(RowKind.RESET, 20.0), {SOC, VOLTS}),
    ],
    ids=["lost", "unknown", "absent", "start", "stop", "reset"],
)
def test_what_is_not_known_any_more_is_forgotten(end: HistoryRow, left: set[Signal]) -> None:
    assert before(sample(SOC, 98.0), sample(VOLTS, 26.5), end).samples.keys() == left
