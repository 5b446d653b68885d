"""History databases that no daemon of ours can have written: anything in any column, and tables that are none."""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from world import NOON

from dumpload.core.law import Cause
from dumpload.core.signals import Signal
from dumpload.history.schema import APPLICATION_ID, RowKind

COLUMNS = ("sequence", "wall", "kind", "t", "stamp", "until", "signal", "value", "cause", "text")
BOOTS = "CREATE TABLE boots (boot INTEGER PRIMARY KEY, boot_id, wall, t, version)"
RECORD = f"CREATE TABLE record (boot, {', '.join(COLUMNS)})"  # no type and no NOT NULL: anything goes in

Row = dict[str, Any]


def row(number: int, kind: RowKind, **fields: Any) -> Row:
    """A row ten seconds after the one before it; a sample of 98 % unless it is said to be something else."""
    t = 10.0 * number
    plain = {"sequence": number, "wall": NOON + t, "kind": int(kind), "t": t, "stamp": t, "until": t + 5.0,
             "signal": int(Signal.STATE_OF_CHARGE), "value": 98.0, "cause": 0, "text": ""}  # fmt: skip
    return {**plain, **fields}


def usual() -> list[Row]:
    """Rows of every kind, as a daemon writes them."""
    started = json.dumps({"selector": "auto", "lockout": "none", "settings": {}})
    on = json.dumps({"state_of_charge": 98.0})
    gap = json.dumps({"why": "the disk was full", "relay": "on"})
    plain: dict[str, Any] = {"signal": -1, "value": 0.0}
    kinds: list[tuple[RowKind, Mapping[str, Any]]] = [
        (RowKind.START, {**plain, "text": started}),
        (RowKind.SAMPLE, {}),
        (RowKind.SAMPLE, {"signal": int(Signal.BATTERY_VOLTAGE), "value": 26.5}),
        (RowKind.CHANGE, {**plain, "value": 1.0, "cause": int(Cause.SURPLUS), "text": on}),
        (RowKind.SELECT, {**plain, "value": 1.0}),
        (RowKind.FEEDBACK, {**plain, "value": 1.0}),
        (RowKind.CLOCK, {**plain, "value": 2.0}),
        (RowKind.GAP, {**plain, "value": 7.0, "text": gap}),
        (RowKind.UNKNOWN, {"value": 0.0}),
        (RowKind.LOST, {"value": 0.0}),
        (RowKind.ABSENT, plain),
        (RowKind.FAULT, {**plain, "text": "lockout: contact_closed"}),
        (RowKind.SETTINGS, {**plain, "text": '{"settings": {}}'}),
        (RowKind.SAMPLE, {"value": 97.5}),
        (RowKind.STOP, plain),
    ]
    return [row(number, kind, **fields) for number, (kind, fields) in enumerate(kinds)]


def write(path: Path, rows: Sequence[Row], *statements: str, record: str = RECORD) -> Path:
    """Write rows as they are; then run the statements."""
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        database.execute("PRAGMA user_version = 1")
        database.execute(BOOTS)
        database.execute(record)
        database.execute("INSERT INTO boots VALUES (1, 'b1', ?, 0.0, 'test')", (NOON,))
        names, marks = ", ".join(COLUMNS), ", ".join("?" for _ in COLUMNS)
        database.executemany(
            f"INSERT INTO record (boot, {names}) VALUES (1, {marks})",
            [[row[name] for name in COLUMNS] for row in rows],
        )
        for statement in statements:
            database.execute(statement)
    return path
