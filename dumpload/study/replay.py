"""Plays a record through the daemon's own controller, in virtual time, and adds up what the relay would have done.

Open loop: the record stays as it was, as if running the load had changed nothing. Drives no pin, opens no connection,
and knows no law: every change is the controller's. Every row is evaluated.
"""

from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import NamedTuple

from dumpload.core.controller import Controller, Decision, Event, Kind, Setup
from dumpload.core.decode import Rejection
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.signals import Signal
from dumpload.core.window import utc_text
from dumpload.study.records import Account, Item, Moment, Record, RecordError, Restart, Run, Stretch
from dumpload.study.summary import Change, Element, Summary, Tally

SOC = Signal.STATE_OF_CHARGE
_ENERGY_SIGNALS = (Signal.LOAD_POWER, Signal.BATTERY_VOLTAGE)
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

    def _handle(self, event: Event) -> bool:
        self._t = event.t
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

    def _restart(self, item: Restart) -> None:
        """The recorded program ended or started: the relay is off then, and everything begins anew."""
        self._ahead = item.ahead
        self._wake_before(item.t)
        if self.tally.is_on:
            self.tally.change(item.t, Change(item.t - item.ahead, Position.OFF, Cause.STOPPING, MISSING))
        self.tally.lose(item.t)
        self.controller = Controller(self._plan.setup, item.t)
        self._t = item.t

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

    # ---- rows of a table ----

    def _play_stretch(self, stretch: Stretch) -> None:
        """Evaluate row after row, as the daemon would have."""
        self._ahead = 0.0
        for index, t in enumerate(stretch.times):
            self._play_row(t, stretch.row(index))


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
