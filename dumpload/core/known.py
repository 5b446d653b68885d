"""From events to data: which samples are accepted, and the data after each event. No decision is made here."""

from dumpload.core.freshness import NEVER, Datum, admit, is_missing
from dumpload.core.law import Selector
from dumpload.core.signals import Signal, in_range
from dumpload.core.state import ControllerSettings, Data, Event, Kind, Known, Lockout, charge_expires_at


def is_believed(settings: ControllerSettings, event: Event) -> bool:
    """Return whether an event is a sample that counts: in range, and not so late that it is already too old."""
    if event.kind != Kind.SAMPLE:
        return False
    expires_at = measured_at(event) + settings.max_age_s[event.signal + 0]
    return in_range(event.signal, event.value) and event.t < expires_at


def measured_at(event: Event) -> float:
    """Return when a sample was measured (s): nothing is in the future, and a missing stamp stays missing (NaN)."""
    # Written so that NaN falls through: `min` would return whichever came first.
    return event.t if event.t < event.stamp else event.stamp


def learn(settings: ControllerSettings, known: Known, event: Event, accepted: bool) -> Known:
    """Return the data after an event; an expired hand becomes auto."""
    kind = event.kind
    if kind == Kind.SAMPLE:
        if accepted:
            known = take_sample(settings, known, event)
    elif kind == Kind.HELD:
        known = know(known, replace(known.data, event.signal, hold(settings, known.data, event)))
    elif kind == Kind.UNKNOWN:
        known = know(known, replace(known.data, event.signal, lose(known.data[event.signal + 0], event.t)))
    elif kind == Kind.ABSENT:
        known = know(known, lose_all(known.data, event.t))
    elif kind == Kind.SELECT:
        known = select(known, event.selector, event.until if event.selector == Selector.HAND else NEVER)
    elif kind == Kind.FEEDBACK:
        known = Known(known.data, known.seen, known.selector, known.hand_until, known.lockout, event.feedback)
    elif kind == Kind.RESET:
        known = lock_out(known, Lockout.NONE)
    elif kind == Kind.PIN_FAULT or kind == Kind.ASSUME_ON:
        known = lock_out(known, Lockout.PIN_FAULT)
    return end_hand(known, event.t)


def end_hand(known: Known, t: float) -> Known:
    """Return the same with hand turned into auto if it has expired at `t` (s) or has no end (NaN)."""
    return known if t < known.hand_until else select(known, Selector.AUTO, NEVER)


def take_sample(settings: ControllerSettings, known: Known, event: Event) -> Known:
    """Return the data after an accepted sample."""
    datum = admit(event.value, measured_at(event), settings.max_age_s[event.signal + 0])
    if event.signal == Signal.HEARTBEAT:
        datum = take_beat(known.data.heartbeat, datum)
    data = replace(known.data, event.signal, datum)
    has_charge = known.seen or event.t < charge_expires_at(settings, data)
    return Known(data, has_charge, known.selector, known.hand_until, known.lockout, known.feedback)


def take_beat(last: Datum, beat: Datum) -> Datum:
    """Return the heartbeat's datum after one more: only another value than the last one shows that the source lives."""
    # The first beat shows nothing: it is what a bridge hands over that has been repeating its last values since the
    # source died, and a restart of ours would else trust them for one more age. It is kept, so that the second one can
    # differ from it, but as expired since ever.
    if is_missing(last.value):
        return Datum(beat.value, beat.stamp, -NEVER)
    return last if beat.value == last.value else beat


def know(known: Known, data: Data) -> Known:
    """Return the same with new data."""
    return Known(data, known.seen, known.selector, known.hand_until, known.lockout, known.feedback)


def select(known: Known, selector: Selector, hand_until: float) -> Known:
    """Return the same with the selector moved; hand ends at `hand_until` (s)."""
    return Known(known.data, known.seen, selector, hand_until, known.lockout, known.feedback)


def lock_out(known: Known, lockout: Lockout) -> Known:
    """Return the same with this lockout."""
    return Known(known.data, known.seen, known.selector, known.hand_until, lockout, known.feedback)


def replace(data: Data, signal: Signal, datum: Datum) -> Data:
    """Return the data with another datum for one signal."""
    charge, voltage, power, load, solar, tank, heart = data
    if signal == Signal.STATE_OF_CHARGE:  # most of what is heard
        return Data(datum, voltage, power, load, solar, tank, heart)
    return Data(
        charge,
        datum if signal == Signal.BATTERY_VOLTAGE else voltage,
        datum if signal == Signal.BATTERY_POWER else power,
        datum if signal == Signal.LOAD_POWER else load,
        datum if signal == Signal.SOLAR_POWER else solar,
        datum if signal == Signal.TANK_TEMPERATURE else tank,
        datum if signal == Signal.HEARTBEAT else heart,
    )


def hold(settings: ControllerSettings, data: Data, event: Event) -> Datum:
    """Return a signal's datum, counting as measured again at the event's stamp."""
    datum = data[event.signal + 0]
    # What never counted does not count now: a replay took the first beat of a history, which shows no life yet, for a
    # live one.
    if datum.expires_at == -NEVER:
        return datum
    expires_at = event.stamp + settings.max_age_s[event.signal + 0]
    return Datum(datum.value, datum.stamp, expires_at if expires_at > datum.expires_at else datum.expires_at)


def lose(datum: Datum, t: float) -> Datum:
    """Return a datum that is live no longer than `t` (s)."""
    return Datum(datum.value, datum.stamp, min(datum.expires_at, t))


def lose_all(data: Data, t: float) -> Data:
    """Return the data, none of which is live at `t` (s)."""
    charge, voltage, power, load, solar, tank, heart = data
    return Data(
        lose(charge, t), lose(voltage, t), lose(power, t), lose(load, t), lose(solar, t), lose(tank, t), lose(heart, t)
    )
