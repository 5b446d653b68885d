"""What a history says was done is told as it was: the same changes, sums and days as the controller lived through."""

import contextlib
import json
import random
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from histories import batch, open_file
from recorded import Recorded, moves, write
from world import LIMITS, NOON, START, setup

from dumpload.core.controller import Event, Kind
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal
from dumpload.history.file import Start
from dumpload.history.schema import Boot, Entry, RowKind
from dumpload.records.history import HistoryRecord, Timeline
from dumpload.records.record import ReadLog, RecordError
from dumpload.replay.replay import ReplayInterrupted, Result, replay
from dumpload.replay.replayer import Scenario
from dumpload.replay.totals import Change, LoadRating, Totals
from dumpload.report.data import report_data
from dumpload.report.day_log import DayLog
from dumpload.report.from_history import STEPPED, WHOLE, read_recorded
from dumpload.report.local_time import Span

SOC, VOLTS, LOAD = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE, Signal.LOAD_POWER
MAX_AGE_S = 60.0
BARGE = LoadRating(300.0, 1.92)
SETUP = setup(
    LIMITS._replace(confirm_s=20.0, min_on_s=60.0, min_off_s=45.0),
    PermissiveLimits(voltage_cut_out_v=26.0, voltage_cut_in_v=26.5, max_on_s=400.0),
)
PLAN = Scenario(SETUP, BARGE)
HOURS = 20 * 3600.0


def lived(seed: int, span_s: float = HOURS, *, every_s: float = 0.0, **start: float) -> Recorded:
    """A controller that lives through a random charge, voltage and load, gaps, and what people and sources do."""
    draw = random.Random(seed)  # noqa: S311
    world = Recorded(SETUP, every_s, **start)
    end, charge = world.t + span_s, 96.0
    while world.t < end:
        charge = min(100.0, max(88.0, charge + draw.uniform(-0.8, 0.8) + 0.03 * (96.0 - charge)))
        world.wait(draw.randrange(4 * 1024, 40 * 1024) / 1024 + (draw.random() < 0.01) * 300.0)
        heater_w = 390.0 if world.position == Position.ON else 0.0
        values = {SOC: charge, VOLTS: 26.8 - (draw.random() < 0.02), LOAD: heater_w}
        for signal, value in values.items():
            if draw.random() < 0.9:
                world.measure(signal, round(value, 2), age_s=draw.choice([0.0, 0.0, 2.0]))
        if draw.random() < 0.01:
            world.send(draw.choice([Kind.UNKNOWN, Kind.ABSENT, Kind.EVIDENCE_RESET]), signal=draw.choice([SOC, VOLTS]))
        if draw.random() < 0.005:
            world.select(draw.choice([Selector.HAND, Selector.AUTO, Selector.OFF]), for_s=200.0)
        if draw.random() < 0.02:
            world.select(Selector.AUTO)
    return world


def told(path: Path, period: Span = WHOLE, *, account: ReadLog | None = None) -> tuple[Result, DayLog]:
    return read_recorded(HistoryRecord(path), PLAN, account or ReadLog(), UTC, period)


def tallied(world: Recorded, end: float) -> Totals:
    """What the plain tally makes of the events and decisions themselves, none of them thinned."""
    tally = Totals(BARGE, START, MAX_AGE_S)
    steps: list[tuple[float, int, Any]] = [(event.t, 0, event) for event in (*world.accepted, *world.said)]
    steps += [(row.t, 1, row) for row in world.rows if row.changed]
    steps += [(event.t, 2, event.value) for event in world.accepted if event.signal == SOC]
    for t, _order, step in sorted(steps, key=lambda one: one[:2]):
        if isinstance(step, float):
            tally.lowest(step)
        elif not isinstance(step, Event):
            tally.energy.switch_recorded(t, on=step.position == Position.ON)
            tally.change(t, Change(step.wall, step.position, step.cause, step.state_of_charge))
        elif step.kind == Kind.SAMPLE:
            feed(tally, step)
        else:
            for signal in [SOC, VOLTS, LOAD] if step.kind == Kind.ABSENT else [step.signal]:
                tally.energy.note(signal, float("nan"), t, t)
                if signal == SOC:
                    tally.lose(t)
    tally.energy.advance(end)
    return tally


