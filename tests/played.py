"""Settings and random histories that are played through a replay, and what came of it as something to compare."""

import json
import math
import os
import random
from collections.abc import Iterator, Sequence

from world import LIMITS, NOON, setup

from dumpload.core.law import Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal
from dumpload.io.history_schema import HistoryRow, RowKind
from dumpload.study.records.history import _Meaning, _pages
from dumpload.study.records.items import Page
from dumpload.study.replay.summary import Element, Summary, Tally

PERMISSIVES = PermissiveLimits(26.0, 27.0, 65.0, 58.0, 100.0, 60.0, 600.0, 1200.0, 3600.0)
QUICK = LIMITS._replace(confirm_s=0.0, min_on_s=0.0, min_off_s=0.0)
SETUPS = {
    "plain": setup(LIMITS),
    "no dwell, no confirmation": setup(QUICK),
    "only a dwell on": setup(QUICK._replace(min_on_s=120.0)),
    "voltage": setup(QUICK, PermissiveLimits(voltage_cut_out_v=26.0, voltage_cut_in_v=27.0)),
    "tank": setup(QUICK, PermissiveLimits(tank_cut_out_c=65.0, tank_cut_in_c=58.0)),
    "drain": setup(QUICK, PermissiveLimits(drain_limit_w=100.0, drain_limit_s=20.0, drain_rest_s=100.0)),
    "duty": setup(QUICK, PermissiveLimits(max_on_s=200.0, max_on_per_day_s=500.0)),
    "window": setup(LIMITS, window=("12:10-12:25",)),
    "every permissive": setup(LIMITS, PERMISSIVES),
    "young data only": setup(LIMITS, PERMISSIVES, max_age_s=20.5),
    "floor in the band": setup(LIMITS._replace(floor_percent=93.0)),
    "charge alone": setup(LIMITS, max_age_s=(60.0, *[math.nan] * 6)),
}
ELEMENT = Element(300.0, 1.92)
EXAMPLES = int(os.environ.get("REPLAY_EXAMPLES", "60"))

SOC = Signal.STATE_OF_CHARGE
VALUES = {
    SOC: [98.0, 98.0, 99.0, 97.5, 97.0, 95.0, 93.0, 92.0, 49.0],
    Signal.BATTERY_VOLTAGE: [25.9, 26.0, 26.5, 27.0, 28.0],
    Signal.BATTERY_POWER: [-300.0, -100.0, 0.0, 200.0],
    Signal.LOAD_POWER: [0.0, 20.0, 400.0],
    Signal.SOLAR_POWER: [500.0],
    Signal.TANK_TEMPERATURE: [40.0, 58.0, 60.0, 65.0],
}
OTHERS = [RowKind.LOST, RowKind.UNKNOWN, RowKind.ABSENT, RowKind.DOUBT, RowKind.CHANGE, RowKind.SELECT, RowKind.STOP]


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
        signal, value, until, stamp = draw.choice([*[SOC] * 4, *Signal]), 0.0, t, t
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


def pages(rows: list[HistoryRow]) -> Iterator[Page]:
    """Yield them as the reader does, one after the other."""
    meaning = _Meaning()
    for part in _pages(iter(rows)):
        yield Page(part, meaning.shift(part[0]), meaning.items)
        meaning.end(part[-1])


def outcome(tally: Tally, summary: Summary) -> tuple[Sequence[object], list[float]]:
    changes = [(round(change.wall, 2), *change[1:]) for change in tally.changes]  # the test's times are no nearer
    exact = [changes, tally.samples, tally.accepted, tally.rejected, tally.unknown, summary.switch_ons]
    parts = [number for part in (summary.measured, summary.by_voltage, summary.by_rating) for number in part]
    numbers = [summary.on_time_s, summary.data_lost_s, summary.lowest_state_of_charge_on, summary.energy_wh]
    return repr(exact), [*numbers, summary.longest_run_s, summary.shortest_run_s, summary.drawing_s, *parts]
