"""What the daemon promises to publish, key by key, and an example of it."""

import time
from typing import Any

import jsonschema
from scripted_broker import Peer

from dumpload import __version__
from dumpload.core.alerts import Alert, alert_name
from dumpload.core.decode import Reason
from dumpload.core.explain import cause_name
from dumpload.core.law import Cause
from dumpload.core.signals import Signal, signal_name
from dumpload.core.text import utc_text

# RFC 3339 in UTC, with milliseconds.
MOMENT = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$"}

PERCENT_OR_NULL = {"type": ["number", "null"], "minimum": 0, "maximum": 100}
SECONDS_OR_NULL = {"type": ["number", "null"]}
CAUSE = {"enum": sorted(cause_name(cause) for cause in Cause if cause != Cause.NONE)}
ON_OR_OFF = {"enum": ["on", "off"]}
COUNT = {"type": "integer", "minimum": 0}


def closed(properties: dict[str, Any]) -> dict[str, Any]:
    """An object with exactly these members."""
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


ALERT_NAME = {"enum": sorted(alert_name(alert) for alert in Alert)}
ALERT_TEXT = {"type": "string", "minLength": 1, "maxLength": 200}
MOMENT_OR_NULL = {"anyOf": [MOMENT, {"type": "null"}]}
SIGNAL = closed(
    {
        "value": {"type": ["number", "null"]},
        "unit": {"type": "string", "minLength": 1},
        "age_s": SECONDS_OR_NULL,
        "topic": {"type": "string", "minLength": 1},
        "state": {"enum": ["live", "lost", "none"]},
        "lost_at": MOMENT_OR_NULL,
    }
)
REJECTION = closed(
    {
        "signal": {"enum": [signal_name(signal) for signal in Signal]},
        "topic": {"type": "string", "minLength": 1},
        "reason": {"enum": [reason.value for reason in Reason]},
        "text": {"type": "string", "maxLength": 240},
        "count": COUNT,
        "at": MOMENT,
    }
)

STATUS = jsonschema.Draft202012Validator(
    closed(
        {
            "relay": ON_OR_OFF,
            "cause": CAUSE,
            "since": MOMENT,
            "selector": {"enum": ["hand", "off", "auto"]},
            "state_of_charge": PERCENT_OR_NULL,
            "data": {"enum": ["live", "lost", "none"]},
            "data_age_s": SECONDS_OR_NULL,
            "next": closed(
                {
                    "relay": ON_OR_OFF,
                    "condition": {"type": "string", "minLength": 1},
                    "at": {"anyOf": [MOMENT, {"type": "null"}]},
                }
            ),
            "lockout": {"enum": [None, "contact_closed", "pin_fault"]},
            "notes": {"type": "array", "items": {"type": "string"}},
            "rejected": COUNT,
            "at": MOMENT,
            "boot_id": {"type": "string", "minLength": 8},
            "sequence": COUNT,
            "uptime_s": {"type": "number", "minimum": 0},
            "version": {"const": __version__},
            "name": {"type": "string", "minLength": 1},
            "timezone": {"type": "string", "minLength": 1},
            "hand_until": MOMENT_OR_NULL,
            "signals": {
                "type": "object",
                "propertyNames": {"enum": [signal_name(signal) for signal in Signal]},
                "additionalProperties": SIGNAL,
            },
            "rejections": {"type": "array", "maxItems": 8, "items": REJECTION},
            "alerts": {
                "type": "array",
                "maxItems": len(Alert),
                "items": closed({"alert": ALERT_NAME, "since": MOMENT, "text": ALERT_TEXT}),
            },
            "confirm_elapsed_s": {"type": ["number", "null"], "minimum": 0, "maximum": 3600},
            "confirm_s": {"type": "number", "minimum": 0, "maximum": 3600},
            "on_time_today_s": {"type": "number", "minimum": 0, "maximum": 90_000},
            "on_time_limit_s": SECONDS_OR_NULL,
            "energy_today_wh": {"type": ["number", "null"], "minimum": 0},
            "changes": COUNT,
            "on_time_s": {"type": "number", "minimum": 0},
            "energy_wh": {"type": ["number", "null"], "minimum": 0},
        }
    )
)

CHANGE = jsonschema.Draft202012Validator(
    closed(
        {
            "at": MOMENT,
            "relay": ON_OR_OFF,
            "cause": CAUSE,
            "previous_cause": CAUSE,
            "state_of_charge": PERCENT_OR_NULL,
            "after_s": {"type": "number", "minimum": 0},
        }
    )
)

ALERT = jsonschema.Draft202012Validator(
    closed({"at": MOMENT, "alert": ALERT_NAME, "state": {"enum": ["begins", "ends"]}, "text": ALERT_TEXT})
)

BASE = "dumpload/barge"
BOOT = "5eed5eed"


def signal(value: float | None, unit: str, topic: str, age_s: float | None, **changes: Any) -> dict[str, Any]:
    """One signal in a status."""
    return {"value": value, "unit": unit, "age_s": age_s, "topic": topic, "state": "live", "lost_at": None, **changes}


def status(**changes: Any) -> dict[str, Any]:
    """What a daemon with nothing to do publishes."""
    return {
        "relay": "off",
        "cause": "below_cut_in",
        "since": "2025-06-16T10:02:03.000Z",
        "selector": "auto",
        "state_of_charge": 91.5,
        "data": "live",
        "data_age_s": 2.4,
        "next": {
            "relay": "on",
            "condition": "the state of charge is at or above 97 % for 30 s",
            "at": None,
        },
        "lockout": None,
        "notes": [],
        "rejected": 0,
        "at": utc_text(time.time()),
        "boot_id": BOOT,
        "sequence": 7,
        "uptime_s": 100.0,
        "version": "0.1.0",
        "name": "barge",
        "timezone": "UTC",
        "hand_until": None,
        "signals": {"state_of_charge": signal(91.5, "percent", "barge/bank", 2.4)},
        "rejections": [],
        "alerts": [],
        "confirm_elapsed_s": None,
        "confirm_s": 30.0,
        "on_time_today_s": 3900.0,
        "on_time_limit_s": None,
        "energy_today_wh": None,
        "changes": 6,
        "on_time_s": 5400.0,
        "energy_wh": None,
        **changes,
    }


def topic(leaf: str) -> str:
    return f"{BASE}/{leaf}"


def retained(peer: Peer, leaf: str, payload: str) -> bytes:
    return peer.message(topic(leaf), payload.encode(), retain=True)