def feed(tally: Totals, event: Event) -> None:
    tally.energy.note(event.signal, event.value, event.t, event.stamp + MAX_AGE_S)
    if event.signal == SOC:
        tally.regain(event.t)
        tally.charge(event.stamp)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite3"


# What the real recorder wrote of a life


@pytest.mark.parametrize("seed", range(4))
def test_its_changes_and_sums_are_those_of_the_controller_that_was_recorded(path: Path, seed: int) -> None:
    world = lived(seed)
    result, day_log = told(write(path, world))
    expected = tallied(world, result.last - world.ahead).summary(result.last - world.ahead)
    assert len(result.changes) > 30
    assert [(round(one.wall - world.ahead, 3), one.position, one.cause) for one in result.changes] == [
        (round(one.t, 3), one.position, one.cause) for one in moves(world.rows)
    ]
    found = result.summary
    assert (found.switch_ons, found.still_on) == (expected.switch_ons, expected.still_on)
    for name in ("on_time_s", "energy_wh", "data_lost_s", "lowest_state_of_charge_on", "longest_run_s", "drawing_s"):
        assert getattr(found, name) == pytest.approx(getattr(expected, name), rel=1e-9, abs=1e-6), name
    assert sum(gap.seconds for gap in day_log.lost) == pytest.approx(found.data_lost_s)


HEARTBEAT_SETUP = setup(SETUP.settings.limits, heartbeat_s=45.0)


def beating(seed: int) -> tuple[Recorded, float]:
    """A controller whose source's heartbeat stops now and then, and for how long it had no charge (s)."""
    draw = random.Random(seed)  # noqa: S311
    world, beat, stopped_until, known_s = Recorded(HEARTBEAT_SETUP), 0.0, 0.0, 0.0
    for _ in range(2_000):
        until = world.state.charge_expires_at
        step_s = draw.randrange(4 * 1024, 40 * 1024) / 1024 + (draw.random() < 0.01) * 300.0
        known_s += max(0.0, min(world.t + step_s, until) - world.t)
        world.wait(step_s)
        if draw.random() < 0.02:
            stopped_until = world.t + draw.uniform(20.0, 400.0)
        beat += world.t >= stopped_until
        heard = [(Signal.HEARTBEAT, beat), (SOC, round(draw.uniform(90, 100), 1))]
        for signal, value in heard if draw.random() < 0.5 else reversed(heard):
            world.measure(signal, value)
    return world, world.t - START - known_s


@pytest.mark.parametrize("seed", range(3))
def test_the_time_without_data_includes_that_in_which_the_heartbeat_had_stopped(path: Path, seed: int) -> None:
    world, lost_s = beating(seed)
    write(path, world)
    plan = Scenario(HEARTBEAT_SETUP, BARGE)
    recorded, day_log = read_recorded(HistoryRecord(path), plan, ReadLog(), UTC)
    assert lost_s > 1_000
    assert recorded.summary.data_lost_s == pytest.approx(lost_s, abs=0.01)
    assert sum(gap.seconds for gap in day_log.lost) == pytest.approx(lost_s, abs=0.01)
    assert replay(HistoryRecord(path), plan, ReadLog()).summary.data_lost_s == pytest.approx(lost_s, abs=0.01)
    middle = world.t + world.ahead - 20_000.0
    parts = [
        read_recorded(HistoryRecord(path), plan, ReadLog(), UTC, Span(*ends))[0].summary.data_lost_s
        for ends in ((WHOLE.begin, middle), (middle, WHOLE.end))
    ]
    assert sum(parts) == pytest.approx(lost_s, abs=0.01), "cut in two"


