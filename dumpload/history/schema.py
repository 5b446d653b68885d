"""What the history database holds: its rows, their kinds and its tables. No I/O, and no database library here.

The record is one table in the order in which things happened: by start of the program, then by sequence. Wall-clock
times go along, but order nothing: they may step. Every row is written once; only `until` of a sample's row moves
forward while the same value keeps arriving.
"""

from enum import IntEnum
from typing import NamedTuple

# Marks a SQLite file as ours ("dump").
APPLICATION_ID = 0x64756D70

# In place of a signal: the row is about none, or about all.
NO_SIGNAL = -1


class RowKind(IntEnum):
    """What a row says. `text` is JSON where it says so, else plain words; unused fields are 0, -1 or "".

    The numbers are stored: never change or reuse one.
    """

    START = 0  # the program started at `t`; text: {"selector", "lockout", "settings"}
    STOP = 1  # it ended in good order; without this row it was killed. The relay is off either way
    SAMPLE = 2  # an accepted `value` of `signal`, measured at `stamp`; no other left its deadband up to `until`
    LOST = 3  # `signal` has become too old
    UNKNOWN = 4  # the source said that it does not know `signal`
    ABSENT = 5  # the source said that it is gone
    EVIDENCE_RESET = 6  # reconnected, stalled or resumed: the evidence for surplus began anew
    CHANGE = 7  # the relay moved to `value` (0 off, 1 on) for `cause`; text: the published change
    SELECT = 8  # command: the selector moved to `value`; hand until `until`
    RESET = 9  # command: the lockout was reset
    PIN_FAULT = 10  # the pin could not be driven or read back
    FEEDBACK = 11  # the contact's feedback line changed to `value` (core.contact.Feedback)
    FAULT = 12  # a lockout began, or the program failed; text says which
    SETTINGS = 13  # new settings were taken; text: {"settings"}
    CLOCK = 14  # the wall clock was stepped by `value` s
    GAP = 15  # rows before this one are missing (`value`: how many); text: {"why", "relay", "selector", "lockout"}
    ALERT = 16  # an alert began (`value` 1) or ended (0); text: the published alert. Older versions leave the row out


class HistoryRow(NamedTuple):
    """One row as read: `wall` in Unix s; `t`, `stamp`, `until` in monotonic s since the computer's boot.

    `sequence` grows within one start of the program (`boot_id`), with holes. `value` is in the signal's base unit.
    `cause` is a core.law.Cause as a number. A sample counts as live from `t` until `until` + its `max_age_s`.
    """

    wall: float
    boot_id: str
    sequence: int
    kind: int
    signal: int
    value: float
    cause: int
    text: str
    t: float
    stamp: float
    until: float


class Entry(NamedTuple):
    """One row as written; the start it belongs to is the writer's to know."""

    sequence: int
    wall: float
    kind: RowKind
    t: float
    stamp: float
    until: float
    signal: int = NO_SIGNAL
    value: float = 0.0
    cause: int = 0
    text: str = ""


class Boot(NamedTuple):
    """One start of the program: random identifier, Unix s, monotonic s, and the program's version."""

    boot_id: str
    wall: float
    t: float
    version: str


# Entry n leads from schema n to n + 1, in one transaction; an empty file has schema 0. Only ever add to the end.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE boots (
            boot INTEGER PRIMARY KEY, boot_id TEXT NOT NULL, wall REAL NOT NULL, t REAL NOT NULL,
            version TEXT NOT NULL, UNIQUE (boot_id, wall)
        )""",
        """CREATE TABLE record (
            boot INTEGER NOT NULL, sequence INTEGER NOT NULL, wall REAL NOT NULL, kind INTEGER NOT NULL,
            t REAL NOT NULL, stamp REAL NOT NULL, until REAL NOT NULL, signal INTEGER NOT NULL,
            value REAL NOT NULL, cause INTEGER NOT NULL, text TEXT NOT NULL, PRIMARY KEY (boot, sequence)
        ) WITHOUT ROWID""",
    ),
)
