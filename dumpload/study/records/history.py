"""Reads the daemon's own history database as a record.

The history is thinned: a sample's row says how long the value went on arriving. Kept with the settings of the day,
that is exact; with others, a threshold may be crossed by the deadband, or up to a minute, apart, which the account
notes. What the recorded relay did is no part of a replay.
"""

import json
import math
from collections import Counter
from collections.abc import Iterator
from itertools import groupby, islice
from operator import attrgetter
from pathlib import Path

from dumpload.core.contact import Feedback
from dumpload.core.controller import Event, Kind, Lockout
from dumpload.core.freshness import MISSING, NEVER
from dumpload.core.law import Selector
from dumpload.core.signals import Signal
from dumpload.io.history_reader import HistoryError, read_events
from dumpload.io.history_schema import HistoryRow, RowKind
from dumpload.study.records.items import Moment, Page, Restart, Run
from dumpload.study.records.record import Account, RecordError

MAGIC = b"SQLite format 3\0"

PAGE_ROWS = 256
"""So many rows are handed on at once: more of them alive at a time only give the garbage collector work."""

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
    RowKind.GAP: "places where rows are missing from the history",
    RowKind.SETTINGS: "changes of the recorded program's settings",
    RowKind.START: "starts of the recorded program; the relay is off then, and all begins anew",
    RowKind.SELECT: "manual switches, replayed as recorded",
    RowKind.FAULT: "recorded faults, which are no part of the replay",
}


class HistoryRecord:
    """One history database."""

    kind = "history"

    def __init__(self, path: Path) -> None:
        """Open nothing yet."""
        self.path = path

    def read(self, account: Account) -> Iterator[Page]:
        """Yield the rows in the order in which things happened, to be replayed."""
        account.notes.append(THINNED)
        meaning = _Meaning()
        yield from self._read(account, meaning)
        account.notes += meaning.notes

    def read_recorded(self, account: Account) -> Iterator[Page]:
        """Yield the same, to be taken as they are."""
        return self._read(account, _Meaning())

    def _read(self, account: Account, meaning: "_Meaning") -> Iterator[Page]:
        try:
            for rows in _pages(read_events(self.path)):
                account.rows += len(rows)
                yield Page(rows, meaning.shift(rows[0]), meaning.items)
                meaning.end(rows[-1])
        except HistoryError as error:
            raise RecordError(self.path, str(error).removeprefix(f"{self.path}: expected ")) from None


def _pages(rows: Iterator[HistoryRow]) -> Iterator[list[HistoryRow]]:
    """Yield so many rows at once, never of two starts, and all rows of one moment together."""
    begun: list[HistoryRow] = []
    while page := [*begun, *islice(rows, PAGE_ROWS)]:
        begun = []
        for row in rows:
            if row.t != page[-1].t:
                begun = [row]
                break
            page.append(row)
        if page[0].boot_id == page[-1].boot_id:
            yield page
        else:
            yield from (list(group) for _boot, group in groupby(page, key=attrgetter("boot_id")))


class _Meaning:
    """What rows mean, and when: the clocks of all starts one after another, as far apart as the wall clock said.

    Times never go back. The first start's own clock is kept as it is, so that nothing is rounded.
    """

    def __init__(self) -> None:
        self._boot: str | None = None
        self._shift = self._ahead_first = 0.0
        self._last = -NEVER
        self._told: Counter[int] = Counter()

    def shift(self, row: HistoryRow) -> float:
        """Return what leads from the clock of the row's start to ours; rows of one start have the same."""
        if self._boot is None:
            self._ahead_first = row.wall - row.t
        elif row.boot_id != self._boot:
            self._shift = math.ceil(max(row.wall - row.t - self._ahead_first, self._last - row.t))
        self._boot = row.boot_id
        return self._shift

    def end(self, row: HistoryRow) -> None:
        """Take note of how far the rows have come."""
        self._last = max(self._last, row.t + self._shift)

    def items(self, row: HistoryRow, shift: float, more: bool) -> Iterator[Moment | Restart]:  # noqa: FBT001
        """Yield what a row says; `more`: another one of the same message follows."""
        self._last = max(self._last, row.t + shift)
        if row.kind in _TOLD:
            self._told[row.kind] += 1
        return _items(row, self._last, more=more)

    @property
    def notes(self) -> list[str]:
        """What a reader should know of the rows so far."""
        told = self._told.copy()
        if told[RowKind.START] == 1:
            del told[RowKind.START]  # where the record begins
        return [f"{_TOLD[RowKind(kind)]}: {count}" for kind, count in sorted(told.items())]


def _items(row: HistoryRow, t: float, *, more: bool) -> Iterator[Moment | Restart]:
    shift, ahead = t - row.t, t - row.wall
    if row.kind == RowKind.SAMPLE:
        signal = Signal(row.signal)
        event = Event(t, row.wall, Kind.SAMPLE, signal, row.value, row.stamp + shift, more=more)
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
        yield Moment(t, (Event(t, row.wall, _PLAIN[RowKind(row.kind)], signal, more=more),), ahead)


def _told(row: HistoryRow) -> tuple[Selector, Lockout]:
    """Return what the program started from."""
    try:
        told = json.loads(row.text)
        return Selector[str(told["selector"]).upper()], Lockout[str(told["lockout"]).upper()]
    except (ValueError, LookupError, TypeError):
        return Selector.AUTO, Lockout.NONE