@pytest.mark.parametrize("seed", range(4, 6))
def test_thinned_as_the_daemon_does_it_the_energy_is_off_by_no_more_than_the_deadband(path: Path, seed: int) -> None:
    world = lived(seed, every_s=60.0)
    result, _day_log = told(write(path, world))
    expected = tallied(world, result.last - world.ahead).summary(result.last - world.ahead)
    assert result.summary.on_time_s == pytest.approx(expected.on_time_s)
    assert result.summary.energy_wh == pytest.approx(expected.energy_wh, rel=0.03)


@pytest.mark.parametrize("seed", range(6, 8))
def test_its_days_add_up_and_have_the_extremes_of_what_was_accepted(path: Path, seed: int) -> None:
    world = lived(seed, 3 * HOURS)
    result, day_log = told(write(path, world))
    one = report_data("barge", result, day_log, UTC, is_replay=False)
    assert len(one.days) == 3 or len(one.days) == 4
    so_far = cache(lambda wall: tallied_up_to(world, wall - world.ahead))
    for name, sum_of_all in (("on_time_s", result.summary.on_time_s), ("energy_wh", result.summary.energy_wh)):
        assert sum(getattr(day, name) for day in one.days) == pytest.approx(sum_of_all)
    for day in one.days:
        inside = [event.value for event in world.accepted
                  if event.signal == SOC and day.span.begin <= event.wall < day.span.end]  # fmt: skip
        assert day.charge.low <= min(inside)
        assert day.charge.high >= max(inside)
        assert day.energy_wh == pytest.approx(so_far(day.span.end) - so_far(day.span.begin))


def tallied_up_to(world: Recorded, t: float) -> float:
    """The energy so far, Wh: what was told later is not looked at."""
    early = Recorded(SETUP)
    early.accepted = [event for event in world.accepted if event.t <= t]
    early.said = [event for event in world.said if event.t <= t]
    early.rows = [row for row in world.rows if row.t <= t]
    return tallied(early, max(t, START)).energy.wh


# How runs end


def row(sequence: int, kind: RowKind, t: float, *, value: float = 0.0, until: float | None = None, text: str = "{}",
        cause: Cause = Cause.SURPLUS, signal: int = 0) -> Entry:  # fmt: skip
    """A row of a start of the program whose own clock began at 0."""
    return Entry(sequence, NOON + t, kind, t, t, t if until is None else until, signal, value, cause, text)


def write_start(path: Path, boot_id: str, wall: float, *rows: Entry) -> None:
    first = Entry(0, wall, RowKind.START, 0.0, 0.0, 0.0, text="{}")
    file = open_file(path, Start(Boot(boot_id, wall, 0.0, "test"), first))
    file.write(batch(*(one._replace(wall=wall + one.t) for one in rows)), durable=True)
    file.close()


def on(t: float = 20.0) -> Entry:
    return row(round(t), RowKind.CHANGE, t, value=1.0, text='{"state_of_charge": 98.5}')


def off(t: float, cause: Cause = Cause.BELOW_CUT_OUT) -> Entry:
    return row(round(t), RowKind.CHANGE, t, value=0.0, cause=cause)


def charge(t: float, until: float | None = None, *, percent: float = 98.0) -> Entry:
    return row(round(t), RowKind.SAMPLE, t, value=percent, until=until)


def stop(t: float) -> Entry:
    return row(round(t), RowKind.STOP, t)


def changes(result: Result) -> list[tuple[float, str, str]]:
    return [(one.wall - NOON, one.position.name.lower(), one.cause.name.lower()) for one in result.changes]


def lost(day_log: DayLog) -> list[tuple[float, float]]:
    return [(gap.begin - NOON, gap.end - NOON) for gap in day_log.lost]


