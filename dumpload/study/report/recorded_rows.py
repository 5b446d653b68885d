"""What single rows of a history mean to a report: when they were, what they say in words, what was so before a period.

Adds nothing up.
"""

import json
import math
from collections.abc import Mapping
from typing import NamedTuple

from dumpload.core.freshness import MISSING, NEVER
from dumpload.core.law import Cause, Position, Selector
from dumpload.core.signals import Signal
from dumpload.io.history_schema import HistoryRow, RowKind
from dumpload.study.replay.summary import Change

EARLIEST, LATEST = 0.0, 7_258_118_400.0
"""1970 to 2200, Unix s: a row of another time is none that a daemon wrote."""


class Timeline:
    """Lays the clocks of all starts of the program in a row: times never go back. `ahead`: s ahead of Unix time.

    A board without a clock of its own starts in the past, until the network tells the time and the clock is stepped.
    How far each start's was is in `steps_s` when all is read; told that, the times are by the clock as it was then.
    """

    def __init__(self, told_s: Mapping[str, float]) -> None:
        """Correct the clock of each start by so much (s)."""
        self.steps_s: dict[str, float] = {}
        self.ahead = 0.0
        self._told_s = told_s
        self._start = ""
        self._shift = 0.0
        self._last = -math.inf

    def place(self, row: HistoryRow) -> float:
        """Return when a row was, s on one clock.

        Raises:
            ValueError: at no time at which a daemon can have written it.
        """
        if row.boot_id != self._start:
            self._begin(row)
        if row.kind == RowKind.CLOCK:
            self.steps_s[row.boot_id] = self.steps_s.get(row.boot_id, 0.0) + row.value
        self._last = t = max(self._last, row.t + self._shift)
        end = row.until + t - row.t if row.kind == RowKind.SAMPLE else t
        for wall in (t - self.ahead, end - self.ahead):
            if not EARLIEST <= wall <= LATEST:
                msg = f"a time from 1970 to 2200, not {wall:g} s"
                raise ValueError(msg)
        return t

    def _begin(self, row: HistoryRow) -> None:
        wall = row.wall + self._told_s.get(row.boot_id, 0.0)
        if self._last == -math.inf:
            self.ahead = row.t - wall
        else:  # whole seconds, so that nothing is rounded
            self._shift = math.ceil(max(wall + self.ahead, self._last) - row.t)
        self._start = row.boot_id


class Held(NamedTuple):
    """A value that went on arriving until then (s)."""

    value: float
    until: float


class Before:
    """Remembers what is so when a period begins: whether the relay is on, and the last values."""

    def __init__(self) -> None:
        """Know nothing."""
        self.is_any = False
        self.on: Change | None = None
        self.samples: dict[Signal, Held] = {}

    def take(self, row: HistoryRow, t: float) -> None:
        """Take a row from before the period, which was at `t` (s)."""
        self.is_any = True
        if row.kind == RowKind.SAMPLE:
            self.samples[Signal(row.signal)] = Held(row.value, row.until + t - row.t)
        elif row.kind in (RowKind.LOST, RowKind.UNKNOWN):
            self.samples.pop(Signal(row.signal), None)
        elif row.kind == RowKind.ABSENT:
            self.samples.clear()
        elif row.kind == RowKind.CHANGE:
            self._move(row, Position(int(row.value)))
        elif row.kind == RowKind.GAP:
            self._move(row, told_position(row))
        elif row.kind in (RowKind.START, RowKind.STOP):
            self.on = None
            self.samples.clear()

    def _move(self, row: HistoryRow, position: Position) -> None:
        if position == Position.OFF:
            self.on = None
        elif self.on is None:
            self.on = Change(row.wall, position, Cause(row.cause), told_charge(row))


def event_words(row: HistoryRow) -> str:
    """Return what a row says that is neither a sample nor a change, in words; nothing for what is no news."""
    if row.kind == RowKind.SELECT:
        held = "" if row.until == NEVER or row.until <= row.t else f" for {(row.until - row.t) / 60:.0f} min"
        return f"selector moved to {Selector(int(row.value)).name.lower()}{held}"
    if row.kind == RowKind.CLOCK:
        return f"the clock was stepped by {row.value:+.1f} s"
    if row.kind == RowKind.GAP:
        return f"{row.value:.0f} rows are missing: {_told(row).get('why', 'not told')}"
    if row.kind == RowKind.FAULT:
        return f"fault: {row.text}"
    return {
        RowKind.START: "the program started",
        RowKind.STOP: "the program ended in good order",
        RowKind.RESET: "the lockout was reset",
        RowKind.PIN_FAULT: "the pin could not be driven or read back",
        RowKind.SETTINGS: "new settings were taken",
    }.get(RowKind(row.kind), "")


def _told(row: HistoryRow) -> dict[str, object]:
    try:
        told = json.loads(row.text)
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}


def told_charge(row: HistoryRow) -> float:
    """Return the state of charge (percent) that a change tells; NaN: none."""
    charge = _told(row).get("state_of_charge")
    return float(charge) if isinstance(charge, int | float) else MISSING


def told_position(row: HistoryRow) -> Position:
    """Return where the relay is, as a gap tells."""
    return Position.ON if _told(row).get("relay") == "on" else Position.OFF
