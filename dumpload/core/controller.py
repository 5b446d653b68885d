"""One event in, decisions out: the law, the permissives and the evidence, with the memory between events.

The daemon and replay both drive this class. It has no clock: an event brings the time, monotonic and wall. After
each event `deadline` says when, at the latest, it must be woken; before that nothing can change by itself.
"""

from collections.abc import Sequence
from datetime import tzinfo
from enum import IntEnum
from typing import NamedTuple

from dumpload.core import contact, law, permissive
from dumpload.core.contact import Evidence, Feedback
from dumpload.core.freshness import MISSING, NEVER, NO_DATUM, Datum, admit, expiry_after, live_value
from dumpload.core.law import Cause, Limits, Position, Selector
from dumpload.core.permissive import NO_LIMITS, PermissiveInputs, PermissiveLimits
from dumpload.core.signals import Signal, in_range
from dumpload.core.window import Schedule, Span


class Kind(IntEnum):
    """What happened."""

    WAKE = 0  # a deadline is due, or the wall clock was stepped
    SAMPLE = 1  # a live value of `signal`, measured at `stamp`
    UNKNOWN = 2  # the source does not know `signal` now
    ABSENT = 3  # the source is gone: nothing is known now
    DOUBT = 4  # reconnected, stalled or resumed: the evidence for surplus begins anew
    SELECT = 5  # the selector was set, hand until `until`
    RESET = 6  # a person reset the lockout
    PIN_FAULT = 7  # the relay's pin cannot be driven or read back
    FEEDBACK = 8  # the feedback line changed


class Lockout(IntEnum):
    """Why the relay is locked out."""

    NONE = 0
    CONTACT_CLOSED = 1
    PIN_FAULT = 2


class Event(NamedTuple):
    """One thing that happened at `t` (monotonic s) and `wall` (Unix s); unused fields keep their defaults.

    `more`: the same message says more, so nothing may start on this event yet: what follows may forbid it.
    """

    t: float
    wall: float
    kind: Kind
    signal: Signal = Signal.STATE_OF_CHARGE
    value: float = MISSING
    stamp: float = MISSING
    selector: Selector = Selector.AUTO
    until: float = MISSING
    feedback: Feedback = Feedback.UNKNOWN
    more: bool = False


class Decision(NamedTuple):
    """What is decided, logged, stored, replayed and published: one row per evaluation.

    `changed`: the relay moved; `after_s`: how long it had been in its previous position. `accepted`: the sample
    that caused the evaluation counted. `state_of_charge`: percent, NaN when not live.
    """

    t: float
    wall: float
    position: Position
    cause: Cause
    changed: bool
    previous_cause: Cause
    after_s: float
    state_of_charge: float
    accepted: bool


class Setup(NamedTuple):
    """All settings of the core: `max_age_s` per signal (NaN: not configured), the window and its zone."""

    limits: Limits
    permissives: PermissiveLimits
    max_age_s: tuple[float, ...]
    feedback_s: float
    spans: tuple[Span, ...]
    zone: tzinfo


_LOCKOUT_AFTER = {Kind.RESET: Lockout.NONE, Kind.PIN_FAULT: Lockout.PIN_FAULT}


