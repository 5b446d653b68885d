"""Drives the daemon's own controller through a record, in virtual time, and tells the tally what happens.

Open loop: the record stays as it was, as if running the load had changed nothing. Drives no pin, opens no connection,
and knows no law: every change is the controller's.
"""

from collections.abc import Sequence
from typing import NamedTuple

from dumpload.core.controller import Decision, Event, Kind, Lockout, Setup, decide, remember, start
from dumpload.core.decode import Rejection
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.signals import Signal
from dumpload.study.records.items import Item, Moment, Restart, Run, Stretch
from dumpload.study.replay.summary import Change, Element, Summary, Tally

SOC = Signal.STATE_OF_CHARGE
ENERGY_SIGNALS = (Signal.LOAD_POWER, Signal.BATTERY_VOLTAGE)


class Plan(NamedTuple):
    """What is tried on a record. `judge_contact`: take the recorded load power as evidence of a stuck contact.

    That is left out as a rule: the record shows the load of the day, which need not have been on when the replayed
    relay is, and a lockout would end the replay.
    """

    setup: Setup
    element: Element
    judge_contact: bool = False


def hold_s(ages: Sequence[float], signal: Signal) -> float:
    """Return how long a value counts (s), given the ages of all signals: one without settings as long as the charge."""
    return ages[SOC] if is_missing(ages[signal]) else ages[signal]


