"""Chronicles for the tests of the report: told of changes and samples by a tally that is asked at every midnight."""

import random
from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from dumpload.core.law import Cause, Position
from dumpload.study.records.bounds import Extremes
from dumpload.study.records.record import Account
from dumpload.study.replay.replay import Result
from dumpload.study.replay.summary import Change, Element, Tally
from dumpload.study.report.chronicle import Chronicle, Event, Story, chronicle
from dumpload.study.report.local_time import Span, local_days
from dumpload.study.report.trace import Trace

LONDON = ZoneInfo("Europe/London")
MAX_AGE_S = 60.0
RATED_W = 300.0
HEATER = Element(RATED_W)


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
    element: Element = HEATER,
    zone: tzinfo = LONDON,
    max_age_s: float = MAX_AGE_S,
    events: Sequence[Event] = (),
    is_tried: bool = True,
) -> Chronicle:
    """Tell of changes, and of samples of the charge (percent, by Unix s)."""
    tally = Tally(element, begin, max_age_s)
    lost: list[Span] = []
    tally.on_loss = lambda since, until: lost.append(Span(since, until))
    trace, energy_at = Trace(), {}
    midnights = {span.end for _day, span in local_days(begin, end, zone)}
    moves = {change.wall: change for change in changes}
    for at in sorted(midnights | moves.keys() | (samples or {}).keys()):
        if at in midnights and at <= end:
            tally.energy.advance(at)
            energy_at[at] = tally.energy.wh
        if at in moves:
            tally.change(at, moves[at])
        if samples and at in samples:
            take(tally, trace, at, samples[at])
    counts = (tally.samples, tally.accepted, tally.rejected)
    result = Result(Path("log.csv"), "CSV", begin, end, *counts, changes, tally.summary(end), Account())
    return chronicle("barge", result, Story(trace, lost, energy_at, events), zone, is_tried=is_tried)


def take(tally: Tally, trace: Trace, at: float, percent: float) -> None:
    """Let both know a sample of the charge."""
    tally.accept()
    tally.regain(at)
    tally.charge(at)
    tally.lowest(percent)
    trace.add(at, Extremes(percent, percent))


def rough(days: int, switch_ons_a_day: int, *, seed: int = 1, is_tried: bool = False) -> Chronicle:
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
    return told(begin, end, changes, samples=samples, max_age_s=1800.0, is_tried=is_tried)
