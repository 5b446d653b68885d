"""The JSON documents that go out over MQTT: status, change and alert."""

import json
import math
import re
from collections.abc import Callable
from typing import Any, NamedTuple

from dumpload import __version__
from dumpload.core.alerts import Alert, Raised, alert_name
from dumpload.core.contact import Evidence
from dumpload.core.controller import ControllerSettings, Decision, Lockout, State
from dumpload.core.explain import cause_name, outlook
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Position, Selector
from dumpload.core.signals import QUANTITIES, Signal, signal_name
from dumpload.core.state import heart_stops_at
from dumpload.core.text import utc_text
from dumpload.daemon.telemetry import Telemetry

Document = dict[str, Any]

WRONG_SIGN = (
    "the state of charge rises while battery power is negative: charging must be positive "
    "(set telemetry.battery_power.scale = -1)"
)


class Account(NamedTuple):
    """What the service knows and the controller does not. Times: monotonic s, Unix s; counts since start.

    `ended_runs_s`: on-time of the runs that have ended; the one that goes on is in the state.
    """

    t: float
    wall: float
    started_at: float
    boot_id: str
    sequence: int
    rejected: int
    faults: tuple[str, ...] = ()
    telemetry: Telemetry | None = None
    alerts: tuple[Raised, ...] = ()
    changes: int = 0
    ended_runs_s: float = 0.0


def position_name(position: Position) -> str:
    """Return "on" or "off"."""
    return position.name.lower()


def _number(value: float, digits: int = 3) -> float | None:
    return None if math.isnan(value) or math.isinf(value) else round(value, digits)


def _data_state(state: State, t: float) -> str:
    if not state.known.seen:
        return "none"
    return "live" if t < state.charge_expires_at else "lost"


def status_document(settings: ControllerSettings, state: State, account: Account) -> Document:
    """Return the retained status: what the load is doing, why, and what would change it."""
    t, wall = account.t, account.wall
    ahead = outlook(settings, state, t)
    charge = state.data[Signal.STATE_OF_CHARGE]
    data = _data_state(state, t)
    telemetry = account.telemetry or Telemetry()
    return {
        "relay": position_name(state.position),
        "cause": cause_name(state.cause),
        "since": utc_text(wall - (t - state.law.relay_since)),
        "selector": state.selector.name.lower(),
        "state_of_charge": _number(charge.value) if data == "live" else None,
        "data": data,
        "data_age_s": _number(t - charge.stamp),
        "next": {
            "relay": position_name(ahead.position),
            "condition": ahead.condition,
            "at": utc_text(wall + ahead.at - t) if math.isfinite(ahead.at) else None,
        },
        "lockout": None if state.lockout == Lockout.NONE else state.lockout.name.lower(),
        "notes": _notes(state, account, telemetry),
        "rejected": account.rejected,
        "at": utc_text(wall),
        "boot_id": account.boot_id,
        "sequence": account.sequence,
        "uptime_s": round(t - account.started_at, 1),
        "version": __version__,
        **_heard(settings, state, account, telemetry),
    }


def _notes(state: State, account: Account, telemetry: Telemetry) -> list[str]:
    notes = list(account.faults)
    if state.evidence == Evidence.OPEN_WHILE_ON:
        notes.append("on, but the heater draws no power: tank hot, or element or contact open")
    if telemetry.direction.wrong:
        notes.append(WRONG_SIGN)
    return notes


def _heard(settings: ControllerSettings, state: State, account: Account, telemetry: Telemetry) -> Document:
    """Return the details beside the decision; bounded, since it is retained at the broker."""
    t = account.t
    return {
        "name": telemetry.name,
        "timezone": telemetry.timezone,
        "hand_until": _hand_until(state, account),
        "signals": _signals(settings, state, account, telemetry),
        "rejections": _rejections(account, telemetry),
        "alerts": [_alert(alert) for alert in account.alerts],
        "confirm_elapsed_s": _number(_confirm_elapsed_s(settings, state, t), 1),
        "confirm_s": settings.limits.confirm_s,
        "on_time_today_s": round(_on_time_today_s(state, t), 1),
        "on_time_limit_s": _number(settings.permissives.max_on_per_day_s),
        "energy_today_wh": _number(telemetry.energy_today_wh(state, t), 1),
        "changes": account.changes,
        "on_time_s": round(account.ended_runs_s + (t - state.law.relay_since if _is_on(state) else 0.0), 1),
        "energy_wh": _number(telemetry.energy_wh, 1),
    }


def _alert(alert: Raised) -> dict[str, Any]:
    return {"alert": alert_name(alert.alert), "since": utc_text(alert.since), "text": alert.text}


def _is_on(state: State) -> bool:
    return state.position == Position.ON


def _hand_until(state: State, account: Account) -> str | None:
    until = state.known.hand_until
    is_by_hand = state.selector == Selector.HAND and math.isfinite(until)
    return utc_text(account.wall + until - account.t) if is_by_hand else None


def _signals(settings: ControllerSettings, state: State, account: Account, telemetry: Telemetry) -> Document:
    """Return the last accepted value of every configured signal."""
    t, stops_at = account.t, heart_stops_at(settings, state.data)
    signals = {}
    for signal, topic in sorted(telemetry.topics.items()):
        datum = state.data[signal + 0]
        expires_at = min(datum.expires_at, stops_at)
        is_live = t < expires_at
        data = "none" if is_missing(datum.stamp) else "live" if is_live else "lost"
        signals[signal_name(signal)] = {
            "value": _number(datum.value) if is_live and signal != Signal.HEARTBEAT else None,
            "unit": QUANTITIES[signal].unit,
            "age_s": _number(t - datum.stamp),
            "topic": topic,
            "state": data,
            "lost_at": utc_text(account.wall + expires_at - t)
            if data == "lost" and math.isfinite(expires_at)
            else None,
        }
    return signals