class Player:
    """One replay in progress: evaluates every event, and every row, of what it is given.

    `ages`: how long a value of each signal counts (s). `tally`: what it has come to so far. `t`: how far it is (s).
    """

    def __init__(self, plan: Plan, t: float) -> None:
        """Start at `t` (s): relay off, nothing known."""
        self.settings, self._schedule = plan.setup.settings, plan.setup.schedule()
        self.state = start(t)
        self.ages = self.settings.max_age_s
        self.tally = Tally(plan.element, t, self.ages[SOC])
        self._plan = plan
        self.t = t
        self._ahead = 0.0

    def play(self, item: Item) -> None:
        """Play one part of a record, row by row."""
        if isinstance(item, Stretch):
            self._ahead = 0.0
            for index in range(item.rows):
                self.play_row(item.time(index), item.row(index))
        elif isinstance(item, Moment):
            self._ahead = item.ahead
            self.wake_before(item.t)
            self.t = item.t
            accepted = False
            for one in item.items:
                if isinstance(one, Run):
                    self._extend(one, accepted=accepted)
                else:
                    accepted = self._play_one(one)
        elif isinstance(item, Restart):
            self._restart(item)
        else:
            for index in range(len(item.rows)):
                for part in item.items(index):
                    self.play(part)

    def finish(self, t: float) -> Summary:
        """End at `t` (s), the time of the last row; a deadline due then comes after it, and is still run."""
        self.wake_before(t)
        while self.state.deadline <= t:
            self._wake()
        return self.tally.summary(t)

    # ---- event by event ----

    def _play_one(self, item: Event | Rejection) -> bool:
        """Let the controller evaluate one event on its own, as the daemon does with what a message says.

        Returns whether it was a sample that counts.
        """
        if isinstance(item, Rejection):
            self.tally.reject()
            return False
        if self._is_unused(item):
            self.note(item)
            return True
        accepted = item.kind == Kind.SAMPLE
        if not self.is_aside(item):
            accepted = self._handle(item)
        self._count(item, accepted=accepted)
        return accepted

    def play_row(self, t: float, items: Sequence[Event | Rejection]) -> None:
        """Let the controller take a whole row, whose values came together, and evaluate it once."""
        self.wake_before(t)
        events = []
        for item in items:
            if self._is_unused(item):
                self.note(item)
            elif isinstance(item, Rejection):
                self.tally.reject()
            elif self.is_aside(item):
                self._count(item, accepted=True)
            else:
                events.append(item)
        if events:
            events.sort(key=lambda event: event.signal == SOC)  # what is evaluated is the arrival of a charge
            for event in events[:-1]:
                self.state = remember(self.settings, self.state, event)
            self._handle(events[-1])
            for event in events:
                self._count(event, accepted=event.kind == Kind.SAMPLE)
        self.t = t

    def _is_unused(self, item: Event | Rejection) -> bool:
        """Return whether this is about a signal that has no settings: it is no sample, but may tell of energy."""
        is_value = isinstance(item, Rejection) or item.kind in (Kind.SAMPLE, Kind.UNKNOWN)
        return is_value and is_missing(self.ages[item.signal])

    def is_aside(self, event: Event) -> bool:
        """Return whether an event is evidence of the recorded contact, which is not the replayed one."""
        is_load = event.signal == Signal.LOAD_POWER and event.kind in (Kind.SAMPLE, Kind.UNKNOWN)
        return not self._plan.judge_contact and (is_load or event.kind in (Kind.FEEDBACK, Kind.PIN_FAULT))

    def _extend(self, run: Run, *, accepted: bool) -> None:
        """Have the value before it count longer, if that was accepted."""
        if not accepted:
            return
        self.tally.energy.extend(run.signal, run.until + self.hold_s(run.signal))
        if not is_missing(self.ages[run.signal]):
            held = Event(self.t, self.t - self._ahead, Kind.HELD, run.signal, stamp=run.until)
            self.state = remember(self.settings, self.state, held)
        if run.signal == SOC:
            self.tally.charge(run.until)

    def _handle(self, event: Event) -> bool:
        self.t = event.t
        self.state, decision = decide(self.settings, self.state, event, self._schedule.at(event.wall))
        if decision.changed:
            self._change(decision)
        return decision.accepted

    def _change(self, decision: Decision) -> None:
        change = Change(decision.wall, decision.position, decision.cause, decision.state_of_charge)
        self.tally.change(decision.t, change)

    def wake_before(self, t: float) -> bool:
        """Run the deadlines that pass before `t` (s); return whether there were any."""
        is_due = self.state.deadline < t
        while self.state.deadline < t:
            self._wake()
        return is_due

    def _wake(self) -> None:
        due = self.state.deadline
        self._handle(Event(due, due - self._ahead, Kind.WAKE))

    def _restart(self, item: Restart) -> None:
        """The recorded program ended or started: the relay is off then, and everything begins anew."""
        self._ahead = item.ahead
        self.wake_before(item.t)
        if self.tally.is_on:
            self.tally.change(item.t, Change(item.t - item.ahead, Position.OFF, Cause.STOPPING, MISSING))
        self.tally.lose(item.t)
        lockout = item.lockout if self._plan.judge_contact else Lockout.NONE
        self.state = start(item.t, selector=item.selector, lockout=lockout)
        self.t = item.t

    # ---- counting ----

    def _count(self, event: Event, *, accepted: bool) -> None:
        if event.kind == Kind.SAMPLE:
            (self.tally.accept if accepted else self.tally.reject)()
            if accepted:
                self.note(event)
                if event.signal == SOC:
                    self.tally.regain(event.t)
                    self.tally.charge(min(event.stamp, event.t))
                    self.tally.lowest(event.value)
        else:
            self.tally.samples += event.kind == Kind.UNKNOWN
            if event.kind == Kind.ABSENT or (event.kind == Kind.UNKNOWN and event.signal == SOC):
                self.tally.lose(event.t)
            self.note(event)

    def note(self, item: Event | Rejection) -> None:
        """Tell the energy what is measured, or that it is not any more."""
        if isinstance(item, Rejection):
            return
        if item.kind == Kind.SAMPLE:
            self.tally.energy.note(item.signal, item.value, item.t, item.stamp + self.hold_s(item.signal))
        elif item.kind in (Kind.UNKNOWN, Kind.ABSENT):
            for signal in ENERGY_SIGNALS if item.kind == Kind.ABSENT else (item.signal,):
                self.tally.energy.note(signal, MISSING, item.t, item.t)

    def hold_s(self, signal: Signal) -> float:
        """Return how long a value of a signal counts (s)."""
        return hold_s(self.ages, signal)
