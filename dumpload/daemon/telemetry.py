"""Telemetry for the status: topics, rejections, energy, a wrong sign.

Everything is bounded: a signal has one topic, and there are as many kinds as reasons.
"""

from collections.abc import Mapping
from typing import NamedTuple

from dumpload.core.controller import State
from dumpload.core.decode import Field, Reason, Rejection
from dumpload.core.direction import Direction, observe
from dumpload.core.freshness import MISSING, is_missing, live_value
from dumpload.core.printable import one_line
from dumpload.core.rejections import clock_ahead_s, why_rejected
from dumpload.core.signals import Signal
from dumpload.core.topics import InboundMessage
from dumpload.core.window import HOUR_S

# How long a rejection is shown, and how many kinds of them at most, the latest first.
SHOWN_S = 600.0
SHOWN_KINDS = 8
WORDS_CHARACTERS = 240

# Words are found anew this long after the last time: a flood must not cost more than a count.
WORDS_EVERY_S = 60.0


class Rejected(NamedTuple):
    """One kind of rejection: how often in this bout, when last and when first described (monotonic s)."""

    signal: Signal
    reason: Reason
    topic: str
    times: int
    t: float
    text: str
    worded_at: float


class Telemetry:
    """The telemetry received. Times: monotonic s."""

    def __init__(
        self, *, name: str = "dumpload", timezone: str = "UTC", fields: Mapping[str, tuple[Field, ...]] | None = None
    ) -> None:
        """Start empty. `timezone` is shown in the status."""
        self.name, self.timezone = name, timezone
        self.take_fields(fields or {})
        self.direction = Direction()
        self._rejected: dict[tuple[Signal, Reason], Rejected] = {}
        self._total_wh, self._energy_wh, self._day = 0.0, 0.0, -1
        self._power_w, self._power_until, self._counted_at = 0.0, MISSING, MISSING

    def take_fields(self, fields: Mapping[str, tuple[Field, ...]]) -> None:
        """Take the signals that each topic carries."""
        self._fields = fields
        self.topics = {field.signal: topic for topic, carried in fields.items() for field in carried}

    def take(self, signal: Signal, state: State, t: float) -> None:
        """Take a sample that counted; the state knows it already."""
        if signal in (Signal.STATE_OF_CHARGE, Signal.BATTERY_POWER) and Signal.BATTERY_POWER in self.topics:
            charge, power = live_value(state.data.state_of_charge, t), live_value(state.data.battery_power, t)
            self.direction = observe(self.direction, t, charge, power)
        if signal == Signal.LOAD_POWER:
            self._count_energy(state, t)
            load = state.data.load_power
            self._power_w, self._power_until = max(0.0, load.value), load.expires_at

    def _count_energy(self, state: State, t: float) -> None:
        """Count each value from its arrival to the next one's, or to where it is no longer live."""
        more_wh = 0.0
        if not is_missing(self._counted_at):
            more_wh = self._power_w * max(0.0, min(t, self._power_until) - self._counted_at) / HOUR_S
        self._total_wh += more_wh
        # Midnight: what little ran across it is not shared out.
        if state.permissives.day != self._day:
            self._day, self._energy_wh = state.permissives.day, 0.0
        else:
            self._energy_wh += more_wh
        self._counted_at = t

    @property
    def energy_wh(self) -> float:
        """The measured energy since the start (Wh), up to the last sample; NaN without the load's power."""
        return self._total_wh if Signal.LOAD_POWER in self.topics else MISSING

    def energy_today_wh(self, state: State, t: float) -> float:
        """Return the measured energy of the local day since the start (Wh); NaN without the load's power."""
        if Signal.LOAD_POWER not in self.topics:
            return MISSING
        is_today = state.permissives.day == self._day and t < state.day_ends_at
        return self._energy_wh if is_today else 0.0

    def reject(self, rejection: Rejection, arrival: InboundMessage) -> None:
        """Count a rejected value."""
        key = rejection.signal, rejection.reason
        last = self._rejected.get(key)
        if last is None or arrival.t - last.t > SHOWN_S or arrival.t - last.worded_at >= WORDS_EVERY_S:
            times = 0 if last is None or arrival.t - last.t > SHOWN_S else last.times
            text = self._words(rejection, arrival)
            last = Rejected(rejection.signal, rejection.reason, arrival.topic, times, arrival.t, text, arrival.t)
        self._rejected[key] = last._replace(times=last.times + 1, t=arrival.t)

    def rejected(self, t: float) -> list[Rejected]:
        """Return what was rejected in the last minutes, the latest first."""
        recent = [rejection for rejection in self._rejected.values() if t - rejection.t <= SHOWN_S]
        return sorted(recent, key=lambda rejection: -rejection.t)[:SHOWN_KINDS]

    def _words(self, rejection: Rejection, arrival: InboundMessage) -> str:
        carried = {field.signal: field for field in self._fields.get(arrival.topic, ())}
        field = carried.get(rejection.signal)
        if field is None:
            return ""
        ahead_s = clock_ahead_s(arrival.payload, field, arrival.wall)
        if rejection.reason == Reason.TOO_OLD and not -ahead_s > field.max_age_s:
            # Young by its own time: the controller has a later one.
            return ""
        text = why_rejected(rejection.reason, field, arrival.topic, arrival.payload, ahead_s)
        return one_line(text, WORDS_CHARACTERS)
