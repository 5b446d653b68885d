"""Totals of a replay: changes, runs, lost data, lowest charge, energy.

Keeps a few numbers and the list of changes, so that a record may be of any length.
"""

import math
from collections.abc import Callable
from typing import NamedTuple

from dumpload.core.contact import LOAD_PRESENT_W
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.signals import Signal
from dumpload.core.window import DAY_S

SOC = Signal.STATE_OF_CHARGE

# Signals that give the energy into the load.
ENERGY_SIGNALS = (Signal.LOAD_POWER, Signal.BATTERY_VOLTAGE)

# A value, and until when it counts (s).
NEVER_SEEN = (MISSING, -math.inf)


class LoadRating(NamedTuple):
    """The load: rated power (W), and resistance (ohm); NaN where not configured."""

    rated_w: float = MISSING
    ohm: float = MISSING


class Change(NamedTuple):
    """One change of the relay: `wall` in Unix s, charge in percent (NaN: not live)."""

    wall: float
    position: Position
    cause: Cause
    state_of_charge: float


class EnergyShare(NamedTuple):
    """A share of the energy, and for how long it was known from that source: Wh, s."""

    wh: float = 0.0
    seconds: float = 0.0

    def plus(self, power_w: float, seconds: float) -> "EnergyShare":
        """Return the share, increased."""
        return self if not seconds else EnergyShare(self.wh + power_w * seconds / 3600.0, self.seconds + seconds)


class Summary(NamedTuple):
    """Summary of a replay; seconds, Wh, percent. `energy_wh`: NaN if no source gives any power.

    `measured`, `by_voltage`, `by_rating`: the energy by where its power came from. `drawing_s`: how much of the
    on-time the recorded load power shows the load drawing; `assumed_s`: how much of it shows none, since the recorded
    load was off, and so counts with what the element would draw. Runs are NaN if there was none; one that is still on
    at the end (`still_on`) counts as long as it is.
    """

    span_s: float
    switch_ons: int
    on_time_s: float
    longest_run_s: float
    shortest_run_s: float
    still_on: bool
    data_lost_s: float
    lowest_state_of_charge_on: float
    energy_wh: float
    measured: EnergyShare
    by_voltage: EnergyShare
    by_rating: EnergyShare
    drawing_s: float
    assumed_s: float = 0.0

    @property
    def days(self) -> float:
        """Length of the record in days."""
        return self.span_s / DAY_S

    @property
    def on_time_per_day_s(self) -> float:
        """On-time a day, at this rate; NaN for a record without duration."""
        return self.on_time_s / self.days if self.span_s > 0 else MISSING

    @property
    def switch_ons_per_day(self) -> float:
        """Switch-ons a day, at this rate; NaN for a record without duration."""
        return self.switch_ons / self.days if self.span_s > 0 else MISSING


def drawn(
    begin: float,
    end: float,
    load: tuple[float, float],
    volts: tuple[float, float],
    rating: LoadRating,
    was_on: bool,  # noqa: FBT001
) -> tuple[float, float, float, float, float, float, float, float]:
    """Return what the load draws while its relay is on from `begin` to `end` (s), by where that is known from.

    Power (W) and time (s) as measured, by voltage and by rating; then the time (s) in which the measured power shows
    the load drawing, and that in which it shows a load that was off. `load`, `volts`: the last value, and until when it
    counts (s). `was_on`: whether the recorded relay is known to have been on. Numbers in and out: it is compiled too.

    A load that was off draws nothing, which says nothing of what it would have drawn under other settings: that is
    V^2/R, or the rating. One that was on and drew nothing had its thermostat open, and keeps it so. Where the record
    does not say, no power is taken for a load that was off.
    """
    load_w = load_s = volts_w = volts_s = rated_w = rated_s = drawing_s = assumed_s = 0.0
    load_end, volts_end = min(end, load[1]), min(end, volts[1])
    if begin < load_end and (load[0] > LOAD_PRESENT_W or (was_on and not is_missing(load[0]))):
        load_w, load_s = load[0], load_end - begin
        drawing_s = load_s if load_w > LOAD_PRESENT_W else 0.0
        begin = load_end
    elif begin < load_end and not is_missing(load[0]):
        assumed_s = load_end - begin
    if begin < volts_end and not is_missing(volts[0]) and not is_missing(rating.ohm):
        volts_w, volts_s = volts[0] * volts[0] / rating.ohm, volts_end - begin
        begin = volts_end
    if begin < end and not is_missing(rating.rated_w):
        rated_w, rated_s = rating.rated_w, end - begin
    return load_w, load_s, volts_w, volts_s, rated_w, rated_s, drawing_s, assumed_s


# Until when the state of charge is known, and for how long it was not so far, s.
Knowing = tuple[float, float]


def know(known: Knowing, t: float, expires_at: float) -> Knowing:
    """Return what is known after something came at `t` (s). It is compiled, too.

    `expires_at`: until when the state of charge counts then, by its own age and by the heartbeat's.
    """
    until, lost_s = known
    if expires_at <= t:
        return min(until, t), lost_s
    return expires_at, lost_s + (t - until if t > until else 0.0)


