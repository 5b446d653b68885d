"""The types of a decision: event, settings, state, decision; and the initial state.

Named tuples of floats, ints, bools and enums, so that numba compiles what works on them. A missing number is NaN.
"""

from datetime import tzinfo
from enum import IntEnum
from typing import NamedTuple

from dumpload.core.contact import Evidence, Feedback
from dumpload.core.freshness import MISSING, NEVER, NO_DATUM, Datum, is_missing
from dumpload.core.law import Cause, Limits, Memory, Position, Selector
from dumpload.core.law import start as start_law
from dumpload.core.permissive import Permission, PermissiveLimits, PermissiveMemory
from dumpload.core.permissive import start as start_permissives
from dumpload.core.signals import Signal
from dumpload.core.window import DayWindow, Schedule


class Kind(IntEnum):
    """What happened."""

    WAKE = 0  # a deadline is due, or the wall clock was stepped
    SAMPLE = 1  # a live value of `signal`, measured at `stamp`
    UNKNOWN = 2  # the source does not know `signal` now
    ABSENT = 3  # the source is gone: nothing is known now
    EVIDENCE_RESET = 4  # reconnected, stalled or resumed: the evidence for surplus begins anew
    SELECT = 5  # the selector was set, hand until `until`
    RESET = 6  # a person reset the lockout
    PIN_FAULT = 7  # the relay's pin cannot be driven or read back
    FEEDBACK = 8  # the feedback line changed
    OVERDUE = 9  # a deadline passed before the event that comes next, at the same time (see `is_overdue`)
    HELD = 10  # the value of `signal` went on arriving, the last time at `stamp`: a record's short form
    STOP = 11  # the service is ending, and drove the relay off
    ASSUME_ON = 12  # the relay could not be driven off: count it as on since `stamp`


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

    `changed`: the relay moved; `after_s`: how long it had been in its previous position. `state_of_charge`: percent,
    NaN when not live. `accepted`: the sample that caused the evaluation counted. `refused`: the veto for which a
    request for hand was refused, or NONE.
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
    refused: Cause


class ControllerSettings(NamedTuple):
    """All settings of the core but the window: `max_age_s` per signal (NaN: not configured)."""

    limits: Limits
    permissives: PermissiveLimits
    max_age_s: tuple[float, ...]
    feedback_s: float


class Setup(NamedTuple):
    """What a caller needs to run a controller: its settings, and the window with the zone whose local time it means."""

    settings: ControllerSettings
    spans: tuple[DayWindow, ...]
    zone: tzinfo

    def schedule(self) -> Schedule:
        """Return the schedule for local time."""
        return Schedule(self.spans, self.zone)


class Data(NamedTuple):
    """The last accepted value of every signal, in the order of `Signal`."""

    state_of_charge: Datum = NO_DATUM
    battery_voltage: Datum = NO_DATUM
    battery_power: Datum = NO_DATUM
    load_power: Datum = NO_DATUM
    solar_power: Datum = NO_DATUM
    tank_temperature: Datum = NO_DATUM
    heartbeat: Datum = NO_DATUM


NO_DATA = Data()


class Known(NamedTuple):
    """The data from events, before any judgement. `seen`: there has been a live state of charge since start."""

    data: Data
    seen: bool
    selector: Selector
    hand_until: float
    lockout: Lockout
    feedback: Feedback


class State(NamedTuple):
    """All that a controller remembers between events. Moments in s.

    `charge_expires_at`: when the state of charge will be (or was) lost, by its own age or by the heartbeat's: the
    moment up to which the relay may be on. `deadline`: when it must be woken at the latest; `changes_at`: the same, the
    expiry of data left out.
    """

    known: Known
    law: Memory
    permissives: PermissiveMemory
    permitted: Permission
    evidence: Evidence
    cause: Cause
    window_changes_at: float
    day_ends_at: float
    charge_expires_at: float
    changes_at: float
    deadline: float

    @property
    def position(self) -> Position:
        """Where the relay is, as decided."""
        return self.law.position

    @property
    def data(self) -> Data:
        """The last accepted value of every signal."""
        return self.known.data

    @property
    def selector(self) -> Selector:
        """Where the selector is."""
        return self.known.selector

    @property
    def lockout(self) -> Lockout:
        """Whether the relay is locked out, and why."""
        return self.known.lockout


def start(
    t: float,
    *,
    selector: Selector = Selector.AUTO,
    lockout: Lockout = Lockout.NONE,
    on_time_s: float = 0.0,
    day: int = -1,
) -> State:
    """Return the state at monotonic time `t` (s): relay off, latch off, nothing known.

    What outlived a restart is given: the selector (off or auto: hand is never kept), the lockout, and the on-time (s)
    counted on the local day numbered `day` (as in `LocalTime`).
    """
    return fresh(t, selector, lockout, on_time_s, day)


def fresh(t: float, selector: Selector, lockout: Lockout, on_time_s: float, day: int) -> State:
    """Return what `start` does; the compiler takes no keywords."""
    known = Known(NO_DATA, False, selector, NEVER, lockout, Feedback.UNKNOWN)
    memory, permissives, permitted = start_law(t), start_permissives(t, on_time_s, day), Permission(Cause.NONE, NEVER)
    return State(
        known, memory, permissives, permitted, Evidence.NONE, Cause.STARTING, NEVER, NEVER, -NEVER, NEVER, NEVER
    )


def reconfigure(state: State, settings: ControllerSettings) -> State:
    """Return the state under new settings: everything remembered stays, and no age grows longer.

    The deadline is then due, as of the last evaluation: wake it at once.
    """
    data = Data(
        *(
            datum
            if is_missing(datum.stamp)
            else datum._replace(expires_at=min(datum.expires_at, datum.stamp + max_age))
            for datum, max_age in zip(state.known.data, settings.max_age_s, strict=True)
        )
    )
    known = state.known._replace(data=data)
    expires_at = charge_expires_at(settings, data)
    return state._replace(known=known, charge_expires_at=expires_at, deadline=state.permissives.counted_at)


def heart_stops_at(settings: ControllerSettings, data: Data) -> float:
    """Return when the source will have shown no sign of life for too long (s; NEVER: no heartbeat is configured)."""
    # A bridge, or a broker that resumed a session, repeats the last values as live messages for as long as it runs, and
    # their ages never grow. Only a value that must change distinguishes that from a live source.
    return NEVER if is_missing(settings.max_age_s[Signal.HEARTBEAT + 0]) else data.heartbeat.expires_at


def charge_expires_at(settings: ControllerSettings, data: Data) -> float:
    """Return when the state of charge will be (or was) lost (s), by its own age or by the heartbeat's."""
    return min(data.state_of_charge.expires_at, heart_stops_at(settings, data))


def live_data(settings: ControllerSettings, data: Data, t: float) -> Data:
    """Return the data that may be live at `t` (s): none while the source shows no sign of life."""
    return data if t < heart_stops_at(settings, data) else NO_DATA
