"""What a replay adds up: changes, runs, lost data, lowest charge, energy. Counts; decides nothing.

Keeps a few numbers and the list of changes, so that a record may be of any length.
"""

import math
from collections.abc import Callable
from enum import IntEnum
from typing import NamedTuple

from dumpload.core.contact import LOAD_PRESENT_W
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.signals import Signal

SECONDS_PER_DAY = 86_400.0
SOC = Signal.STATE_OF_CHARGE

# What tells of the energy into the load.
ENERGY_SIGNALS = (Signal.LOAD_POWER, Signal.BATTERY_VOLTAGE)


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
        """Return the share with so much more."""
        return EnergyShare(self.wh + power_w * seconds / 3600.0, self.seconds + seconds)


class Summary(NamedTuple):
    """What a replay came to; seconds, Wh, percent. `energy_wh`: NaN if no source gives any power.

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
        """How many days the record spans."""
        return self.span_s / SECONDS_PER_DAY

    @property
    def on_time_per_day_s(self) -> float:
        """On-time a day, at this rate; NaN for a record without duration."""
        return self.on_time_s / self.days if self.span_s > 0 else MISSING

    @property
    def switch_ons_per_day(self) -> float:
        """Switch-ons a day, at this rate; NaN for a record without duration."""
        return self.switch_ons / self.days if self.span_s > 0 else MISSING


class PowerSource(IntEnum):
    """Where the power into the load comes from."""

    NONE = 0
    MEASURED = 1
    VOLTAGE = 2
    RATING = 3


def drawn_w(load: LoadRating, measured_w: float, volts: float, *, was_on: bool | None) -> tuple[PowerSource, float]:
    """Return where the power into the load while its relay is on comes from, and the power itself (W, NaN: not known).

    `measured_w`, `volts`: the recorded load power and bus voltage, NaN where they are not live. `was_on`: whether the
    recorded relay was on (None: the record does not say). A load that was off draws nothing, which says nothing of what
    it would have drawn under other settings: that is V^2/R, or the rating. One that was on and drew nothing had its
    thermostat open, and keeps it so. Where the record does not say, no power is taken for a load that was off.
    """
    if measured_w > LOAD_PRESENT_W or (was_on and not is_missing(measured_w)):
        return PowerSource.MEASURED, measured_w
    if not is_missing(volts) and not is_missing(load.ohm):
        return PowerSource.VOLTAGE, volts * volts / load.ohm
    return (PowerSource.NONE if is_missing(load.rated_w) else PowerSource.RATING), load.rated_w


class Energy:
    """The energy into the load while the relay is on, by `drawn_w` at every moment.

    A value counts until the next one, at most as long as it is live.
    """

    def __init__(self, load: LoadRating, t: float) -> None:
        """Start at `t` (s) with the relay off, and not knowing whether the recorded one is on."""
        self._rating = load
        self._at = t
        self._on = False
        self._was_on: bool | None = None
        self._load = (MISSING, -math.inf)
        self._voltage = (MISSING, -math.inf)
        self._shares = [EnergyShare()] * len(PowerSource)
        self.drawing_s = self.assumed_s = 0.0

    @property
    def measured(self) -> EnergyShare:
        """The share that was measured."""
        return self._shares[PowerSource.MEASURED]

    @property
    def by_voltage(self) -> EnergyShare:
        """The share by the bus voltage and the load's resistance."""
        return self._shares[PowerSource.VOLTAGE]

    @property
    def by_rating(self) -> EnergyShare:
        """The share by the load's rating."""
        return self._shares[PowerSource.RATING]

    @property
    def wh(self) -> float:
        """All of it so far; 0 where no source gives any power."""
        return self.measured.wh + self.by_voltage.wh + self.by_rating.wh

    def note(self, signal: Signal, value: float, t: float, expires_at: float) -> None:
        """Take a measured load power (W) or bus voltage (V), good until it expires; other signals are no concern."""
        if signal == Signal.LOAD_POWER:
            self.advance(t)
            self._load = (value, expires_at)
        elif signal == Signal.BATTERY_VOLTAGE:
            self.advance(t)
            self._voltage = (value, expires_at)

    def extend(self, signal: Signal, expires_at: float) -> None:
        """Have the last value of a signal count longer."""
        if signal == Signal.LOAD_POWER:
            self._load = (self._load[0], expires_at)
        elif signal == Signal.BATTERY_VOLTAGE:
            self._voltage = (self._voltage[0], expires_at)

    def switch(self, t: float, *, on: bool) -> None:
        """The relay moved."""
        self.advance(t)
        self._on = on

    def switch_recorded(self, t: float, *, on: bool) -> None:
        """The recorded relay moved; a replayed one is another."""
        self.advance(t)
        self._was_on = on

    def advance(self, t: float) -> None:
        """Add up to `t` (s)."""
        begin, self._at = self._at, t
        if not self._on:
            return
        while begin < t:
            measured_w, volts, end = MISSING, MISSING, t
            if begin < self._load[1]:
                measured_w, end = self._load[0], min(end, self._load[1])
            if begin < self._voltage[1]:
                volts, end = self._voltage[0], min(end, self._voltage[1])
            source, power_w = drawn_w(self._rating, measured_w, volts, was_on=self._was_on)
            if source:
                self._shares[source] = self._shares[source].plus(power_w, end - begin)
            if source == PowerSource.MEASURED:
                self.drawing_s += end - begin if power_w > LOAD_PRESENT_W else 0.0
            elif not is_missing(measured_w):
                self.assumed_s += end - begin
            begin = end


