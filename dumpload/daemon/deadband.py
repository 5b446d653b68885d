"""Which samples the history keeps, so that replaying it makes the very same decisions. Pure, and knows no database.

A sample is kept when it is the first of its signal, or since the signal was lost; when it moved anything that the
controller remembers, or is on another side of a threshold; when it has left the deadband of the last kept one; and
after `sample_every_s`. All others only move the end of the last kept one's run: that value, give or take the
deadband, kept arriving until then. What thinning can change:

- with the settings it was recorded under, nothing: every sample that mattered is there, with its exact time, and a
  run says how long its signal stayed live. Only after a reload a signal is exact from its next sample on;
- with other settings, a threshold may be crossed by as much as the deadband apart, or by up to `sample_every_s`
  later (SPACING_S for a value that leaves the deadband), and a confirmation ends at a kept sample.
"""

import math
from collections.abc import Iterator, Sequence

from dumpload.core.contact import LOAD_PRESENT_W
from dumpload.core.controller import ControllerSettings, State
from dumpload.core.freshness import NEVER, Datum
from dumpload.core.signals import Signal

# In the signal's base unit: a change of more than this is kept (our choice, no source).
DEADBANDS: dict[Signal, float] = {
    Signal.STATE_OF_CHARGE: 0.1,
    Signal.BATTERY_VOLTAGE: 0.05,
    Signal.BATTERY_POWER: 10.0,
    Signal.LOAD_POWER: 10.0,
    Signal.SOLAR_POWER: 10.0,
    Signal.TANK_TEMPERATURE: 0.5,
    Signal.HEARTBEAT: math.inf,  # that it went on changing is told by the run
}

# A signal that only jitters is kept no more often than this: it bounds what a day can write (our choice).
SPACING_S = 1.0


class HeldValue:
    """One kept sample, and how long its value has been good for. Times in monotonic s."""

    __slots__ = ("expires_at", "kept_at", "sequence", "value")

    def __init__(self, sequence: int, value: float, kept_at: float, expires_at: float) -> None:
        self.sequence, self.value, self.kept_at, self.expires_at = sequence, value, kept_at, expires_at


class DeadbandFilter:
    """Remembers the run of every signal."""

    def __init__(self, sample_every_s: float) -> None:
        self._every_s = sample_every_s
        self._deadbands = tuple(DEADBANDS[signal] for signal in Signal)
        self.runs: list[HeldValue | None] = [None] * len(Signal)

    def wants(self, signal: Signal, value: float, t: float, *, moved: bool) -> bool:
        """Return whether an accepted sample is kept; `moved`: the controller's memory is not what it was."""
        run = self.runs[signal]
        if run is None or moved:
            return True
        held_s = t - run.kept_at
        return held_s >= self._every_s or (held_s >= SPACING_S and abs(value - run.value) > self._deadbands[signal])

    def lose(self, t: float) -> Iterator[Signal]:
        """End the runs whose signal is too old at `t`, and return which."""
        for signal in Signal:
            run = self.runs[signal]
            if run is not None and run.expires_at <= t:
                self.runs[signal] = None
                yield signal

    def keep_next(self, data: Sequence[Datum]) -> None:
        """Have the next sample of every signal kept: the last kept ones may not say all any more."""
        for run, datum in zip(self.runs, data, strict=True):
            if run is not None:
                run.kept_at, run.expires_at = -math.inf, datum.expires_at


def footing(settings: ControllerSettings, state: State) -> tuple[object, ...]:
    """Return the controller state that a sample can change; compare before and after."""
    # A NaN is the core's one MISSING object, and a tuple compares objects by identity first: so it equals itself here.
    # Were it not, more samples would be kept.
    law, permissive, limits = state.law, state.permissives, settings.limits
    charge, load = state.data.state_of_charge.value, state.data.load_power.value
    return (
        law.surplus,
        law.above_since,
        law.position,
        charge >= limits.cut_in_percent,
        charge >= limits.cut_out_percent,
        charge >= limits.floor_percent,
        permissive.voltage_held,
        permissive.tank_held,
        permissive.drain_since,
        permissive.drained_at,
        load > LOAD_PRESENT_W,
        state.data.heartbeat.expires_at == -NEVER,  # never seen to change yet
        state.evidence,
        state.lockout,
        state.cause,
    )
