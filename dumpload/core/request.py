"""Parse a request to the running daemon: a request, or a refusal with its reason. Never raises.

A request moves the selector or resets a lockout; it never defeats a veto.
"""

import math
from typing import Any, NamedTuple

from dumpload.core.decode import Reason, parse_json, parse_rfc3339
from dumpload.core.freshness import MISSING
from dumpload.core.law import Selector
from dumpload.core.text import duration

# A request issued longer ago than this is expired (our choice, no source).
MAX_AGE_S = 60.0

# How much of what was sent a refusal repeats.
SHOWN_CHARACTERS = 40

# What is asked for longer than ten years is not a time to repeat.
_NO_TIME_S = 3.2e8

_KEYS = {"selector", "for_s", "reset", "issued_at", "boot_id"}


class Request(NamedTuple):
    """A request to obey: a selector position (`for_s` s when hand, else NaN), a lockout reset, or both."""

    selector: Selector | None
    for_s: float
    reset: bool


class Refusal(NamedTuple):
    """Why a request is not obeyed."""

    reason: str


class Terms(NamedTuple):
    """What a request is judged by: Unix time now (s), the running boot's identifier, the longest hand time (s)."""

    wall: float
    boot_id: str
    max_hand_s: float


def read_request(payload: bytes, *, retained: bool, terms: Terms) -> Request | Refusal:
    """Return the request, or the refusal."""
    if retained:
        return Refusal("retained: a request must be sent live; clear it at the broker")
    try:
        document = parse_json(payload)
    except ValueError as error:
        reason: Reason = error.args[0]
        return Refusal(f"malformed: {reason.value}")
    if not isinstance(document, dict):
        return Refusal("malformed: expected a JSON object")
    if unknown := sorted(set(document) - _KEYS):
        return Refusal(f"malformed: unknown key {_short(unknown[0])}; expected one of {', '.join(sorted(_KEYS))}")
    stale = _staleness(document, terms)
    return Refusal(stale) if stale else _read_intent(document, terms)


def _staleness(document: dict[str, Any], terms: Terms) -> str:
    if "boot_id" in document and document["boot_id"] != terms.boot_id:
        return f"expired: meant for boot {_short(document['boot_id'])}, this is {terms.boot_id!r}"
    if "issued_at" not in document:
        return ""
    issued_at = document["issued_at"]
    issued = parse_rfc3339(issued_at) if isinstance(issued_at, str) else MISSING
    if math.isnan(issued):
        return "malformed: issued_at must be an RFC 3339 time with its offset"
    age_s = terms.wall - issued
    if abs(age_s) > MAX_AGE_S:
        when = "ago" if age_s > 0 else "ahead of this clock"
        return f"expired: issued {abs(age_s):.0f} s {when}, at most {MAX_AGE_S:.0f} s are accepted"
    return ""


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= SHOWN_CHARACTERS else text[:SHOWN_CHARACTERS] + "..."


def _read_intent(document: dict[str, Any], terms: Terms) -> Request | Refusal:
    reset = document.get("reset", False)
    if not isinstance(reset, bool):
        return Refusal("malformed: reset must be true or false")
    if "selector" not in document and not reset:
        return Refusal("malformed: nothing requested")
    names = {position.name.lower(): position for position in Selector}
    chosen = document.get("selector", "auto")
    if not isinstance(chosen, str) or chosen not in names:
        return Refusal(f"malformed: selector must be one of {', '.join(names)}")
    selector = names[chosen] if "selector" in document else None
    if selector != Selector.HAND:
        if "for_s" in document:
            return Refusal("malformed: for_s is for hand only")
        return Request(selector, MISSING, reset)
    for_s = document.get("for_s", terms.max_hand_s)
    if not isinstance(for_s, float) or not math.isfinite(for_s) or for_s <= 0:
        return Refusal("malformed: for_s must be a number of seconds above 0")
    if for_s > terms.max_hand_s:
        longest, requested = duration(terms.max_hand_s), "that" if for_s >= _NO_TIME_S else duration(for_s)
        requested = f"{for_s:.0f} s" if requested == longest else requested
        return Refusal(f"over-long: {requested} is longer than the {longest} allowed (request.max_hand_s)")
    return Request(selector, for_s, reset)
