"""A day log watches a replay and changes nothing of it; what it writes down is what a plain reckoning gives."""

import json
import math
import random
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import timedelta, timezone, tzinfo
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import pytest
from judged import settings
from world import LIMITS, NOON, setup

from dumpload.core.contact import LOAD_PRESENT_W
from dumpload.core.law import Position, Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal
from dumpload.history.schema import HistoryRow, RowKind
from dumpload.records.history import Timeline, items_of
from dumpload.records.items import Instant, Restart
from dumpload.records.open import open_record
from dumpload.records.record import ReadLog, Record, TableFormat
from dumpload.replay.replay import Result, replay
from dumpload.replay.replayer import Scenario
from dumpload.replay.totals import EnergyShare, LoadRating
from dumpload.report.data import ReportData, report_data
from dumpload.report.day_log import DayLog
from dumpload.report.local_time import local_days

SOC = Signal.STATE_OF_CHARGE
MAX_AGE_S = 60.0
RATED_W, OHM = 300.0, 1.92
SETUP = setup(
    LIMITS._replace(confirm_s=0.0, min_on_s=900.0, min_off_s=30.0),
    PermissiveLimits(voltage_cut_out_v=25.0, voltage_cut_in_v=25.5),
)
PLAN = Scenario(SETUP, LoadRating(RATED_W, OHM))
ZONES: dict[str, tzinfo] = {
    "midnight a quarter after noon": timezone(timedelta(hours=11, minutes=45)),
    "midnight at noon": timezone(timedelta(hours=12)),
    "UTC+05:45": ZoneInfo("Asia/Kathmandu"),
}
TOPICS = {
    "telemetry.state_of_charge.topic": "barge/charge",
    "telemetry.state_of_charge.timestamp_pointer": "/at",
    "telemetry.state_of_charge.pointer": "/value",
    "telemetry.battery_voltage.topic": "barge/volts",
    "telemetry.load_power.topic": "barge/load",
}


class Row(NamedTuple):
    """Unix s, and what was measured; NaN is no value."""

    wall: float
    charge: float
    volts: float
    load_w: float


class Drawn(NamedTuple):
    # What counts.
    rows: list[Row]
    # What is written, spoilt and blank cells among it.
    cells: list[list[str]]


def drawn(seed: int, rows: int = 400) -> Drawn:
    """Rows of some days: mostly close together, with gaps of hours, and cells that say nothing or nonsense."""
    draw = random.Random(seed)  # noqa: S311
    found = Drawn([], [])
    wall, charge = NOON, 95.0
    for _ in range(rows):
        charge = min(100.0, max(48.0, charge + draw.uniform(-1.5, 1.5) + 0.05 * (95.0 - charge)))
        row = Row(wall, round(charge, 1), round(draw.uniform(25.0, 28.0), 2), draw.choice([0.0, 390.0]))
        cells = [repr(value) if draw.random() < 0.9 else "" for value in row[1:]]
        if draw.random() < 0.04:
            cells[0] = draw.choice(["101", "nan", "x", "-3", " "])
        found.cells.append([f"{wall}", *cells])
        found.rows.append(Row(wall, *(float(cell) if plain(cell) else math.nan for cell in cells)))
        wall += draw.choice([5, 15, 15, 30, 59, 60, 61]) if draw.random() < 0.98 else draw.randrange(600, 40_000)
    return found


def plain(cell: str) -> bool:
    return cell.strip() not in ("", "101", "nan", "x", "-3")


def table(path: Path, one: Drawn) -> Record:
    lines = ["time,state_of_charge,battery_voltage,load_power", *(",".join(cells) for cells in one.cells)]
    path.write_text("\n".join(lines) + "\n")
    return open_record(path, TableFormat(), settings())


def capture(path: Path, one: Drawn, *, late_s: float = 0.0) -> Record:
    """Write messages, one for each cell, a little apart; the charge says when it was measured."""
    with path.open("w") as file:
        for time, *cells in one.cells:
            for index, (topic, cell) in enumerate(zip(("charge", "volts", "load"), cells, strict=True)):
                at = float(time) + index / 8
                payload = json.dumps({"value": cell_value(cell), "at": at - late_s}) if topic == "charge" else cell
                row = {"time": at, "topic": f"barge/{topic}", "payload": payload, "retain": False}
                file.write(json.dumps(row) + "\n")
    return open_record(path, TableFormat(), settings(TOPICS))


