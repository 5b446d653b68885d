"""Single events as the arrays that the compiled law is played with, for tests; a record comes as arrays by itself."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np

from dumpload.core.controller import Event, Setup, State, start
from dumpload.replay.arrays import Codes, Events, Flags, Floats, local_times, play, with_floats


class Played(NamedTuple):
    """What came of it: the changes, one array a field of the decision; which samples counted; and the last state."""

    t: Floats
    wall: Floats
    position: Codes
    cause: Codes
    previous_cause: Codes
    after_s: Floats
    state_of_charge: Floats
    accepted: Flags
    state: State


def as_arrays(events: Sequence[Event], with_next: Sequence[bool]) -> Events:
    """Return events as arrays."""
    t, wall, kind, signal, value, stamp, selector, until, feedback, more = zip(*events, strict=True)
    return Events(
        np.array(t, np.float64),
        np.array(wall, np.float64),
        np.array(kind, np.int8),
        np.array(signal, np.int8),
        np.array(value, np.float64),
        np.array(stamp, np.float64),
        np.array(selector, np.int8),
        np.array(until, np.float64),
        np.array(feedback, np.int8),
        np.array(more, np.bool_),
        np.array(with_next, np.bool_),
    )


def play_arrays(
    setup: Setup, events: Events, end: float, *, begin: float | None = None, run: Callable[..., Any] = play
) -> Played:
    """Play events under some settings, from `begin` (s; None: the first event) to `end` (s), by `play` or compiled."""
    begin = float(events.t[0]) if begin is None else begin
    settings = with_floats(setup.settings)
    times = local_times(setup.schedule(), events, begin, end)
    last, changes, accepted, _known = run(settings, start(begin), events, times, end, (begin, 0.0))
    t, wall, position, cause, previous, after_s, charge, _index = changes.T
    position, cause, previous = (column.astype(np.int8) for column in (position, cause, previous))
    return Played(t, wall, position, cause, previous, after_s, charge, accepted, last)