def test_a_run_that_the_program_did_not_live_to_end_ends_with_the_last_thing_recorded(path: Path) -> None:
    write_start(path, "a", NOON, charge(10), on(20), charge(30, until=300, percent=94.0))
    write_start(path, "b", NOON + 5000, charge(10, until=100))
    result, day_log = told(path)
    assert changes(result) == [(20, "on", "surplus"), (300, "off", "none")]
    assert result.changes[0].state_of_charge == 98.5
    assert result.summary.on_time_s == 280
    assert result.summary.lowest_state_of_charge_on == 94.0
    assert lost(day_log) == [(0, 10), (300, 5010)]


def test_between_an_orderly_end_and_the_next_start_data_are_lost(path: Path) -> None:
    write_start(path, "a", NOON, charge(10, until=300), on(20), off(310, Cause.STOPPING), stop(311))
    write_start(path, "b", NOON + 5000, charge(10, until=100))
    result, day_log = told(path)
    assert changes(result) == [(20, "on", "surplus"), (310, "off", "stopping")]
    assert lost(day_log) == [(0, 10), (311, 5010)]
    assert result.summary.data_lost_s == 10 + 4699
    assert [event.text for event in day_log.incidents] == [
        "the program started",
        "the program shut down normally",
        "the program started",
    ]


def test_a_run_that_goes_on_at_the_end_of_the_record_is_as_long_as_it_is(path: Path) -> None:
    write_start(path, "a", NOON, charge(10, until=300), on(20))
    result, _day_log = told(path)
    assert changes(result) == [(20, "on", "surplus")]
    assert (result.summary.still_on, result.summary.on_time_s, result.last) == (True, 280, NOON + 300)


@pytest.mark.parametrize(
    ("relay", "before", "expected"),
    [
        ("on", (), [(100, "on", "surplus")]),
        ("off", (on(20),), [(20, "on", "surplus"), (100, "off", "surplus")]),
        ("on", (on(20),), [(20, "on", "surplus")]),
        ("off", (), []),
    ],
)
def test_after_missing_rows_the_relay_is_where_it_is_said_to_be(
    path: Path, relay: str, before: Sequence[Entry], expected: list[tuple[float, str, str]]
) -> None:
    gap = row(100, RowKind.GAP, 100, value=7.0, text=json.dumps({"why": "the disk was full", "relay": relay}))
    write_start(path, "a", NOON, charge(10, until=300), *before, gap, stop(400))
    result, day_log = told(path)
    assert changes(result) == expected
    assert day_log.incidents[1].text == "7 rows are missing: the disk was full"


def test_the_charge_on_which_it_went_off_is_none_while_it_was_on(path: Path) -> None:
    """As in a replay: the relay is off before the value is counted."""
    rows = [charge(10), on(10)._replace(sequence=11), charge(30, percent=93.0), charge(60, percent=92.5)]
    write_start(path, "a", NOON, *rows, off(60)._replace(sequence=61), stop(100))
    result, _day_log = told(path)
    assert result.summary.lowest_state_of_charge_on == 93.0


# Periods

DAY = datetime(2025, 6, 17, tzinfo=UTC).timestamp()
MIDNIGHT = DAY - NOON


def hours(*rows: tuple[float, Entry]) -> Iterator[Entry]:
    """Rows at so many hours after the begin of the day, from the noon before."""
    for hour, one in rows:
        t = MIDNIGHT + 3600 * hour
        yield one._replace(sequence=round(t), t=t, stamp=t, until=t + one.until - one.t)


def test_a_run_that_is_on_when_a_period_begins_or_ends_is_cut_there(path: Path) -> None:
    write_start(path, "a", NOON, *hours((-2, charge(0, until=7200)), (-1, on()), (0.01, charge(0, until=80_000)),
                                        (23, off(0)), (23.5, on()), (24.5, off(0)), (25, stop(0))))  # fmt: skip
    result, _day_log = told(path, Span(DAY, DAY + 86_400))
    assert (result.first, result.last) == (DAY, DAY + 86_400)
    assert [(one.wall - DAY, one.position.name) for one in result.changes] == [
        (0, "ON"),
        (82_800, "OFF"),
        (84_600, "ON"),
    ]
    assert result.changes[0].cause == Cause.SURPLUS
    assert result.summary.on_time_s == 82_800 + 1800
    assert result.summary.still_on
    assert result.summary.energy_wh == pytest.approx(300 * (82_800 + 1800) / 3600)


