"""Events as arrays, and a loop over them that calls the core's own functions; made for the compiler.

`play` is ordinary Python: run as it is, it is a plain loop too, which the compiled one must equal to the last bit.
"""

from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dumpload.core.contact import Feedback
from dumpload.core.controller import (
    ControllerSettings,
    Decision,
    Event,
    Kind,
    State,
    decide,
    remember,
)
from dumpload.core.freshness import MISSING
from dumpload.core.known import is_believed
from dumpload.core.law import Cause, Selector
from dumpload.core.signals import Signal
from dumpload.core.window import LocalTime, Schedule
from dumpload.records.items import PLAIN, UNKNOWN, Column, RowBatch
from dumpload.replay.totals import Knowing, know

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]
Flags = NDArray[np.bool_]

# By code, since an array holds no enum.
_KINDS, _SIGNALS, _SELECTORS = tuple(Kind), tuple(Signal), tuple(Selector)
_FEEDBACKS = (Feedback.OPEN, Feedback.CLOSED, Feedback.UNKNOWN)  # UNKNOWN is -1, and so the last


class Events(NamedTuple):
    """Events as arrays of one length, in order of time; see `Event`.

    `with_next`: the value is only remembered, and judged with the event that follows at the same moment.
    """

    t: Floats
    wall: Floats
    kind: Codes
    signal: Codes
    value: Floats
    stamp: Floats
    selector: Codes
    until: Floats
    feedback: Codes
    more: Flags
    with_next: Flags


class LocalTimes(NamedTuple):
    """The local time of every part of a record, in order: each row good from `wall` until `valid_until` (Unix s)."""

    wall: Floats
    inside: Flags
    changes_at: Floats
    day: NDArray[np.int64]
    day_began_at: Floats
    day_ends_at: Floats
    valid_until: Floats


def of_batches(batches: Sequence[RowBatch], law_signals: Collection[Signal]) -> Events:
    """Return the rows of a record as arrays of events, of the signals that the law uses, row by row.

    The values of a row are judged once, with the last of them, and the state of charge is the last.
    """
    signals = sorted((signal for signal in batches[0].columns if signal in law_signals), reverse=True)
    columns = [[batch.columns[signal] for batch in batches] for signal in signals]
    times = np.concatenate([np.asarray(batch.times, np.float64) for batch in batches])
    values = np.stack([np.concatenate([np.asarray(part.values) for part in parts]) for parts in columns], axis=1)
    codes = np.stack([np.concatenate([codes_of(part) for part in parts]) for parts in columns], axis=1)
    spoken = (codes == PLAIN) | (codes == UNKNOWN)
    to_come = np.cumsum(spoken[:, ::-1], axis=1)[:, ::-1] - spoken
    t = np.repeat(times, len(signals))[spoken.ravel()]
    is_plain = codes[spoken] == PLAIN
    signal = np.broadcast_to(np.array(signals, np.int8), spoken.shape)[spoken]
    missing, none = np.full(len(t), MISSING), np.zeros(len(t), np.int8)
    return Events(
        t=t,
        wall=t,
        kind=np.where(is_plain, Kind.SAMPLE, Kind.UNKNOWN).astype(np.int8),
        signal=signal,
        value=np.where(is_plain, values[spoken], MISSING),
        stamp=np.where(is_plain, t, MISSING),
        selector=none + np.int8(Selector.AUTO),
        until=missing,
        feedback=none + np.int8(Feedback.UNKNOWN),
        more=none.astype(np.bool_),
        with_next=(to_come > 0)[spoken],
    )


def codes_of(column: Column) -> Codes:
    """Return the cells of a column, row by row."""
    rows = len(column.values)
    return np.full(rows, PLAIN, np.int8) if column.codes is None else np.asarray(column.codes).astype(np.int8)


def local_times_between(schedule: Schedule, first: float, last: float) -> LocalTimes:
    """Return the local times from one Unix time to another (s)."""
    rows = [schedule.at(first)]
    while rows[-1].valid_until <= last:
        rows.append(schedule.at(rows[-1].valid_until))
    columns = zip(*rows, strict=True)
    return LocalTimes(*map(np.array, columns))


def local_times(schedule: Schedule, events: Events, begin: float, end: float) -> LocalTimes:
    """Return the local times that may be asked for from `begin` to `end` (s): of every event, and of all deadlines."""
    pauses = np.diff(events.t, prepend=begin, append=max(end, events.t[-1]))
    # A deadline is dated by the clock of the event after it, which may have been stepped either way.
    first = (events.wall - pauses[:-1]).min()
    last = (events.wall + pauses[1:]).max()
    return local_times_between(schedule, float(np.floor(first)) - 1.0, float(last))