class Controller:
    """Holds the memory, and evaluates the law on every event.

    `deadline`: when it must be woken at the latest (s); `changes_at`: the same, the expiry of data left out.
    """

    def __init__(self, setup: Setup, t: float) -> None:
        """Start at monotonic time `t` (s): relay off, latch off, selector in auto, nothing known."""
        self.data: list[Datum] = [NO_DATUM] * len(Signal)
        self.law_memory = law.start(t)
        self.permissive_memory = permissive.start(t)
        self.selector = Selector.AUTO
        self.hand_until = NEVER
        self.lockout = Lockout.NONE
        self.feedback = Feedback.UNKNOWN
        self.evidence = Evidence.NONE
        self.cause = Cause.STARTING
        self.permitted = permissive.Permission(Cause.NONE, NEVER)
        self.window_changes_at = self.day_ends_at = NEVER
        self.deadline = NEVER
        self.changes_at = NEVER
        self._seen = False
        self.setup = setup
        self._schedule = Schedule(setup.spans, setup.zone)

    @property
    def position(self) -> Position:
        """Where the relay is, as decided."""
        return self.law_memory.position

    @property
    def seen(self) -> bool:
        """Whether there has been a live state of charge since start."""
        return self._seen

    @property
    def charge_expires_at(self) -> float:
        """When the state of charge will be (or was) lost: the moment up to which the relay may be on."""
        return self.data[Signal.STATE_OF_CHARGE].expires_at

    def reconfigure(self, setup: Setup) -> None:
        """Take new settings; everything remembered stays. The deadline is then due: wake it at once."""
        self.data = [
            NO_DATUM if datum is NO_DATUM else datum._replace(expires_at=min(datum.expires_at, datum.stamp + max_age))
            for datum, max_age in zip(self.data, setup.max_age_s, strict=True)
        ]
        self.setup = setup
        self._schedule = Schedule(setup.spans, setup.zone)
        self.deadline = self.permissive_memory.counted_at  # the last evaluation: due since then

    def handle(self, event: Event) -> tuple[Decision, ...]:
        """Apply one event and return the decisions, oldest first.

        There are two when a deadline had passed before the event came: what was lost meanwhile stays lost, but
        nothing starts on an overdue deadline, since the event may forbid it. Times must not go back; at equal times
        an event comes before the deadline.
        """
        if self.deadline < event.t and event.kind != Kind.WAKE:
            late = self._evaluate(event._replace(kind=Kind.WAKE), accepted=False, overdue=True)
            return late, self._evaluate(event, accepted=self._take(event))
        return (self._evaluate(event, accepted=self._take(event)),)

    def take(self, events: Sequence[Event]) -> None:
        """Remember what events say without an evaluation.

        For what comes at one moment, whose last event goes to `handle`, and for samples that are known to change
        nothing, in order of time. No deadline may have passed.
        """
        for event in events:
            self._take(event)
        if events:
            self.deadline = min(self.changes_at, self._expires_next(events[-1].t))

    def extend(self, signal: Signal, stamp: float, t: float) -> None:
        """Have the value of a signal count as measured again at `stamp`, without an evaluation; now is `t` (s).

        For a record that tells only how long a value went on arriving. No deadline may have passed.
        """
        datum = self.data[signal]
        self.data[signal] = datum._replace(expires_at=max(datum.expires_at, stamp + self.setup.max_age_s[signal]))
        self.deadline = min(self.changes_at, self._expires_next(t))

    def _take(self, event: Event) -> bool:
        """Remember what the event says; return whether it was a sample that counts."""
        if event.kind == Kind.SAMPLE:
            return self._admit(event)
        if event.kind == Kind.UNKNOWN:
            self._lose(event.signal, event.t)
        elif event.kind == Kind.ABSENT:
            for signal in Signal:
                self._lose(signal, event.t)
        elif event.kind == Kind.DOUBT:
            self.law_memory = self.law_memory._replace(above_since=MISSING)
        elif event.kind == Kind.SELECT:
            self.selector = event.selector
            self.hand_until = event.until if event.selector == Selector.HAND else NEVER
        elif event.kind == Kind.FEEDBACK:
            self.feedback = event.feedback
        elif event.kind in _LOCKOUT_AFTER:
            self.lockout = _LOCKOUT_AFTER[event.kind]
        return False

    def _admit(self, event: Event) -> bool:
        stamp = min(event.stamp, event.t)  # nothing is measured in the future; a missing stamp stays missing
        datum = admit(event.value, stamp, self.setup.max_age_s[event.signal])
        if not (in_range(event.signal, event.value) and event.t < datum.expires_at):
            return False  # not to be believed, or so late that it is already too old
        self.data[event.signal] = datum
        self._seen = self._seen or event.signal == Signal.STATE_OF_CHARGE
        return True

    def _lose(self, signal: Signal, t: float) -> None:
        datum = self.data[signal]
        self.data[signal] = datum._replace(expires_at=min(datum.expires_at, t))

    def _evaluate(self, event: Event, *, accepted: bool, overdue: bool = False) -> Decision:
        t = event.t
        if not t < self.hand_until:  # a hand without an end is over too
            self.selector, self.hand_until = Selector.AUTO, NEVER
        if self.feedback != Feedback.UNKNOWN or self.data[Signal.LOAD_POWER] is not NO_DATUM:
            self._look_at_contact(t)
        asked = self._ask_permissives(event)
        soc = live_value(self.data[Signal.STATE_OF_CHARGE], t)
        before = self.law_memory
        is_sample = accepted and event.signal == Signal.STATE_OF_CHARGE
        inputs = law.Inputs(
            t, soc, is_sample, self._seen, self.selector, self.lockout != Lockout.NONE, self.permitted.cause
        )
        self.law_memory, cause = law.step(self.setup.limits, before, inputs)
        if (overdue or event.more) and self.position > before.position:  # not before what follows was heard
            self.law_memory = self.law_memory._replace(position=before.position, relay_since=before.relay_since)
            cause = Cause.MIN_OFF_DWELL if overdue else self.cause
        previous, self.cause = self.cause, cause
        changed = self.law_memory.position != before.position
        if changed:  # the evidence and the day's on-time count from the new position
            self.evidence = Evidence.NONE
            if self.setup.permissives != NO_LIMITS:
                asked = asked._replace(position=self.position, relay_since=t)
                changes_at = permissive.next_change(self.setup.permissives, self.permissive_memory, asked)
                self.permitted = self.permitted._replace(deadline=changes_at)
        self.changes_at = self._next_change(t)
        self.deadline = min(self.changes_at, self._expires_next(t))
        after_s = t - before.relay_since
        return Decision(t, event.wall, self.position, cause, changed, previous, after_s, soc, accepted)

    def _look_at_contact(self, t: float) -> None:
        self.evidence = contact.judge(self.setup.feedback_s, self._contact(t))
        if self.evidence == Evidence.CLOSED_WHILE_OFF and self.lockout == Lockout.NONE:
            self.lockout = Lockout.CONTACT_CLOSED

    def _contact(self, t: float) -> contact.ContactInputs:
        load, memory = self.data[Signal.LOAD_POWER], self.law_memory
        return contact.ContactInputs(
            t, memory.position, memory.relay_since, self.feedback, live_value(load, t), load.stamp
        )

    def _ask_permissives(self, event: Event) -> PermissiveInputs:
        local = self._schedule.at(event.wall)
        ahead = event.t - event.wall  # wall-clock moments on the clock of t
        t = event.t
        self.window_changes_at, self.day_ends_at = local.changes_at + ahead, local.day_ends_at + ahead
        asked = PermissiveInputs(
            t,
            live_value(self.data[Signal.BATTERY_VOLTAGE], t),
            live_value(self.data[Signal.TANK_TEMPERATURE], t),
            live_value(self.data[Signal.BATTERY_POWER], t),
            self.position,
            self.law_memory.relay_since,
            local.inside,
            self.window_changes_at,
            local.day,
            local.day_began_at + ahead,
            self.day_ends_at,
        )
        self.permissive_memory, self.permitted = permissive.step(self.setup.permissives, self.permissive_memory, asked)
        return asked

    def _expires_next(self, t: float) -> float:
        return min(expiry_after(datum, t) for datum in self.data)

    def _next_change(self, t: float) -> float:
        """Return the earliest moment after now at which anything but the age of data can change by itself."""
        limits = self.setup.limits
        dwell_s = limits.min_on_s if self.position == Position.ON else limits.min_off_s
        dwell_over_at = self.law_memory.relay_since + dwell_s
        return min(
            self.hand_until,
            dwell_over_at if dwell_over_at > t else NEVER,
            NEVER if self.feedback == Feedback.UNKNOWN else contact.next_look(self.setup.feedback_s, self._contact(t)),
            self.permitted.deadline,
        )