def test_what_was_known_when_a_period_began_is_known_in_it(path: Path) -> None:
    write_start(path, "a", NOON, *hours((-1, charge(0, until=3700, percent=91.0)), (2, charge(0)), (3, stop(0))))
    result, day_log = told(path, Span(DAY, DAY + 86_400))
    assert [(gap.begin - DAY, gap.end - DAY) for gap in day_log.lost] == [(160, 7200), (7260, 10_800)]
    assert day_log.charge.extremes(DAY, DAY + 900).low == 91.0
    assert result.accepted == 1


@pytest.mark.parametrize("end", [RowKind.STOP, RowKind.START])
def test_a_run_that_had_ended_with_the_program_is_none_of_the_period(path: Path, end: RowKind) -> None:
    """Whether it ended in good order, or was killed before midnight and started again after it."""
    rows = [*hours((-2, charge(0)), (-1, on()))]
    if end == RowKind.STOP:
        rows += hours((-0.9, off(0)), (-0.8, stop(0)))
    write_start(path, "a", NOON, *rows)
    write_start(path, "b", DAY + 3600, charge(10), stop(20))
    result, _day_log = told(path, Span(DAY, DAY + 86_400))
    assert changes(result) == []


def test_a_period_without_rows_is_refused_by_the_name_of_the_file(path: Path) -> None:
    write_start(path, "a", NOON, charge(10))
    with pytest.raises(RecordError, match=r"history\.sqlite3: expected a period with data"):
        told(path, Span(NOON + 86_400, NOON + 2 * 86_400))


@pytest.mark.parametrize("seed", [9])
def test_the_days_told_one_by_one_are_those_told_together(path: Path, seed: int) -> None:
    write(path, lived(seed, 3 * HOURS))
    result, day_log = told(path)
    for day in report_data("barge", result, day_log, UTC, is_replay=False).days:
        alone, its_log = told(path, day.span)
        (same,) = report_data("barge", alone, its_log, UTC, is_replay=False).days
        assert same.on_time_s == pytest.approx(day.on_time_s)
        assert same.energy_wh == pytest.approx(day.energy_wh)
        assert same.lost_s == pytest.approx(day.lost_s, abs=1e-3)
        assert tuple(same.charge) == pytest.approx(tuple(day.charge))


# Clocks


def test_times_are_by_the_clock_as_it_was_set_after_the_start(path: Path) -> None:
    """A board without a clock of its own believes that it is last month, until the network tells the time."""
    behind_s = 30 * 86_400.0
    rows = [charge(10, until=200), on(20), row(60, RowKind.CLOCK, 60, value=behind_s), off(100), stop(300)]
    write_start(path, "a", NOON - behind_s, *rows)
    write_start(path, "b", NOON + 1000, charge(10))
    account = ReadLog()
    result, day_log = told(path, account=account)
    assert changes(result) == [(20, "on", "surplus"), (100, "off", "below_cut_out")]
    assert (result.first, result.last) == (NOON, NOON + 1010)
    assert [event.text for event in day_log.incidents][1] == "the clock was stepped by +2592000.0 s"
    assert STEPPED in account.notes
    assert account.rows == 8


def test_a_small_step_of_the_clock_is_told_and_changes_no_time(path: Path) -> None:
    write_start(path, "a", NOON, charge(10, until=200), row(60, RowKind.CLOCK, 60, value=-1.5), stop(100))
    result, day_log = told(path)
    assert result.last == NOON + 200
    assert day_log.incidents[1].text == "the clock was stepped by -1.5 s"