def cell_value(cell: str) -> float | str:
    return float(cell) if plain(cell) else cell


VALUES = {
    SOC: [98.0, 98.0, 99.0, 97.5, 97.0, 95.0, 93.0, 92.0, 49.0],
    Signal.BATTERY_VOLTAGE: [25.9, 26.0, 26.5, 27.0, 28.0],
    Signal.BATTERY_POWER: [-300.0, -100.0, 0.0, 200.0],
    Signal.LOAD_POWER: [0.0, 20.0, 400.0],
    Signal.SOLAR_POWER: [500.0],
    Signal.TANK_TEMPERATURE: [40.0, 58.0, 60.0, 65.0],
    Signal.HEARTBEAT: [1.0, 2.0, 3.0],
}
OTHERS = [
    RowKind.LOST,
    RowKind.UNKNOWN,
    RowKind.ABSENT,
    RowKind.EVIDENCE_RESET,
    RowKind.CHANGE,
    RowKind.SELECT,
    RowKind.STOP,
]


def history(seed: int) -> list[HistoryRow]:
    """Rows of some starts: mostly samples much like the last ones, and a wall clock that may be stepped."""
    draw = random.Random(seed)  # noqa: S311
    rows: list[HistoryRow] = []
    last = {signal: draw.choice(values) for signal, values in VALUES.items()}
    t, apart, boot = 0.0, NOON, "b1"
    odd, slewed = draw.choice([0.0, 0.02, 0.2]), draw.choice([0.0, 0.3])
    for _ in range(draw.randrange(1, 150)):
        t += draw.choice([0.0, 0.5, 5.0, 15.0, 15.0, 15.0, 61.0 if draw.random() < 0.2 else 1.0])
        apart += draw.choice([0.0, 0.0, 0.0, 0.0001, slewed])
        kind = draw.choice([*OTHERS, RowKind.CLOCK, RowKind.START]) if draw.random() < odd else RowKind.SAMPLE
        signal, value, until, stamp = draw.choice([*[SOC] * 4, *VALUES]), 0.0, t, t
        if kind == RowKind.SAMPLE:
            if draw.random() < 0.15:
                last[signal] = draw.choice(VALUES[signal])
            value = last[signal]
            stamp = t - draw.choice([0.0, 0.0, 0.0, 0.25, 30.0])
            until = stamp + draw.choice([0.0, 10.0, 45.0, 45.0])
        elif kind == RowKind.SELECT:
            value, until = float(draw.choice(list(Selector))), t + 100.0
        elif kind == RowKind.CLOCK:
            value = draw.choice([-600.0, 0.0002, 600.0])
            apart += value
        elif kind == RowKind.START:
            boot, t, apart = f"{boot}+", 5.0, apart + t
            stamp = until = t
        text = json.dumps({"selector": "auto", "lockout": "none"})
        rows.append(HistoryRow(t + apart, boot, len(rows), kind, signal, value, 0, text, t, stamp, until))
    return rows


class Rows(NamedTuple):
    """The rows of a history, without a file."""

    path: Path
    rows: list[HistoryRow]
    kind: str = "history"

    def read(self, _log: ReadLog) -> Iterator[Instant | Restart]:
        timeline = Timeline({})
        return items_of(((row, timeline.place(row)) for row in self.rows), Counter())


def both(record: Record, zone: tzinfo, plan: Scenario = PLAN) -> tuple[Result, Result, DayLog]:
    """Replay without and with a day log."""
    day_log = DayLog(zone)
    return replay(record, plan, ReadLog()), replay(record, plan, ReadLog(), day_log), day_log


def agree(plain: Result, seen: Result) -> None:
    """Changes and counts are the very same; sums are, but for rounding."""
    assert repr(seen.changes) == repr(plain.changes)
    assert seen[2:7] == plain[2:7]
    for name, expected in plain.summary._asdict().items():
        numbers = [*expected] if isinstance(expected, EnergyShare) else [expected]
        found = getattr(seen.summary, name)
        found = [*found] if isinstance(found, EnergyShare) else [found]
        assert found == pytest.approx(numbers, rel=1e-9, abs=1e-6, nan_ok=True), name


