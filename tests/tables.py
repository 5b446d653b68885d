"""Random tables, much like a logger's, with anything in them that a reader may stumble over."""

import random
from datetime import UTC, datetime, timedelta, timezone

from world import NOON

from dumpload.core.signals import Signal
from dumpload.records.record import ReadLog, Record, RecordError
from dumpload.replay.replay import Result, Scenario, replay

# Codes for "not known now".
UNKNOWN = {Signal.STATE_OF_CHARGE: [255.0, "null"], Signal.BATTERY_VOLTAGE: ["26.5", "-"]}

NAMES = ["time", "state_of_charge", "battery_voltage", "note", "load_power", "tank_temperature"]

ODD_CELLS = ["", " ", "x", "nan", "NaN", "inf", "-inf", "infinity", "nan(1)", "1e2", "1E1", "9_7", "0x10", "+97",
             " 97", "97 ", "97.", ".5", "-.5", "-0", "1e400", "1e-400", "255", "255.0", "null", "101", "-", "26.5",
             "\u0669\u0667", "\u00e9", "97,5", "\t97", '"97"', 'a"b', "97\r", "97\0", "1" * 60,
             "0.1000000000000000055511151231257827", "true"]  # fmt: skip
ODD_TIMES = ["", "soon", "-5", "+1750075200", "1.75e9", "0x68500000", " {}", "{} ", "{}.", "{}Z", "1e12",
             "999999999999999", "2025-06-16T12:00Z", "2025-06-16T12Z", "2025-06-16", "2025-06-16T24:00:00Z",
             "2025-02-30T12:00:00Z", "2025-06-16T12:00:60Z", "2025-06-16t12:00:00z", "2025-06-16T12:00:00+0100",
             "2025-06-16T12:00:00+01", "2025-06-16T12:00:00", "1750075200", "2025-06-16 12:00:00Z",
             "2025-06-16T12:00:00.123456789Z"]  # fmt: skip
ODD_LINES = ["", " ", ",", ",,,,,", "1,2", "#", '"', "a,b,c,d,e,f,g", "\ufeff"]


def stamp(t: float, form: str) -> str:
    if form == "s":
        return f"{t:.0f}"
    if form == "s.":
        return f"{t:.3f}"
    if form == "ms":
        return f"{t * 1000:.0f}"
    zone = timezone(timedelta(hours=2)) if "+" in form else UTC
    moment = datetime.fromtimestamp(t, zone)
    digits = "milliseconds" if "." in form else "seconds"
    text = moment.isoformat(timespec=digits).replace("+00:00", "Z" if "Z" in form else "+00:00")
    return text.replace("T", " ") if "_" in form else text


FORMS = ["s", "s.", "ms", "Z", "+", "Z.", "+.", "_Z", "00:00"]


def rows(draw: random.Random, form: str) -> list[list[str]]:
    """Rows of a record: charge that wanders about the thresholds, other signals, gaps; times in that form."""
    t, charge = NOON + draw.choice([0.0, 43_000.0, 0.25]), 96.0
    table_rows = []
    steps = draw.choice([[1.0], [1.0, 5.0, 0.0], [5.0, 5.0, 5.0, 61.0], [60.0], [0.5, 30.0, 300.0]])
    for _ in range(draw.randrange(1, 400)):
        t += draw.choice(steps)
        charge = min(100.0, max(45.0, charge + draw.choice([0.0, 0.0, 0.1, -0.1, 0.7, -0.7])))
        volts, watts, tank = 26.0 + draw.random(), draw.choice([0, 0, 380]), 50.0 + 20.0 * draw.random()
        table_rows.append([stamp(t, form), f"{charge:.1f}", f"{volts:.2f}", "ok", f"{watts}", f"{tank:.1f}"])
    return table_rows


def table(seed: int) -> str:
    """Return a table; some are plain, some have a few odd things in them, some many."""
    draw = random.Random(seed)  # noqa: S311
    table_rows = rows(draw, draw.choice(FORMS))
    width = draw.choice([2, 3, 6])
    odd = draw.choice([0.0, 0.0, 0.002, 0.01, 0.05])
    blank = draw.choice([0.0, 0.0, 0.3])
    lines = [",".join(NAMES[:width])]
    for row in table_rows:
        cells = [row[0], *("" if draw.random() < blank else cell for cell in row[1:width])]
        if draw.random() < odd:
            place = draw.randrange(width)
            cells[place] = draw.choice(ODD_CELLS if place else ODD_TIMES).replace("{}", row[0])
        lines.append(",".join(cells))
        if draw.random() < odd / 4:
            lines.append(draw.choice(ODD_LINES))
        if draw.random() < odd / 8:
            lines[-2:] = lines[:-3:-1]  # the last two in the wrong order
    return draw.choice(["\n", "\n", "\r\n"]).join(lines) + draw.choice(["\n", ""])


Told = tuple[int, int, list[str], str, list[str]]


def told(account: ReadLog) -> Told:
    """Return all that an account tells of the reading."""
    return account.rows, account.dropped, [str(problem) for problem in account.bad], account.torn, account.notes


def replayed(record: Record, plan: Scenario) -> tuple[Result | None, str, Told]:
    """Return the result or the refusal, and what was told."""
    account = ReadLog()
    try:
        return replay(record, plan, account), "", told(account)
    except RecordError as refused:
        return None, str(refused), told(account)
