"""The JSON documents that go out over MQTT: status and change. Builds them; sends nothing, decides nothing."""

import json
import math
from typing import Any, NamedTuple

from dumpload import __version__
from dumpload.core.contact import Evidence
from dumpload.core.controller import ControllerSettings, Decision, Lockout, State
from dumpload.core.explain import cause_name, outlook
from dumpload.core.law import Position
from dumpload.core.signals import Signal
from dumpload.core.window import utc_text

Document = dict[str, Any]


class Account(NamedTuple):
    """What the service knows and the controller does not. Times: monotonic s, Unix s; counts since start."""

    t: float
    wall: float
    started_at: float
    boot_id: str
    sequence: int
    rejected: int
    faults: tuple[str, ...] = ()


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
    notes = list(account.faults)
    if state.evidence == Evidence.OPEN_WHILE_ON:
        notes.append("on, but the load draws no power: tank hot, or element or contact open")
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
        "notes": notes,
        "rejected": account.rejected,
        "at": utc_text(wall),
        "boot_id": account.boot_id,
        "sequence": account.sequence,
        "uptime_s": round(t - account.started_at, 1),
        "version": __version__,
    }


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


def to_json(document: Document) -> str:
    """Return a document as compact JSON."""
    return json.dumps(document, separators=(",", ":"), ensure_ascii=False)