def told(result: Result, day_log: DayLog, zone: tzinfo) -> ReportData:
    return report_data("barge", result, day_log, zone, is_replay=True)


ZONE = pytest.mark.parametrize("zone", ZONES.values(), ids=ZONES)


# It changes nothing


@ZONE
@pytest.mark.parametrize("seed", range(8))
def test_a_table_is_replayed_the_same(tmp_path: Path, zone: tzinfo, seed: int) -> None:
    without, seen, _day_log = both(table(tmp_path / "log.csv", drawn(seed)), zone)
    assert len(seen.changes) > 5
    agree(without, seen)


@ZONE
@pytest.mark.parametrize("seed", range(4))
def test_a_capture_is_replayed_the_same(tmp_path: Path, zone: tzinfo, seed: int) -> None:
    without, seen, _day_log = both(capture(tmp_path / "log.jsonl", drawn(seed)), zone)
    assert len(seen.changes) > 5
    agree(without, seen)


@ZONE
@pytest.mark.parametrize("seed", range(20))
def test_a_history_is_replayed_the_same_although_its_clock_is_stepped(zone: tzinfo, seed: int) -> None:
    without, seen, _day_log = both(Rows(Path("history"), history(seed)), zone)
    agree(without, seen)


@pytest.mark.parametrize("before_s", [0, 1, 30, 60])
@pytest.mark.parametrize("dwell_s", [570.0, 600.0, 900.0, 3600.0])
def test_a_dwell_may_end_at_midnight_with_no_row_near(tmp_path: Path, dwell_s: float, before_s: int) -> None:
    """The charge is live for a day: nothing but the dwell itself ends the run, between two rows an hour apart."""
    plan = Scenario(
        setup(LIMITS._replace(confirm_s=0.0, min_on_s=dwell_s, min_off_s=0.0), max_age_s=86_400.0), LoadRating(RATED_W)
    )
    begin = NOON + 900 - dwell_s - before_s  # midnight is at NOON + 900
    lines = [f"{begin - 1},80", f"{begin},98", f"{begin + 1},80", f"{begin + 7200},80"]
    (tmp_path / "log.csv").write_text("time,state_of_charge\n" + "\n".join(lines) + "\n")
    zone = ZONES["midnight a quarter after noon"]
    without, seen, day_log = both(open_record(tmp_path / "log.csv", TableFormat(), settings()), zone, plan)
    agree(without, seen)
    assert seen.changes[1].wall == begin + dwell_s
    on_before_s = min(dwell_s, NOON + 900 - begin)
    assert [day.on_time_s for day in told(seen, day_log, zone).days] == pytest.approx(
        [on_before_s, dwell_s - on_before_s]
    )
    assert [day.energy_wh for day in told(seen, day_log, zone).days] == pytest.approx(
        [RATED_W / 3600 * on_before_s, RATED_W / 3600 * (dwell_s - on_before_s)]
    )


def placed(t: float, wall: float, **fields: Any) -> HistoryRow:
    """A row of a history: a sample of the charge unless it is said to be something else."""
    plain = HistoryRow(wall, "a", round(t), RowKind.SAMPLE, SOC, 98.0, 0, "", t, t, t)
    return plain._replace(**fields)


def test_a_step_of_the_clock_past_midnight_adds_no_energy(tmp_path: Path) -> None:
    """Midnight was then, by the new clock, before what has been counted already."""
    rows = [placed(float(t), NOON + t + (1000 if t >= 300 else 0)) for t in range(0, 600, 15)]
    plan = Scenario(
        SETUP._replace(settings=SETUP.settings._replace(permissives=PermissiveLimits())), LoadRating(RATED_W)
    )
    without, seen, day_log = both(Rows(tmp_path, rows), ZONES["midnight a quarter after noon"], plan)
    agree(without, seen)
    assert seen.summary.on_time_s == 585 - 30
    assert seen.summary.energy_wh == pytest.approx(RATED_W * (585 - 30) / 3600)
    (energy,) = day_log.energy_at.values()
    assert energy == pytest.approx(RATED_W * (285 - 30) / 3600)


# What it writes down


