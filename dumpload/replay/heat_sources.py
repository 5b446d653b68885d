"""Sources of the heat: the shares of battery and panels in the energy into the load.

At every moment with the relay on, the load takes L (W, as `totals.Energy` has it), the battery B (W, charging
positive) and the panels give S. The load is the last consumer: without it, the battery would have been L better off.

- from the battery: min(L, max(0, -B))
- from the panels:  min(what is left, max(0, S)); the rest came from another source (alternator, shore charger)
- of the panels' part, at a charge from `throttle_percent` on: it would otherwise have been throttled. That is an upper
  bound: the battery may still have been taking some. The lower bound takes off what the battery charges with less than
  at the switch-on, max(0, B(on) - max(0, B)): a battery held at the charger's set point takes ever less, never more.
- of the panels' part, below that charge: the battery would still have taken it.

Where a signal is not live, what needs it is not known. The parts add up to the energy into the load.
"""

from operator import add
from typing import NamedTuple

from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.signals import Signal
from dumpload.replay.totals import ENERGY_SIGNALS, NEVER_SEEN, SOC, Energy, LoadRating

# Signals of the source; what the split asks for beyond the energy into the load; and all that is summed up by.
SOURCE_SIGNALS = (Signal.BATTERY_POWER, Signal.SOLAR_POWER)
SPLIT_SIGNALS = (SOC, *SOURCE_SIGNALS)
SUMMED_SIGNALS = frozenset((*ENERGY_SIGNALS, *SPLIT_SIGNALS))


class HeatSources(NamedTuple):
    """The energy into the load by source, Wh; `not_known`: without a live signal for its source.

    `throttled` is an upper bound, `throttled_least` the lower one. `discharged`: all that the battery gave, on or off.
    `has_battery`, `has_solar`: whether that power was ever live; without it the parts that need it are not known.
    """

    battery: float = 0.0
    throttled: float = 0.0
    throttled_least: float = 0.0
    still_taken: float = 0.0
    other: float = 0.0
    not_known: float = 0.0
    discharged: float = 0.0
    has_battery: bool = False
    has_solar: bool = False

    @property
    def total(self) -> float:
        """Total energy into the load, Wh."""
        return self.battery + self.throttled + self.still_taken + self.other + self.not_known


class Moment(NamedTuple):
    """What is measured at one moment, W and percent; NaN: not live. `battery_at_on_w`: as the load was switched on."""

    battery_w: float
    solar_w: float
    charge: float
    battery_at_on_w: float


def split(wh: float, seconds: float, now: Moment, throttle_percent: float) -> HeatSources:
    """Return the sources of an energy (Wh) that the load took evenly within `seconds`, as the module says."""
    if is_missing(now.battery_w) or seconds <= 0 or wh <= 0:
        return HeatSources(not_known=wh)
    hours = seconds / 3600.0
    battery = min(wh, max(0.0, -now.battery_w) * hours)
    left = wh - battery
    if not left or is_missing(now.solar_w):
        return HeatSources(battery, not_known=left)
    panels = min(left, max(0.0, now.solar_w) * hours)
    other = left - panels
    if is_missing(now.charge):
        return HeatSources(battery, other=other, not_known=panels)
    if now.charge < throttle_percent:
        return HeatSources(battery, still_taken=panels, other=other)
    less = 0.0
    if is_missing(now.battery_at_on_w):
        less = panels
    else:
        less = max(0.0, max(0.0, now.battery_at_on_w) - max(0.0, now.battery_w)) * hours
    return HeatSources(battery, panels, max(0.0, panels - less), other=other)


class SourcedEnergy(Energy):
    """The energy into the load, split by source, too. `throttle_percent`: from there the charger throttles."""

    def __init__(self, load: LoadRating, t: float, throttle_percent: float) -> None:
        super().__init__(load, t)
        self._sums: HeatSources | None = None  # until a signal of a source is live
        self._discharged_wh = 0.0
        self._throttle_percent = throttle_percent
        self._battery_at_on_w = MISSING
        self.last |= dict.fromkeys(SPLIT_SIGNALS, NEVER_SEEN)
        self._seen: set[Signal] = set()  # of the sources

    @property
    def sources(self) -> HeatSources:
        """The sources of the energy so far."""
        if self._sums is None:
            return HeatSources(not_known=self.wh)
        has_battery, has_solar = (signal in self._seen for signal in SOURCE_SIGNALS)
        return self._sums._replace(discharged=self._discharged_wh, has_battery=has_battery, has_solar=has_solar)

    def note(self, signal: Signal, value: float, t: float, expires_at: float) -> None:
        """Take a value, good until it expires; of the charge and the powers of the sources, too."""
        if signal not in self.last:
            return
        if signal in SOURCE_SIGNALS and signal not in self._seen and t < expires_at and not is_missing(value):
            self._see(signal, t)
        # Else only where the compiled tally adds up, too: the last bit of a sum depends on it.
        if self.at < t and (self._sums is not None or signal in ENERGY_SIGNALS):
            self.advance(t)
        self.last[signal] = (value, expires_at)

    def _see(self, signal: Signal, t: float) -> None:
        self._seen.add(signal)
        if self._sums is None:
            self.advance(t)
            self._sums = HeatSources(not_known=self.wh)

    def switch(self, t: float, *, on: bool) -> None:
        """The relay moved."""
        super().switch(t, on=on)
        self._battery_at_on_w = self._live(Signal.BATTERY_POWER, t) if on else MISSING

    def advance(self, t: float) -> None:
        """Add up to `t` (s), in parts within which no signal of a source expires."""
        begin = self.at
        if self._sums is None or not self.is_on:
            super().advance(t)
        while self.at < t:
            ends = [self.last[signal][1] for signal in SPLIT_SIGNALS]
            self._advance_part(min((t, *(end for end in ends if self.at < end))))
        battery_w, until = self.last[Signal.BATTERY_POWER]
        if battery_w < 0.0 and begin < until and self._sums is not None:
            self._discharged_wh -= battery_w * (min(t, until) - begin) / 3600.0

    def _advance_part(self, t: float) -> None:
        begin, before_wh, before_s = self.at, self.wh, self._known_s()
        super().advance(t)
        wh = self.wh - before_wh
        if self._sums is not None and wh:
            battery_w, solar_w, charge = (self._live(signal, begin) for signal in (*SOURCE_SIGNALS, SOC))
            now = Moment(battery_w, solar_w, charge, self._battery_at_on_w)
            part = split(wh, self._known_s() - before_s, now, self._throttle_percent)
            self._sums = HeatSources(*map(add, self._sums[:6], part[:6]))

    def _known_s(self) -> float:
        return self.measured.seconds + self.by_voltage.seconds + self.by_rating.seconds

    def _live(self, signal: Signal, t: float) -> float:
        value, expires_at = self.last[signal]
        return value if t < expires_at else MISSING
