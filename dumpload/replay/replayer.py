"""Drive `decide` through a record in virtual time, and count the outcome.

Open loop: the record stays as it was, as if running the load had changed nothing. Drives no pin, opens no connection,
and knows no law: every change is a decision of the daemon's own function. This is the plain loop, row by row and
deadline by deadline; whatever plays a record faster is judged by it.
"""

from collections.abc import Sequence
from typing import NamedTuple, Protocol

from dumpload.core.controller import Event, Kind, Lockout, Setup, decide, remember, start
from dumpload.core.decode import Rejection
from dumpload.core.freshness import MISSING, NEVER, is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.signals import Signal
from dumpload.records.items import Hold, Instant, Item, Moved, Restart, RowBatch
from dumpload.replay.heat_sources import SUMMED_SIGNALS, SourcedEnergy
from dumpload.replay.totals import SOC, Change, LoadRating, Summary, Totals

# Kinds of event in a table's column.
_VALUES = (Kind.SAMPLE, Kind.UNKNOWN)


# Signals in the chart of a day beside the charge.
SHOWN_SIGNALS = (Signal.SOLAR_POWER, Signal.TANK_TEMPERATURE)


class Scenario(NamedTuple):
    """Settings to replay a record with. `judge_contact`: check recorded load power for a stuck contact.

    That is left out as a rule: the record shows the load of the day, which need not have been on when the replayed
    relay is, and a lockout would end the replay. `throttle_percent`: the charge from which the charger throttles.
    """

    setup: Setup
    load: LoadRating
    judge_contact: bool = False
    throttle_percent: float = 100.0


class Observer(Protocol):
    """Watches a replay, for a report. `midnight`: the next moment (Unix s) at which it wants to be called."""

    midnight: float

    def begin(self, totals: Totals, wall: float) -> None:
        """The replay begins, at `wall` (Unix s)."""

    def pass_midnight(self, t: float) -> None:
        """It is `midnight`, at `t` (s) on the record's clock."""

    def lose(self, begin: float, end: float) -> None:
        """The state of charge was not known from `begin` to `end` (Unix s)."""

    def hold(self, begin: float, end: float, percent: float) -> None:
        """A state of charge counted that went on arriving from `begin` to `end` (Unix s)."""

    def measure(self, signal: Signal, begin: float, end: float, value: float) -> None:
        """One of `SHOWN_SIGNALS` went on arriving from `begin` to `end` (Unix s)."""


def hold_s(ages: Sequence[float], signal: Signal) -> float:
    """Return how long a value counts (s), given the ages of all signals: one without settings as long as the charge."""
    return ages[SOC] if is_missing(ages[signal]) else ages[signal]


