"""Chronicles for the tests of the report: told of changes and samples by a tally that is asked at every midnight."""

import random
from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from dumpload.core.law import Cause, Position
from dumpload.records.record import ReadLog
from dumpload.replay.replay import Result
from dumpload.replay.totals import Change, LoadRating, Totals
from dumpload.report.data import ReportData, report_data
from dumpload.report.day_log import DayLog, Incident
from dumpload.report.local_time import local_days

LONDON = ZoneInfo("Europe/London")
MAX_AGE_S = 60.0
RATED_W = 300.0
HEATER = LoadRating(RATED_W)


def wall(*when: int, zone: tzinfo = LONDON) -> float:
    return datetime(*when, tzinfo=zone).timestamp()  # type: ignore[arg-type,misc]


def on(at: float, cause: Cause = Cause.SURPLUS) -> Change:
    return Change(at, Position.ON, cause, 98.0)


def off(at: float, cause: Cause = Cause.BELOW_CUT_OUT) -> Change:
    return Change(at, Position.OFF, cause, 92.0)


def told(
    begin: float,
    end: float,
    changes: Sequence[Change],
    *,
    samples: Mapping[float, float] | None = None,
    element: LoadRating = HEATER,
    zone: tzinfo = LONDON,
    max_age_s: float = MAX_AGE_S,
    events: Sequence[Incident] = (),
    is_replay: bool = True,
) -> ReportData:
    """Tell of changes, and of samples of the charge (percent, by Unix s)."""
    tally = Totals(element, begin, max_age_s)
    day_log = DayLog(zone)
    day_log.begin(tally, begin)
    tally.on_loss = day_log.lose
    day_log.incidents = events
    midnights = {span.end for _day, span in local_days(begin, end, zone)}
    moves = {change.wall: change for change in changes}
    for at in sorted(midnights | moves.keys() | (samples or {}).keys()):
        if at in midnights and at <= end:
            day_log.pass_midnight(at)
        if at in moves:
            tally.change(at, moves[at])
        if samples and at in samples:
            take(tally, day_log, at, samples[at])
    counts = (tally.samples, tally.accepted, tally.rejected)
    result = Result(Path("log.csv"), "CSV", begin, end, *counts, changes, tally.summary(end), ReadLog())
    return report_data("barge", result, day_log, zone, is_replay=is_replay)


def take(tally: Totals, day_log: DayLog, at: float, percent: float) -> None:
    """Let both know a sample of the charge."""
    tally.accept()
    tally.regain(at)
    tally.charge(at)
    tally.lowest(percent)
    day_log.hold(at, at, percent)


def rough(days: int, switch_ons_a_day: int, *, seed: int = 1, is_replay: bool = False) -> ReportData:
    """Tell of a bank under clouds, a value every quarter of an hour, and of a relay that moves so often, anywhen."""
    draw = random.Random(seed)  # noqa: S311
    begin = wall(2025, 1, 1)
    end = begin + days * 86_400
    samples, charge = {}, 80.0
    for quarter in range(days * 96):
        charge = min(100.0, max(45.0, charge + draw.uniform(-2.0, 2.0) + 0.02 * (85.0 - charge)))
        if draw.random() < 0.99:
            samples[begin + quarter * 900] = round(charge, 1)
    moments = sorted(draw.sample(range(1, days * 86_400), 2 * days * switch_ons_a_day))
    causes = (Cause.BELOW_CUT_OUT, Cause.BELOW_CUT_OUT, Cause.OUTSIDE_WINDOW, Cause.DATA_LOST)
    changes = [
        off(begin + at, draw.choice(causes)) if index % 2 else on(begin + at) for index, at in enumerate(moments)
    ]
    return told(begin, end, changes, samples=samples, max_age_s=1800.0, is_replay=is_replay)
