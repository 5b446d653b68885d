"""Alerts for an unattended heater: faults that have lasted long enough to report. Pure and clockless.

An alert is news, not a veto: the law knows nothing of it, and nothing here reaches the relay.
"""

from enum import IntEnum
from typing import NamedTuple

from dumpload.core.freshness import is_missing
from dumpload.core.signals import Signal, signal_name
from dumpload.core.state import ControllerSettings, Lockout, State
from dumpload.core.text import duration
from dumpload.core.window import DAY_S

# Starts of the program are counted over this long.
STARTS_WITHIN_S = DAY_S

# A history that cannot be written for less than this is none: a backup may have the file locked for a moment.
HISTORY_FAULT_S = 60.0


class Alert(IntEnum):
    """Kinds of alert. Published by name, in lower case."""

    DATA_LOST = 0  # a signal that the law needs has had no valid value for long
    NO_SURPLUS = 1  # the battery has not been full enough for days
    LOCKOUT = 2  # the contact was found closed although commanded off
    PIN_FAULT = 3  # the relay's pin cannot be driven or read back
    HISTORY_FAULT = 4  # the history cannot be written
    RESTARTS = 5  # the program starts again and again


class AlertLimits(NamedTuple):
    """From when on there is an alert: s, s, and starts in a day. NaN: never."""

    data_lost_s: float
    no_surplus_s: float
    restarts: float


class Facts(NamedTuple):
    """What is so now: how long `lost` has had no valid value (s, 0: it has one), since the last surplus (s), and so on.

    `history_fault_s`: for how long the history cannot be written (s, 0: it can); `starts`: of the program, in a day.
    """

    lost_s: float
    lost: Signal
    no_surplus_s: float
    lockout: Lockout
    history_fault_s: float
    history_words: str
    starts: int


class Raised(NamedTuple):
    """An alert that is on: since when (Unix s), and the words that it began with."""

    alert: Alert
    since: float
    text: str


def alert_name(alert: Alert) -> str:
    """Return the published name, such as `data_lost`."""
    return alert.name.lower()


def active_alerts(limits: AlertLimits, before: frozenset[Alert], facts: Facts) -> frozenset[Alert]:
    """Return which alerts are on now; `before`: those that were."""
    # What has begun ends only with a valid value, or with the fault: after a restart both are timed anew from 0, and an
    # alert that ended there would come again a while later.
    was_lost, was_at_fault = Alert.DATA_LOST in before, Alert.HISTORY_FAULT in before
    is_on = {
        Alert.DATA_LOST: facts.lost_s > 0 if was_lost else facts.lost_s >= limits.data_lost_s,
        Alert.NO_SURPLUS: facts.no_surplus_s >= limits.no_surplus_s,
        Alert.LOCKOUT: facts.lockout == Lockout.CONTACT_CLOSED,
        Alert.PIN_FAULT: facts.lockout == Lockout.PIN_FAULT,
        Alert.HISTORY_FAULT: facts.history_fault_s > 0 if was_at_fault else facts.history_fault_s >= HISTORY_FAULT_S,
        Alert.RESTARTS: facts.starts >= limits.restarts,
    }
    return frozenset(alert for alert, so in is_on.items() if so)


def needed_signals(settings: ControllerSettings) -> tuple[Signal, ...]:
    """Return the signals without which the load cannot run."""
    limits = settings.permissives
    needs = (
        (Signal.STATE_OF_CHARGE, 0.0),
        (Signal.HEARTBEAT, settings.max_age_s[Signal.HEARTBEAT]),
        (Signal.BATTERY_VOLTAGE, limits.voltage_cut_out_v),
        (Signal.TANK_TEMPERATURE, limits.tank_cut_out_c),
        (Signal.BATTERY_POWER, limits.drain_limit_w),
    )
    return tuple(signal for signal, limit in needs if not is_missing(limit))


def longest_lost(settings: ControllerSettings, state: State, started_at: float) -> tuple[Signal, float]:
    """Return which needed signal has been without a valid value for longest, and since when (s; later than now: none).

    One that has never had a value has been lost since the start (`started_at`, s).
    """
    first = min(needed_signals(settings), key=lambda signal: state.data[signal].expires_at)
    return first, max(started_at, state.data[first].expires_at)


def begin_words(alert: Alert, limits: AlertLimits, facts: Facts) -> str:
    """Return the text of an alert that begins."""
    return {
        Alert.DATA_LOST: f"no valid {signal_name(facts.lost).replace('_', ' ')} for {duration(facts.lost_s)}",
        Alert.NO_SURPLUS: f"no surplus for {facts.no_surplus_s / DAY_S:.3g} days",
        Alert.LOCKOUT: "locked out: contact closed although commanded off; inspect, then reset",
        Alert.PIN_FAULT: "locked out: the pin cannot be driven or read back; inspect, then reset",
        Alert.HISTORY_FAULT: f"the history is not being recorded properly: {facts.history_words}",
        Alert.RESTARTS: f"started {facts.starts} times within 24 h (alert.restarts_per_day is {limits.restarts:.0f})",
    }[alert]


END_WORDS = {
    Alert.DATA_LOST: "valid data again",
    Alert.NO_SURPLUS: "surplus again",
    Alert.LOCKOUT: "the lockout was reset",
    Alert.PIN_FAULT: "the lockout was reset",
    Alert.HISTORY_FAULT: "the history is being recorded again",
    Alert.RESTARTS: "the restarts have stopped",
}