@ZONE
@pytest.mark.parametrize("seed", range(8, 14))
def test_its_days_are_what_a_plain_reckoning_gives(tmp_path: Path, zone: tzinfo, seed: int) -> None:
    one = drawn(seed, 300)
    _without, seen, day_log = both(table(tmp_path / "log.csv", one), zone)
    days = told(seen, day_log, zone).days
    assert sum(day.energy_wh for day in days) == pytest.approx(seen.summary.energy_wh)
    assert sum(day.lost_s for day in days) == pytest.approx(seen.summary.data_lost_s)
    assert sum(day.on_time_s for day in days) == pytest.approx(seen.summary.on_time_s)
    reckoned = energy_by_day(one.rows, seen, zone)
    assert [day.energy_wh for day in days] == pytest.approx(reckoned, abs=1e-6)
    for day in days:
        inside = [row.charge for row in one.rows
                  if day.span.begin <= row.wall < day.span.end and not math.isnan(row.charge)]  # fmt: skip
        found = (day.charge.low, day.charge.high)
        assert found == (min(inside), max(inside)) if inside else math.isnan(found[0])


def energy_by_day(rows: Sequence[Row], result: Result, zone: tzinfo) -> list[float]:
    """Cut the time wherever anything can change, and add up power times time."""
    midnights = [day[1].end for day in local_days(result.first, result.last, zone)]
    cuts = {wall for row in rows for wall in (row.wall, row.wall + MAX_AGE_S)} | set(midnights)
    cuts |= {change.wall for change in result.changes}
    energies = [0.0] * len(midnights)
    moves = [change.wall for change in result.changes]
    for begin, end in pairwise(sorted(cut for cut in cuts if result.first <= cut <= result.last)):
        move = bisect_right(moves, begin) - 1
        if move >= 0 and result.changes[move].position == Position.ON:
            energies[bisect_right(midnights, begin)] += power_w(rows, (begin + end) / 2) * (end - begin) / 3600
    return energies


def power_w(rows: Sequence[Row], wall: float) -> float:
    """The measured power if it is live and shows the load on, else that by a live voltage, else the rating."""
    live = [row for row in rows if wall - MAX_AGE_S < row.wall <= wall]
    watts = [row.load_w for row in live if not math.isnan(row.load_w)]
    volts = [row.volts for row in live if not math.isnan(row.volts)]
    return watts[-1] if watts and watts[-1] > LOAD_PRESENT_W else volts[-1] ** 2 / OHM if volts else RATED_W


def test_a_message_that_comes_too_late_to_count_is_no_charge_of_its_day(tmp_path: Path) -> None:
    for late_s, is_there in ((59.0, True), (60.0, False)):
        _without, seen, day_log = both(
            capture(tmp_path / "log.jsonl", drawn(20, 50), late_s=late_s), ZONES["UTC+05:45"]
        )
        charge = told(seen, day_log, ZONES["UTC+05:45"]).days[0].charge
        assert math.isnan(charge.low) != is_there


def test_a_value_of_a_history_that_would_come_too_late_now_is_no_charge_of_its_day(tmp_path: Path) -> None:
    rows = [placed(10.0, NOON + 10), placed(20.0, NOON + 20, value=60.0, stamp=-40.0, until=-40.0)]
    _without, seen, day_log = both(Rows(tmp_path, rows), ZONES["UTC+05:45"])
    assert (seen.accepted, seen.rejected) == (1, 1)
    assert told(seen, day_log, ZONES["UTC+05:45"]).days[0].charge == (98.0, 98.0)


def test_a_value_of_a_history_counts_as_long_as_it_went_on(tmp_path: Path) -> None:
    from histories import fill, sample

    path = tmp_path / "history.sqlite3"
    fill(
        path,
        [sample(1, 98.0, t=5.0, wall=NOON + 5)._replace(until=5000.0), sample(2, 60.0, t=5010.0, wall=NOON + 5010)],
    )
    _without, _seen, day_log = both(open_record(path, TableFormat(), settings()), ZONES["UTC+05:45"])
    columns = day_log.charge.columns(NOON, NOON + 7200, 8)
    assert [column.high for column in columns[:6]] == [98.0] * 6
    assert columns[5].low == 60.0
    assert math.isnan(columns[6].low)