class Energy:
    """The energy into the load while the relay is on, by `drawn` at every moment.

    A value counts until the next one, at most as long as it is live. `last`: what is known of each signal, and until
    when it counts (s).
    """

    def __init__(self, load: LoadRating, t: float) -> None:
        """Start at `t` (s) with the relay off, and not knowing whether the recorded one is on."""
        self._rating = load
        self.at = t
        self.is_on = self._was_on = False
        self.last = dict.fromkeys(ENERGY_SIGNALS, NEVER_SEEN)
        self.measured = self.by_voltage = self.by_rating = EnergyShare()
        self.drawing_s = self.assumed_s = 0.0

    @property
    def wh(self) -> float:
        """Energy so far (Wh); 0 if no source gives any power."""
        return self.measured.wh + self.by_voltage.wh + self.by_rating.wh

    def note(self, signal: Signal, value: float, t: float, expires_at: float) -> None:
        """Take a measured load power (W) or bus voltage (V), valid until it expires; ignore other signals."""
        if signal in ENERGY_SIGNALS:
            if self.at < t:
                self.advance(t)
            self.last[signal] = (value, expires_at)

    def extend(self, signal: Signal, expires_at: float) -> None:
        """Extend the validity of a signal's last value."""
        if signal in self.last:
            self.last[signal] = (self.last[signal][0], expires_at)

    def switch(self, t: float, *, on: bool) -> None:
        """The relay moved."""
        self.advance(t)
        self.is_on = on

    def switch_recorded(self, t: float, *, on: bool) -> None:
        """The recorded relay moved; a replayed one is another."""
        self.advance(t)
        self._was_on = on

    def advance(self, t: float) -> None:
        """Add up to `t` (s)."""
        begin, self.at = self.at, t
        if not self.is_on or t <= begin:
            return
        load, volts = (self.last[signal] for signal in ENERGY_SIGNALS)
        parts = drawn(begin, t, load, volts, self._rating, self._was_on)
        self.measured = self.measured.plus(parts[0], parts[1])
        self.by_voltage = self.by_voltage.plus(parts[2], parts[3])
        self.by_rating = self.by_rating.plus(parts[4], parts[5])
        self.drawing_s += parts[6]
        self.assumed_s += parts[7]


class Totals:
    """Counters of one replay."""

    def __init__(self, load: LoadRating, t: float, max_age_s: float) -> None:
        """Start at `t` (s), relay off and nothing known; the state of charge counts for `max_age_s`.

        `on_loss` is called with the begin and end (s) of each time without it.
        """
        self.on_loss: Callable[[float, float], None] = lambda _begin, _end: None
        self.energy = Energy(load, t)
        self.changes: list[Change] = []
        self.samples = self.accepted = self.rejected = 0
        self._max_age_s = max_age_s
        self._began = self.known_until = t
        self.lost_s = self._on_time_s = 0.0
        self._on_since = MISSING
        self._runs: tuple[int, float, float] = (0, -math.inf, math.inf)
        self.lowest_on = math.inf

    def reject(self, count: int = 1) -> None:
        """Values came that do not count."""
        self.samples += count
        self.rejected += count

    def accept(self, count: int = 1) -> None:
        """Samples came that count."""
        self.samples += count
        self.accepted += count

    @property
    def is_on(self) -> bool:
        """Whether the relay is on."""
        return not is_missing(self._on_since)

    def change(self, t: float, change: Change) -> None:
        """The relay moved at `t` (s)."""
        self.energy.switch(t, on=change.position == Position.ON)
        self.note_change(t, change)
        self.lowest(change.state_of_charge)

    def note_change(self, t: float, change: Change) -> None:
        """List a change at `t` (s), and count the run that it begins or ends; energy and charge are seen to."""
        self.changes.append(change)
        if change.position == Position.ON:
            self._on_since = t
        else:
            self._end_run(t)
            self._on_since = MISSING

    def know(self, t: float, expires_at: float) -> None:
        """The state of charge counts until `expires_at` (s) after what came at `t`, or not at all if that is over."""
        before, lost_s = self.known_until, self.lost_s
        self.known_until, self.lost_s = know((before, lost_s), t, expires_at)
        if self.lost_s > lost_s:
            self.on_loss(before, t)

    def charge(self, stamp: float) -> None:
        """A state of charge measured at `stamp` (s) was accepted."""
        self.known_until = stamp + self._max_age_s

    def regain(self, t: float) -> None:
        """The state of charge is known again at `t` (s), if it had been lost."""
        if t > self.known_until:
            self.lost_s += t - self.known_until
            self.on_loss(self.known_until, t)

    def lose(self, t: float) -> None:
        """The state of charge was lost."""
        self.known_until = min(self.known_until, t)

    def lowest(self, state_of_charge: float) -> None:
        """Take a state of charge (percent) for the lowest one while on; NaN is none."""
        if self.is_on and state_of_charge < self.lowest_on:
            self.lowest_on = state_of_charge

    def summary(self, t: float) -> Summary:
        """Return the summary for a record that ends at `t` (s)."""
        self.energy.advance(t)
        self.regain(t)
        still_on = self.is_on
        if still_on:
            self._end_run(t)
        count, longest, shortest = self._runs
        parts = (self.energy.measured, self.energy.by_voltage, self.energy.by_rating)
        is_known = any(part.seconds for part in parts) or not self._on_time_s
        return Summary(
            span_s=t - self._began,
            switch_ons=count,
            on_time_s=self._on_time_s,
            longest_run_s=longest if count else MISSING,
            shortest_run_s=shortest if count else MISSING,
            still_on=still_on,
            data_lost_s=self.lost_s,
            lowest_state_of_charge_on=self.lowest_on if count and self.lowest_on < math.inf else MISSING,
            energy_wh=sum(part.wh for part in parts) if is_known else MISSING,
            measured=parts[0],
            by_voltage=parts[1],
            by_rating=parts[2],
            drawing_s=self.energy.drawing_s,
            assumed_s=self.energy.assumed_s,
        )

    def _end_run(self, t: float) -> None:
        run_s = t - self._on_since
        count, longest, shortest = self._runs
        self._runs = (count + 1, max(longest, run_s), min(shortest, run_s))
        self._on_time_s += run_s
