"""Plays a record through the daemon's own controller, in virtual time, and adds up what the relay would have done.

Open loop: the record stays as it was, as if running the load had changed nothing. Drives no pin, opens no connection,
and knows no law: every change is the controller's. Rows that the controller says can change nothing are passed over;
what is counted is the same as if every row had been evaluated, and a test holds it to that.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import NamedTuple

from dumpload.core.controller import Controller, Decision, Event, Kind, Setup
from dumpload.core.decode import Rejection
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.quiet import ALL, Band, Quiet
from dumpload.core.signals import Signal
from dumpload.core.window import utc_text
from dumpload.study.records import Account, Cells, Item, Moment, Record, RecordError, Restart, Run, Stretch
from dumpload.study.summary import Change, Element, Summary, Tally

SOC = Signal.STATE_OF_CHARGE
_ENERGY_SIGNALS = (Signal.LOAD_POWER, Signal.BATTERY_VOLTAGE)
_LEAST_WINDOW = 32
"""So many rows are looked at after one that had to be evaluated; twice as many as were passed over then."""


class Plan(NamedTuple):
    """What is tried on a record. `judge_contact`: take the recorded load power as evidence of a stuck contact.

    That is left out as a rule: the record shows the load of the day, which need not have been on when the replayed
    relay is, and a lockout would end the replay.
    """

    setup: Setup
    element: Element
    judge_contact: bool = False


class Result(NamedTuple):
    """What came of it. `first`, `last`: Unix s. `samples` are accepted, rejected, or say that a value is unknown."""

    path: Path
    kind: str
    first: float
    last: float
    samples: int
    accepted: int
    rejected: int
    changes: Sequence[Change]
    summary: Summary
    account: Account


class Player:
    """One replay in progress."""

    def __init__(self, plan: Plan, t: float) -> None:
        """Start at `t` (s): relay off, nothing known."""
        self.controller = Controller(plan.setup, t)
        self.tally = Tally(plan.element, t, plan.setup.max_age_s[SOC])
        self._plan = plan
        self._t = t
        self._ahead = 0.0
        self._quiet: Quiet | None = None
        self._window = _LEAST_WINDOW

    def play(self, item: Item) -> None:
        """Play one part of a record."""
        if isinstance(item, Stretch):
            self._play_stretch(item)
        elif isinstance(item, Moment):
            self._ahead = item.ahead
            self._wake_before(item.t)
            self._t = item.t
            for one in item.items:
                self._play_one(one)
        else:
            self._restart(item)

    def finish(self, t: float) -> Summary:
        """End at `t` (s), the time of the last row; a deadline due then comes after it, and is still run."""
        self._wake_before(t)
        while self.controller.deadline <= t:
            self._wake()
        return self.tally.summary(t)

    # ---- event by event ----

    def _play_one(self, item: Event | Rejection | Run) -> None:
        """Let the controller evaluate one event on its own, as the daemon does with what a message says."""
        if isinstance(item, Rejection):
            self.tally.reject()
        elif isinstance(item, Run):
            self._extend(item)
        elif self._is_aside(item):
            self._count(item, accepted=True)
        elif self._passes(item):
            self.controller.take((item,))
            self._count(item, accepted=True)
        else:
            self._count(item, accepted=self._handle(item))

    def _play_row(self, t: float, items: Sequence[Event | Rejection]) -> None:
        """Let the controller take a whole row, whose values came together, and evaluate it once."""
        self._wake_before(t)
        events = []
        for item in items:
            if is_missing(self._plan.setup.max_age_s[item.signal]):
                self._note(item)
            elif isinstance(item, Rejection):
                self.tally.reject()
            elif self._is_aside(item):
                self._count(item, accepted=True)
            else:
                events.append(item)
        if events:
            events.sort(key=lambda event: event.signal == SOC)  # what is evaluated is the arrival of a charge
            self.controller.take(events[:-1])
            self._handle(events[-1])
            for event in events:
                self._count(event, accepted=event.kind == Kind.SAMPLE)
        self._t = t

    def _is_aside(self, event: Event) -> bool:
        """Return whether an event is evidence of the recorded contact, which is not the replayed one."""
        is_load = event.signal == Signal.LOAD_POWER and event.kind in (Kind.SAMPLE, Kind.UNKNOWN)
        return not self._plan.judge_contact and (is_load or event.kind in (Kind.FEEDBACK, Kind.PIN_FAULT))

    def _extend(self, run: Run) -> None:
        if is_missing(self._plan.setup.max_age_s[run.signal]):
            return
        self.controller.extend(run.signal, run.until, self._t)
        if run.signal == SOC:
            self.tally.charge(run.until)
        self.tally.energy.extend(run.signal, run.until + self._hold_s(run.signal))

    def _passes(self, event: Event) -> bool:
        """Return whether this is a sample that changes nothing but its age."""
        quiet = self._quiet_now()
        band = quiet.bands[event.signal]
        return (
            event.kind == Kind.SAMPLE
            and event.stamp == event.t < quiet.until
            and band != ALL
            and band.low <= event.value < band.high
            and event.t <= self.controller.data[event.signal].expires_at
        )

    def _handle(self, event: Event) -> bool:
        self._t = event.t
        self._quiet = None
        decisions = self.controller.handle(event)
        for decision in decisions:
            if decision.changed:
                self._change(decision)
        return decisions[-1].accepted

    def _change(self, decision: Decision) -> None:
        change = Change(decision.wall, decision.position, decision.cause, decision.state_of_charge)
        self.tally.change(decision.t, change)

    def _wake_before(self, t: float) -> None:
        while self.controller.deadline < t:
            self._wake()

    def _wake(self) -> None:
        due = self.controller.deadline
        self._handle(Event(due, due - self._ahead, Kind.WAKE))

    def _quiet_now(self) -> Quiet:
        if self._quiet is None:
            self._quiet = self.controller.quiet(self._t)
        return self._quiet

    def _restart(self, item: Restart) -> None:
        """The recorded program ended or started: the relay is off then, and everything begins anew."""
        self._ahead = item.ahead
        self._wake_before(item.t)
        if self.tally.is_on:
            self.tally.change(item.t, Change(item.t - item.ahead, Position.OFF, Cause.STOPPING, MISSING))
        self.tally.lose(item.t)
        self.controller = Controller(self._plan.setup, item.t)
        self._t, self._quiet = item.t, None

    # ---- counting ----

    def _count(self, event: Event, *, accepted: bool) -> None:
        if event.kind == Kind.SAMPLE:
            (self.tally.accept if accepted else self.tally.reject)()
            if accepted:
                self._note(event)
                if event.signal == SOC:
                    self.tally.regain(event.t)
                    self.tally.charge(min(event.stamp, event.t))
                    self.tally.lowest(event.value)
        else:
            self.tally.samples += event.kind == Kind.UNKNOWN
            if event.kind == Kind.ABSENT or (event.kind == Kind.UNKNOWN and event.signal == SOC):
                self.tally.lose(event.t)
            self._note(event)

    def _note(self, item: Event | Rejection) -> None:
        """Tell the energy what is measured, or that it is not any more."""
        if isinstance(item, Rejection):
            return
        if item.kind == Kind.SAMPLE:
            self.tally.energy.note(item.signal, item.value, item.t, item.stamp + self._hold_s(item.signal))
        elif item.kind in (Kind.UNKNOWN, Kind.ABSENT):
            for signal in _ENERGY_SIGNALS if item.kind == Kind.ABSENT else (item.signal,):
                self.tally.energy.note(signal, MISSING, item.t, item.t)

    def _hold_s(self, signal: Signal) -> float:
        """Return how long a value counts: a signal without settings as long as the state of charge."""
        ages = self._plan.setup.max_age_s
        return ages[SOC] if is_missing(ages[signal]) else ages[signal]

    # ---- many rows at once ----

    def _play_stretch(self, stretch: Stretch) -> None:
        """Pass over the rows that change nothing, and evaluate the others one by one."""
        self._ahead = 0.0
        begin, rows = 0, len(stretch.times)
        while begin < rows:
            end = min(rows, begin + self._window)
            passed = self._pass_over(stretch, begin, end)
            begin += passed
            self._window = max(_LEAST_WINDOW, 2 * passed)
            if begin < end:
                self._play_row(stretch.times[begin], stretch.row(begin))
                begin += 1

    def _pass_over(self, stretch: Stretch, begin: int, end: int) -> int:
        """Count those of the first rows that can change nothing; return how many there are."""
        quiet = self._quiet_now()
        end = bisect_left(stretch.times, quiet.until, begin, end)
        for signal in stretch.columns:
            if end > begin and not is_missing(self._plan.setup.max_age_s[signal]):
                end = self._end_of_band(stretch, signal, range(begin, end), self._band(quiet, signal))
        for signal in Signal:
            if end > begin and self._band(quiet, signal) != ALL:
                end = self._end_of_life(stretch, signal, range(begin, end))
        if end > begin:
            self._take(stretch, range(begin, end))
        return end - begin

    def _band(self, quiet: Quiet, signal: Signal) -> Band:
        return ALL if signal == Signal.LOAD_POWER and not self._plan.judge_contact else quiet.bands[signal]

    @staticmethod
    def _end_of_band(stretch: Stretch, signal: Signal, rows: range, band: Band) -> int:
        """Return the first of the rows whose sample is not plain, or not within the band; else the end."""
        cells, column = stretch.columns[signal]
        end = rows.start + stretch.leading(signal, rows, band)
        if end == rows.stop or column[end]:
            return end
        filled = [row for row in range(end, rows.stop) if column[row]]
        found = cells.leading([column[row] for row in filled], band) if filled else 0
        return filled[found] if found < len(filled) else rows.stop

    def _end_of_life(self, stretch: Stretch, signal: Signal, rows: range) -> int:
        """Return the first of the rows before which a signal that matters is lost; else the end."""
        times = stretch.times
        expires_at = self.controller.data[signal].expires_at
        column = stretch.columns[signal][1] if signal in stretch.columns else []
        if column and not stretch.is_sparse(signal):
            allowed_s = self._allowed_s(signal, times[rows.start])
            in_time = times[rows.start] <= expires_at
            return rows.start + stretch.leading_close(rows.start, rows.stop, allowed_s) if in_time else rows.start
        for row in rows:
            if times[row] > expires_at:
                return row
            if column and column[row]:
                expires_at = times[row] + self._plan.setup.max_age_s[signal]
        return rows.stop

    def _allowed_s(self, signal: Signal, t: float) -> float:
        """Return the longest time between two samples, as rounded where the law adds it up at `t` (s)."""
        return (t + self._plan.setup.max_age_s[signal]) - t

    def _take(self, stretch: Stretch, rows: range) -> None:
        """Count samples that change nothing, and let the controller know the last of each."""
        quiet = self._quiet_now()
        self._note_energy(stretch, rows.start, rows.stop)
        for signal, (cells, column) in stretch.columns.items():
            texts = stretch.texts(signal, rows)
            count = len(texts) - (texts.count("") if stretch.is_sparse(signal) else 0)
            if not count or is_missing(self._plan.setup.max_age_s[signal]):
                continue
            self.tally.accept(count)
            last = next(row for row in reversed(rows) if column[row])
            event = cells.event(column[last], stretch.times[last])
            assert isinstance(event, Event)  # noqa: S101  (it is within the band)
            if self._band(quiet, signal) != ALL:
                self.controller.take((event,))
            if signal == SOC:
                self._take_charge(cells, texts, event)

    def _take_charge(self, cells: Cells, texts: Sequence[str], last: Event) -> None:
        self.tally.charge(last.t)
        if self.tally.is_on and (extremes := cells.extremes(set(filter(None, texts)))):
            self.tally.lowest(extremes[0])

    def _note_energy(self, stretch: Stretch, begin: int, end: int) -> None:
        signals = [signal for signal in _ENERGY_SIGNALS if signal in stretch.columns]
        if self.tally.is_on and signals and not self._note_columns(stretch, begin, end, signals):
            for row in range(begin, end):
                self._note_cells(stretch, row, signals)
        elif not self.tally.is_on:  # only what is known when it comes on
            self._note_cells(stretch, end - 1, signals)

    def _note_cells(self, stretch: Stretch, row: int, signals: Sequence[Signal]) -> None:
        for signal in signals:
            cells, texts = stretch.columns[signal]
            if texts[row].strip():
                self._note(cells.event(texts[row], stretch.times[row]))

    def _note_columns(self, stretch: Stretch, begin: int, end: int, signals: Sequence[Signal]) -> bool:
        """Add up the energy of whole columns at once; return whether they allowed it."""
        columns = []
        for signal in signals:
            cells, texts = stretch.columns[signal]
            values = cells.numbers(texts[begin:end])
            if values is None or stretch.leading_close(begin, end, self._hold_s(signal)) < end - begin:
                return False
            columns.append((signal, values))
        times = stretch.times[begin:end]
        self.tally.energy.note_columns(columns, times, stretch.gaps(begin, end))
        for signal, values in columns:
            self.tally.energy.note(signal, values[-1], times[-1], times[-1] + self._hold_s(signal))
        return True


class ReplayInterrupted(KeyboardInterrupt):
    """A person ended the replay; the text says how far it was."""


def replay(record: Record, plan: Plan, account: Account) -> Result:
    """Play a whole record.

    Raises:
        RecordError: it cannot be read, or has no rows.
        ReplayInterrupted: a person ended it; nothing of a part of a record is returned.
    """
    items = _filled(record.read(account))
    first = next(items, None)
    if first is None:
        raise RecordError.of(account.bad[0]) if account.bad else RecordError(record.path, "at least one row")
    item, player = first, Player(plan, _ends(first)[0])
    try:
        for item in chain([first], items):
            player.play(item)
    except KeyboardInterrupt:
        msg = f"interrupted at {utc_text(_walls(item)[0])} of the record; nothing is shown for a part of it"
        raise ReplayInterrupted(msg) from None
    summary, tally = player.finish(_ends(item)[1]), player.tally
    counts = (tally.samples, tally.accepted, tally.rejected)
    ends = (_walls(first)[0], _walls(item)[1])
    return Result(record.path, record.kind, *ends, *counts, tally.changes, summary, account)


def _filled(items: Iterator[Item]) -> Iterator[Item]:
    return (item for item in items if not isinstance(item, Stretch) or item.times)


def _ends(item: Item) -> tuple[float, float]:
    return (item.times[0], item.times[-1]) if isinstance(item, Stretch) else (item.t, item.t)


def _walls(item: Item) -> tuple[float, float]:
    begin, end = _ends(item)
    ahead = 0.0 if isinstance(item, Stretch) else item.ahead
    return begin - ahead, end - ahead