class Replayer:
    """One replay in progress. `state`: the controller's; `totals`: what it has come to; `t`: how far it is (s)."""

    def __init__(self, scenario: Scenario, t: float, ahead: float = 0.0, observer: Observer | None = None) -> None:
        """Start at `t` (s), `ahead` of Unix time: relay off, nothing known."""
        self.state = start(t)
        self.totals = Totals(scenario.load, t, scenario.setup.settings.max_age_s[SOC])
        self.totals.energy = SourcedEnergy(scenario.load, t, scenario.throttle_percent)
        self.t = t
        self._settings, self._schedule = scenario.setup.settings, scenario.setup.schedule()
        self._ages = self._settings.max_age_s
        self._scenario = scenario
        self._holds = [hold_s(self._ages, signal) for signal in Signal]
        self._law_signals = frozenset(signal for signal in Signal if self._is_for_law(signal))
        # Signals without settings are not samples for the law, but may give the energy.
        self._unused = frozenset(signal for signal in Signal if is_missing(self._ages[signal]))
        shown = () if observer is None else SHOWN_SIGNALS
        self._idle = self._unused - SUMMED_SIGNALS - {*shown}
        self._ahead = ahead
        self._observer = observer
        self._midnight = NEVER
        if observer is not None:
            observer.begin(self.totals, t - ahead)
            self._midnight = observer.midnight
            self.totals.on_loss = lambda begin, end: observer.lose(begin - self._ahead, end - self._ahead)

    def play(self, item: Item) -> None:
        """Play one part of a record."""
        if isinstance(item, RowBatch):
            self._ahead = 0.0
            columns = {signal: column for signal, column in item.columns.items() if signal not in self._idle}
            for t, row in item._replace(columns=columns or item.columns).row_events():
                self._play_row(t, row)
        elif isinstance(item, Restart):
            self._ahead = item.ahead
            self._restart(item)
        elif item.items:
            self._ahead = item.ahead
            self._play_instant(item)

    def finish(self, t: float) -> Summary:
        """End at `t` (s), the time of the last row; a deadline due then comes after it, and is still run."""
        self._come_to(t)
        while self.state.deadline <= t:
            self._wake()
        return self.totals.summary(t)

    def _play_row(self, t: float, row: Sequence[Event | Rejection]) -> None:
        """Feed the controller a whole row, whose values came together, and evaluate once."""
        # Only the last event is evaluated, the charge if there is one. Evaluated one by one, a row that comes as its
        # values expire would lose one signal at the arrival of another.
        self._come_to(t)
        events, law_signals = [], self._law_signals
        for arrival in row:
            if isinstance(arrival, Rejection):
                self._reject(arrival)
            elif arrival.signal in law_signals:
                events.append(arrival)
            elif arrival.signal in self._unused:
                self._note(arrival)
            else:
                self._count(arrival, accepted=arrival.kind == Kind.SAMPLE)
        for event in events[:-1]:
            self.state = remember(self._settings, self.state, event)
        if events:
            self._decide(events[-1])
        for event in events:
            self._count(event, accepted=event.kind == Kind.SAMPLE)
        self.t = t

    def _play_instant(self, item: Instant) -> None:
        """Have the controller evaluate the events one by one, as the daemon does with a message's values."""
        self._come_to(item.t)
        self.t = item.t
        accepted, value = False, MISSING
        for entry in item.items:
            if isinstance(entry, Hold):
                self._hold(entry, value, accepted=accepted)
            elif isinstance(entry, Moved):
                self.totals.energy.switch_recorded(item.t, on=entry.on)
            else:
                accepted = self._play_event(entry)
                value = entry.value if isinstance(entry, Event) else MISSING

    def _play_event(self, event: Event | Rejection) -> bool:
        """Return whether it was a sample that counts."""
        if isinstance(event, Rejection):
            self._reject(event)
            return False
        if event.signal in self._unused and event.kind in _VALUES:
            self._note(event)
            return True
        accepted = event.kind == Kind.SAMPLE
        if not self._is_aside(event):
            accepted = self._decide(event)
        self._count(event, accepted=accepted)
        return accepted

    def _is_for_law(self, signal: Signal) -> bool:
        """Return whether values of a signal are for the law: it has settings, and is no evidence of another contact."""
        is_aside = signal == Signal.LOAD_POWER and not self._scenario.judge_contact
        return not is_missing(self._ages[signal]) and not is_aside

    def _is_aside(self, event: Event) -> bool:
        """Return whether an event is evidence of the recorded contact, which is not the replayed one."""
        if self._scenario.judge_contact:
            return False
        is_load = event.signal == Signal.LOAD_POWER and event.kind in _VALUES
        return is_load or event.kind in (Kind.FEEDBACK, Kind.PIN_FAULT)

    def _hold(self, hold: Hold, value: float, *, accepted: bool) -> None:
        """Extend the validity of the value before, if that was accepted."""
        if not accepted:
            return
        self.totals.energy.extend(hold.signal, hold.until + self._holds[hold.signal])
        if hold.signal not in self._unused:
            extension = Event(self.t, self.t - self._ahead, Kind.HELD, hold.signal, stamp=hold.until)
            self.state = remember(self._settings, self.state, extension)
            self.totals.know(self.t, self.state.charge_expires_at)
        begin, end = self.t - self._ahead, hold.until - self._ahead
        if hold.signal == SOC:
            if self._observer is not None:
                self._observer.hold(begin, end, self.state.data.state_of_charge.value)
        elif self._observer is not None and hold.signal in SHOWN_SIGNALS:
            self._observer.measure(hold.signal, begin, end, value)

    def _restart(self, item: Restart) -> None:
        """The recorded program ended or started: the relay is off then, and everything begins anew."""
        self._come_to(item.t)
        if self.totals.is_on:
            self.totals.change(item.t, Change(item.t - item.ahead, Position.OFF, Cause.STOPPING, MISSING))
        self.totals.lose(item.t)
        self.totals.energy.switch_recorded(item.t, on=False)
        lockout = item.lockout if self._scenario.judge_contact else Lockout.NONE
        self.state = start(item.t, selector=item.selector, lockout=lockout)
        self.t = item.t

    # ---- time ----

    def _come_to(self, t: float) -> None:
        """Run the deadlines that pass before `t` (s), and the midnights."""
        while t - self._ahead >= self._midnight:
            # A step of the clock may pass midnight, either way.
            midnight = min(t, max(self.t, self._midnight + self._ahead))
            self._wake_before(midnight)
            assert self._observer is not None  # noqa: S101  (without one there is no midnight)
            self._observer.pass_midnight(midnight)
            self._midnight = self._observer.midnight
        if self.state.deadline < t:
            self._wake_before(t)

    def _wake_before(self, t: float) -> None:
        while self.state.deadline < t:
            self._wake()

    def _wake(self) -> None:
        due = self.state.deadline
        self._decide(Event(due, due - self._ahead, Kind.WAKE))

    def _decide(self, event: Event) -> bool:
        """Return whether it was a sample that counts."""
        self.state, decision = decide(self._settings, self.state, event, self._schedule.at(event.wall))
        self.totals.know(event.t, self.state.charge_expires_at)
        if decision.changed:
            change = Change(decision.wall, decision.position, decision.cause, decision.state_of_charge)
            self.totals.change(decision.t, change)
        return decision.accepted

    # ---- counting ----

    def _reject(self, rejection: Rejection) -> None:
        if rejection.signal not in self._unused:
            self.totals.reject()

    def _count(self, event: Event, *, accepted: bool) -> None:
        if accepted:
            self.totals.accept()
            self._note(event)
        elif event.kind == Kind.SAMPLE:
            self.totals.reject()
        else:
            self.totals.samples += event.kind == Kind.UNKNOWN
            self._note(event)

    def _note(self, event: Event) -> None:
        """Hand the energy and the observer a measurement, or its end."""
        signal, kind, t = event.signal, event.kind, event.t
        if kind == Kind.SAMPLE:
            if signal in SUMMED_SIGNALS:
                self.totals.energy.note(signal, event.value, t, event.stamp + self._holds[signal])
            if signal == SOC:
                self.totals.lowest(event.value)
            if self._observer is not None:
                self._observe(event)
        elif kind == Kind.ABSENT:
            for summed in SUMMED_SIGNALS:
                self.totals.energy.note(summed, MISSING, t, t)
        elif kind == Kind.UNKNOWN and signal in SUMMED_SIGNALS:
            self.totals.energy.note(signal, MISSING, t, t)

    def _observe(self, event: Event) -> None:
        assert self._observer is not None  # noqa: S101  (who calls has looked)
        if event.signal == SOC:
            self._observer.hold(event.wall, event.wall, event.value)
        elif event.signal in SHOWN_SIGNALS:
            self._observer.measure(event.signal, event.wall, event.wall, event.value)
