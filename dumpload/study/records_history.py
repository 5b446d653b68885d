"""Reads the daemon's own history database as a record.

The history is thinned: a sample's row says how long the value went on arriving. Kept with the settings of the day,
that is exact; with others, a threshold may be crossed by the deadband, or up to a minute, apart, which the account
notes. What the recorded relay did is no part of a replay.
"""

import json
import math
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from dumpload.core.contact import Feedback
from dumpload.core.controller import Event, Kind, Lockout
from dumpload.core.freshness import MISSING, NEVER
from dumpload.core.law import Selector
from dumpload.core.signals import Signal
from dumpload.io.history_reader import HistoryError, read_events
from dumpload.io.history_schema import HistoryRow, RowKind
from dumpload.study.records import Account, Item, Moment, RecordError, Restart, Run

MAGIC = b"SQLite format 3\0"

THINNED = (
    "the history is thinned: with other thresholds than those it was recorded under, a crossing may be off by the"
    " deadband (0.1 % of charge) or by up to a minute"
)

_PLAIN = {
    RowKind.UNKNOWN: Kind.UNKNOWN,
    RowKind.ABSENT: Kind.ABSENT,
    RowKind.DOUBT: Kind.DOUBT,
    RowKind.RESET: Kind.RESET,
    RowKind.PIN_FAULT: Kind.PIN_FAULT,
    RowKind.CLOCK: Kind.WAKE,
}
_TOLD = {
    RowKind.GAP: "times rows are missing from the history",
    RowKind.SETTINGS: "times the recorded settings were changed",
    RowKind.START: "starts of the recorded program: the relay is off then, and all begins anew",
    RowKind.SELECT: "moves of the selector by a person are replayed as they were",
    RowKind.FAULT: "faults were recorded; they are no part of the replay",
}


class HistoryRecord:
    """One history database."""

    kind = "history"

    def __init__(self, path: Path) -> None:
        """Open nothing yet."""
        self.path = path

    def read(self, account: Account) -> Iterator[Item]:
        """Yield the rows in the order in which things happened."""
        account.notes.append(THINNED)
        told: Counter[int] = Counter()
        clock = _Clock()
        try:
            for row in read_events(self.path):
                account.rows += 1
                t = clock.at(row)
                if row.kind in _TOLD:
                    told[row.kind] += 1
                yield from _items(row, t, clock.ahead)
        except HistoryError as error:
            raise RecordError(self.path, str(error).removeprefix(f"{self.path}: expected ")) from None
        if told[RowKind.START] == 1:
            del told[RowKind.START]  # where the record begins
        account.notes += [f"{count} {_TOLD[RowKind(kind)]}" for kind, count in sorted(told.items())]


class _Clock:
    """Lays the monotonic clocks of all starts one after another, as far apart as the wall clock said."""

    def __init__(self) -> None:
        self._boot: str | None = None
        self._shift = self._ahead_first = 0.0
        self._last = -NEVER
        self.ahead = 0.0

    def at(self, row: HistoryRow) -> float:
        """Return when a row happened (s), which never goes back; `ahead` is then that less Unix time.

        The first start's own clock is kept as it is, so that nothing is rounded.
        """
        if self._boot is None:
            self._ahead_first = row.wall - row.t
        elif row.boot_id != self._boot:
            self._shift = math.ceil(max(row.wall - row.t - self._ahead_first, self._last - row.t))
        self._boot = row.boot_id
        self._last = max(self._last, row.t + self._shift)
        self.ahead = self._last - row.wall
        return self._last


def _items(row: HistoryRow, t: float, ahead: float) -> Iterator[Item]:
    shift = t - row.t
    if row.kind == RowKind.SAMPLE:
        signal = Signal(row.signal)
        event = Event(t, row.wall, Kind.SAMPLE, signal, row.value, row.stamp + shift)
        yield Moment(t, (event, Run(signal, row.until + shift)), ahead)
    elif row.kind in (RowKind.START, RowKind.STOP):
        yield Restart(t, ahead, *_told(row))
    elif row.kind == RowKind.SELECT:
        until = MISSING if row.until == NEVER else row.until + shift
        yield Moment(t, (Event(t, row.wall, Kind.SELECT, selector=Selector(int(row.value)), until=until),), ahead)
    elif row.kind == RowKind.FEEDBACK:
        yield Moment(t, (Event(t, row.wall, Kind.FEEDBACK, feedback=Feedback(int(row.value))),), ahead)
    elif row.kind in _PLAIN:
        signal = Signal(row.signal) if row.signal >= 0 else Signal.STATE_OF_CHARGE
        yield Moment(t, (Event(t, row.wall, _PLAIN[RowKind(row.kind)], signal),), ahead)


def _told(row: HistoryRow) -> tuple[Selector, Lockout]:
    """Return what the program started from."""
    try:
        told = json.loads(row.text)
        return Selector[str(told["selector"]).upper()], Lockout[str(told["lockout"]).upper()]
    except (ValueError, LookupError, TypeError):
        return Selector.AUTO, Lockout.NONE