def test_a_start_with_a_wrong_clock_does_not_lead_back_in_time(path: Path) -> None:
    write_start(path, "a", NOON, charge(10), on(20), off(100), stop(150))
    write_start(path, "b", NOON - 5000, charge(10), on(20), off(50), stop(60))
    result, _day_log = told(path)
    walls = [one.wall for one in result.changes]
    assert walls == sorted(walls)
    assert result.summary.on_time_s == 80 + 30


# What else happened


def test_only_the_last_events_are_kept(path: Path) -> None:
    write_start(path, "a", NOON, *(row(t, RowKind.RESET, t) for t in range(1, 400)))
    _result, day_log = told(path)
    assert len(day_log.incidents) == 200
    assert day_log.incidents[-1].wall == NOON + 399


# What cannot be told


def test_a_person_may_end_it_and_is_told_how_far_it_was(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_start(path, "a", NOON, charge(10), charge(20))
    record = HistoryRecord(path)
    rows = list(record.rows(ReadLog(), record.timeline()))

    def interrupted(_log: ReadLog, _timeline: Timeline, _period: Span) -> Iterator[Any]:
        yield from rows
        raise KeyboardInterrupt

    monkeypatch.setattr(record, "rows", interrupted)
    with pytest.raises(
        ReplayInterrupted, match=r"interrupted at 2025-06-16T12:00:20.000Z of the record; an incomplete"
    ):
        read_recorded(record, PLAN, ReadLog(), UTC)


@pytest.mark.parametrize(
    "odd",
    [
        row(1, RowKind.CHANGE, 10.0, value=3.0),
        row(1, RowKind.SAMPLE, 10.0, signal=77),
        row(1, RowKind.SAMPLE, 1e12),
        row(1, RowKind.SAMPLE, 10.0, until=1e300),
        row(1, RowKind.SELECT, 10.0, value=9.0),
        row(1, RowKind.CHANGE, -1e12, value=1.0),
    ],
    ids=["position", "signal", "time", "until", "selector", "long ago"],
)
def test_a_row_that_no_daemon_writes_is_dropped_by_its_number(path: Path, odd: Entry) -> None:
    write_start(path, "a", NOON, odd, charge(20))
    log = ReadLog()
    result, _day_log = told(path, account=log)
    assert (log.rows, log.dropped, result.accepted) == (2, 1, 1)
    assert str(log.bad[0]).startswith(f"{path}, row 2: expected ")


def test_a_damaged_file_is_refused_or_read_and_never_a_fault_of_ours(tmp_path: Path) -> None:
    write(tmp_path / "whole.sqlite3", lived(10, 3600.0))
    whole = (tmp_path / "whole.sqlite3").read_bytes()
    draw = random.Random(1)  # noqa: S311
    read = 0
    for number in range(150):
        damaged = bytearray(whole)
        for _ in range(draw.randrange(1, 30)):
            damaged[draw.randrange(100, len(damaged))] = draw.randrange(256)
        path = tmp_path / f"{number}.sqlite3"
        path.write_bytes(damaged)
        with contextlib.suppress(RecordError):
            told(path)
            read += 1
        path.unlink()
    assert 10 < read < 140


def test_midnights_are_those_of_the_zone(path: Path) -> None:
    zone = ZoneInfo("Asia/Kathmandu")
    write_start(path, "a", NOON, charge(10, until=50_000), on(20), off(40_000), stop(50_000))
    result, day_log = read_recorded(HistoryRecord(path), PLAN, ReadLog(), zone)
    one = report_data("barge", result, day_log, zone, is_replay=False)
    assert [day.on_time_s for day in one.days] == pytest.approx([6.25 * 3600 - 20, 40_000 - 6.25 * 3600])
    assert [*day_log.energy_at.values()] == pytest.approx([300 * (6.25 * 3600 - 20) / 3600])
