"""Settings to replay under, random rows that wander about their thresholds, and what a replay came to."""

import math
import os
from array import array
from collections.abc import Sequence
from typing import NamedTuple

from hypothesis import strategies as st
from world import LIMITS, NOON, setup

from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import QUANTITIES, Signal
from dumpload.records.cells import CellParser
from dumpload.records.items import RowBatch
from dumpload.replay.totals import LoadRating, Summary, Totals

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
    "heartbeat": setup(QUICK, heartbeat_s=45.0),
    "charge alone": setup(LIMITS, max_age_s=(60.0, *[math.nan] * 6)),
}
HEATER = LoadRating(300.0, 1.92)

# More are worth while after a change of the law, the permissives, or of what plays a record.
EXAMPLES = int(os.environ.get("REPLAY_EXAMPLES", "25"))

CHARGES = [*["97.5", "99"] * 8, "97", "97.0", "98.5", "96.9", "93", "92.9", "50", "49.9", "100", "101", "x", "nan", "",
           "95", "1e2", "9_7"]  # fmt: skip
OTHERS = {
    Signal.BATTERY_VOLTAGE: ["26", "25.9", "27", "27.5", "26.5", "", "151", "-", "26.55"],
    Signal.BATTERY_POWER: ["100", "-100", "-100.5", "-300", "0", "", "inf", "-0"],
    Signal.LOAD_POWER: ["0", "380", "20", "21", "", "-200", "408.2"],
    Signal.TANK_TEMPERATURE: ["58", "58.1", "65", "64.9", "40", "", "200", "57"],
    Signal.HEARTBEAT: ["1", "2", "3", "up 4 s", ""],
    Signal.SOLAR_POWER: ["0", "900", "", "-101", "abc"],
}


class Drawn(NamedTuple):
    times: list[float]
    texts: dict[Signal, list[str]]


@st.composite
def drawn(draw: st.DrawFn) -> Drawn:
    """Rows in runs of the same text, as a real record has, with odd ones and gaps between."""
    runs = draw(st.lists(st.tuples(st.integers(1, 40), st.sampled_from([0.0, 0.5, 5.0, 10.0, 30.0, 60.0, 61.0, 300.0])),
                         min_size=1, max_size=12))  # fmt: skip
    steps = [step for count, step in runs for _ in range(count)]
    times = [NOON]
    for step in steps[1:]:
        times.append(times[-1] + step)
    texts = {}
    for signal, values in {Signal.STATE_OF_CHARGE: CHARGES, **OTHERS}.items():
        if signal == Signal.STATE_OF_CHARGE or draw(st.booleans()):
            column: list[str] = []
            for count, _step in runs:
                column += [draw(st.sampled_from(values))] * count
            for _ in range(draw(st.integers(0, 4))):
                column[draw(st.integers(0, len(column) - 1))] = draw(st.sampled_from(values))
            texts[signal] = column
    return Drawn(times, texts)


def batch(times: Sequence[float], texts: dict[Signal, list[str]]) -> RowBatch:
    """Return rows as the plain reader makes them of texts."""
    columns = {signal: CellParser(signal, QUANTITIES[signal].unit).column(column) for signal, column in texts.items()}
    return RowBatch(array("d", times), columns)


def outcome(totals: Totals, summary: Summary) -> tuple[Sequence[object], list[float]]:
    """Return what must be the same to the bit, and what is added up."""
    exact = [list(totals.changes), totals.samples, totals.accepted, totals.rejected, summary.switch_ons]
    shares = [number for share in (summary.measured, summary.by_voltage, summary.by_rating) for number in share]
    numbers = [summary.on_time_s, summary.data_lost_s, summary.lowest_state_of_charge_on, summary.energy_wh]
    return repr(exact), [*numbers, summary.longest_run_s, summary.shortest_run_s, summary.drawing_s, *shares]


def to_the_bit(value: object) -> object:
    """Return named tuples and lists of numbers as ordinary numbers, told apart to the last bit."""
    if isinstance(value, tuple | list):
        return [to_the_bit(part) for part in value]
    return float(value).hex()  # type: ignore[arg-type]