# ---- one record, played ----


def event_at(events: Events, index: int) -> Event:
    """Return one event of the arrays."""
    return Event(
        events.t[index],
        events.wall[index],
        _KINDS[events.kind[index]],
        _SIGNALS[events.signal[index]],
        events.value[index],
        events.stamp[index],
        _SELECTORS[events.selector[index]],
        events.until[index],
        _FEEDBACKS[events.feedback[index]],
        events.more[index],
    )


def wake_at(t: float, ahead: float) -> Event:
    """Return the waking at a deadline (s); `ahead`: that clock's lead over Unix time (s)."""
    return Event(
        t,
        t - ahead,
        Kind.WAKE,
        Signal.STATE_OF_CHARGE,
        MISSING,
        MISSING,
        Selector.AUTO,
        MISSING,
        Feedback.UNKNOWN,
        False,
    )


def find_place(times: LocalTimes, wall: float, place: int) -> int:
    """Return the row of the local time at Unix time `wall` (s), which is mostly the one of the event before."""
    if times.wall[place] <= wall < times.valid_until[place]:
        return place
    return int(np.searchsorted(times.wall, wall, side="right")) - 1


def local_at(times: LocalTimes, place: int) -> LocalTime:
    """Return one row of the local times."""
    return LocalTime(
        times.wall[place],
        times.inside[place],
        times.changes_at[place],
        times.day[place],
        times.day_began_at[place],
        times.day_ends_at[place],
        times.valid_until[place],
    )


def note(changes: Floats, count: int, decision: Decision, index: int) -> tuple[Floats, int]:
    """Return the changes, and how many they are, with what was decided, if that was one."""
    if not decision.changed:
        return changes, count
    if count == len(changes):
        room = np.empty((2 * count, changes.shape[1]))
        room[:count] = changes
        changes = room
    changes[count, 0] = decision.t
    changes[count, 1] = decision.wall
    changes[count, 2] = decision.position + 0
    changes[count, 3] = decision.cause + 0
    changes[count, 4] = decision.previous_cause + 0
    changes[count, 5] = decision.after_s
    changes[count, 6] = decision.state_of_charge
    changes[count, 7] = index
    return changes, count + 1


def step(
    settings: ControllerSettings,
    state: State,
    event: Event,
    local: LocalTime,
    is_judged: bool,  # noqa: FBT001
) -> tuple[State, Decision]:
    """Decide on one event, or only remember it; that is no change."""
    if is_judged:
        return decide(settings, state, event, local)
    charge, position, cause = MISSING, state.law.position, state.cause
    accepted = is_believed(settings, event)
    decision = Decision(event.t, event.wall, position, cause, False, cause, 0.0, charge, accepted, Cause.NONE)
    return remember(settings, state, event), decision


def play(
    settings: ControllerSettings, state: State, events: Events, times: LocalTimes, end: float, known: Knowing
) -> tuple[State, Floats, Flags, Knowing]:
    """Play events, and the deadlines up to `end` (s), which is not before the last of them.

    Returns the last state, the changes, which samples counted, and what is `known` then.

    A row of a change: t, wall, position, cause, previous cause, after_s, state of charge, and the number of events that
    came before what made it. As a replay does it: deadlines before an event come first, and one at its very moment
    after it.
    """
    rows = len(events.t)
    accepted = np.zeros(rows, np.bool_)
    changes, count, index, place, ahead = np.empty((64, 8)), 0, 0, 0, 0.0
    while index < rows or state.deadline <= end:
        if index < rows:
            ahead = events.t[index] - events.wall[index]
        is_due = index == rows or state.deadline < events.t[index]
        event = wake_at(state.deadline, ahead) if is_due else event_at(events, index)
        place = find_place(times, event.wall, place)
        is_judged = is_due or not events.with_next[index]
        state, decision = step(settings, state, event, local_at(times, place), is_judged)
        changes, count = note(changes, count, decision, index)
        if is_judged:
            known = know(known, event.t, state.charge_expires_at)
        if not is_due:
            accepted[index] = decision.accepted
            index += 1
    return state, changes[:count], accepted, known


def with_floats(settings: ControllerSettings) -> ControllerSettings:
    """Return the settings with every number a float, because an integer is another type and would be compiled again."""
    limits, permissives, ages, feedback_s = settings
    return ControllerSettings(
        type(limits)(*map(float, limits)), type(permissives)(*map(float, permissives)), tuple(map(float, ages)),
        float(feedback_s),
    )  # fmt: skip