def _rejections(account: Account, telemetry: Telemetry) -> list[Document]:
    """Return the last values that did not count, one of each kind."""
    return [
        {
            "signal": signal_name(rejection.signal),
            "topic": rejection.topic,
            "reason": rejection.reason.value,
            "text": rejection.text,
            "count": rejection.times,
            "at": utc_text(account.wall - (account.t - rejection.t)),
        }
        for rejection in telemetry.rejected(account.t)
    ]


def _on_time_today_s(state: State, t: float) -> float:
    """Return the on-time of the local day up to now; between events it goes on by itself."""
    memory = state.permissives
    is_on = _is_on(state)
    if t >= state.day_ends_at:
        return t - state.day_ends_at if is_on else 0.0
    return memory.on_time_s + (max(0.0, t - memory.counted_at) if is_on else 0.0)


def _confirm_elapsed_s(settings: ControllerSettings, state: State, t: float) -> float:
    """Return for how long the charge has been high enough, up to `confirm_s`; NaN while nothing is being confirmed."""
    memory = state.law
    if memory.surplus or is_missing(memory.above_since):
        return MISSING
    return min(max(0.0, t - memory.heard_at), settings.limits.confirm_s)


def change_document(decision: Decision) -> Document:
    """Return the record of one relay change."""
    return {
        "at": utc_text(decision.wall),
        "relay": position_name(decision.position),
        "cause": cause_name(decision.cause),
        "previous_cause": cause_name(decision.previous_cause),
        "state_of_charge": _number(decision.state_of_charge),
        "after_s": _number(decision.after_s),
    }


def alert_document(alert: Alert, text: str, wall: float, *, begins: bool) -> Document:
    """Return the message that an alert begins or ends at `wall` (Unix s)."""
    return {
        "at": utc_text(wall),
        "alert": alert_name(alert),
        "state": "begins" if begins else "ends",
        "text": text,
    }


def to_json(document: Document) -> str:
    """Return a document as compact JSON."""
    return json.dumps(document, separators=(",", ":"), ensure_ascii=False)


def status_misfit(payload: Any) -> str:
    """Return the first key that does not fit a status document ("" if all fit): anybody may publish there."""
    if not isinstance(payload, dict):
        return "the whole document"
    # Keys that are not known here are no misfit: another version may have more.
    unfit = [key for key, fits in _STATUS.items() if key not in payload or not fits(payload[key])]
    unfit += [key for key, fits in _LATER.items() if key in payload and not fits(payload[key])]
    if not unfit and payload["state_of_charge"] is not None and payload["data_age_s"] is None:
        unfit = ["data_age_s"]
    return ", ".join(unfit)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < LARGEST


def _is_count(value: Any) -> bool:
    return _is_number(value) and value >= 0


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _is_moment(value: Any) -> bool:
    return isinstance(value, str) and re.fullmatch(_MOMENT, value) is not None


def _is_outlook(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and value.get("relay") in ("on", "off")
        and _is_text(value.get("condition"))
        and (value.get("at", "") is None or _is_moment(value.get("at")))
    )


def _is_number_or_null(value: Any) -> bool:
    return value is None or _is_number(value)


def _is_moment_or_null(value: Any) -> bool:
    return value is None or _is_moment(value)


def _is_signal(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and all(_is_text(value.get(key)) for key in ("unit", "topic", "state"))
        and all(_is_number_or_null(value.get(key)) for key in ("value", "age_s"))
        and _is_moment_or_null(value.get("lost_at"))
    )


def _is_rejection(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and all(_is_text(value.get(key)) for key in ("signal", "topic", "reason", "text"))
        and _is_number(value.get("count"))
        and _is_moment(value.get("at"))
    )


def _is_alert(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and all(_is_text(value.get(key)) for key in ("alert", "text"))
        and _is_moment(value.get("since"))
    )


_MOMENT = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z"
# A number beyond this is none of ours, and an integer may be too large even to be shown.
LARGEST = 1e15
_STATUS: dict[str, Callable[[Any], bool]] = {
    "relay": lambda value: value in ("on", "off"),
    "cause": _is_text,
    "since": _is_moment,
    "selector": _is_text,
    "state_of_charge": _is_number_or_null,
    "data": _is_text,
    "data_age_s": _is_number_or_null,
    "next": _is_outlook,
    "lockout": lambda value: value is None or _is_text(value),
    "notes": lambda value: isinstance(value, list) and all(map(_is_text, value)),
    "at": _is_moment,
    "boot_id": _is_text,
    "sequence": _is_number,
}

# What need not be there: earlier versions do not publish all of it.
_LATER: dict[str, Callable[[Any], bool]] = {
    "name": _is_text,
    "timezone": _is_text,
    "hand_until": _is_moment_or_null,
    "signals": lambda value: isinstance(value, dict) and all(map(_is_signal, value.values())),
    "rejections": lambda value: isinstance(value, list) and all(map(_is_rejection, value)),
    "alerts": lambda value: isinstance(value, list) and all(map(_is_alert, value)),
    "confirm_elapsed_s": _is_number_or_null,
    "confirm_s": _is_number,
    "on_time_today_s": _is_number,
    "on_time_limit_s": _is_number_or_null,
    "energy_today_wh": _is_number_or_null,
    "rejected": _is_count,
    "uptime_s": _is_number,
    "version": _is_text,
    "changes": _is_count,
    "on_time_s": _is_count,
    "energy_wh": lambda value: value is None or _is_count(value),
}