class Totals:
    """Counts what happens in one replay."""

    def __init__(self, load: LoadRating, t: float, max_age_s: float) -> None:
        """Start at `t` (s), relay off and nothing known; the state of charge counts for `max_age_s`.

        `on_loss` is told from when to when (s) it was not known.
        """
        self.on_loss: Callable[[float, float], None] = lambda _begin, _end: None
        self.energy = Energy(load, t)
        self.changes: list[Change] = []
        self.samples = self.accepted = self.rejected = 0
        self._max_age_s = max_age_s
        self._began = self._known_until = t
        self._lost_s = self._on_time_s = 0.0
        self._on_since = MISSING
        self._runs: tuple[int, float, float] = (0, -math.inf, math.inf)
        self._lowest = math.inf

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
        self.changes.append(change)
        self.energy.switch(t, on=change.position == Position.ON)
        if change.position == Position.ON:
            self._on_since = t
            self.lowest(change.state_of_charge)
        else:
            self._end_run(t)
            self._on_since = MISSING

    def take_charge(self, t: float, stamp: float, percent: float) -> None:
        """A state of charge measured at `stamp` (s) came at `t` and was accepted."""
        if t > self._known_until:
            self.regain(t)
        self._known_until = min(stamp, t) + self._max_age_s
        if percent < self._lowest and self.is_on:
            self._lowest = percent

    def charge(self, stamp: float) -> None:
        """A state of charge measured at `stamp` (s) was accepted."""
        self._known_until = stamp + self._max_age_s

    def regain(self, t: float) -> None:
        """The state of charge is known again at `t` (s), if it had been lost."""
        if t > self._known_until:
            self._lost_s += t - self._known_until
            self.on_loss(self._known_until, t)

    def lose(self, t: float) -> None:
        """The state of charge is not known any more."""
        self._known_until = min(self._known_until, t)

    def lowest(self, state_of_charge: float) -> None:
        """Take a state of charge (percent) for the lowest one while on; NaN is none."""
        if self.is_on and state_of_charge < self._lowest:
            self._lowest = state_of_charge

    def summary(self, t: float) -> Summary:
        """Return what it comes to if the record ends at `t` (s)."""
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
            data_lost_s=self._lost_s,
            lowest_state_of_charge_on=self._lowest if count and self._lowest < math.inf else MISSING,
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
