"""Explain a rejection: what was expected, what the payload has, and where else to look. Pure and bounded."""

import math
from typing import Any

from dumpload.core.decode import FUTURE_TOLERANCE_S, Field, Reason, parse_json, resolve, source_time
from dumpload.core.freshness import MISSING
from dumpload.core.signals import QUANTITIES

# Pointers listed for one JSON document, and how deep they are followed.
MOST_POINTERS = 40
DEEPEST_POINTER = 6

_SHOWN_BYTES = 40

# Time zones differ from UTC by quarters of an hour; two clocks besides by less than this (our choice, no source).
QUARTER_S, LARGEST_ZONE_S, ZONE_TOLERANCE_S = 900.0, 15 * 3600.0, 20.0


def why_rejected(reason: Reason, field: Field, topic: str, payload: bytes, ahead_s: float) -> str:
    """Return in words why a payload has no value for a signal.

    `ahead_s`: by how much the source's clock was ahead of ours (NaN: its messages have no time).
    """
    document = document_of(payload)
    there = ", ".join(pointer or "the number itself" for pointer in leaves_of(document)) or "nothing"
    pointer, stamp = _joined(field.pointer), _joined(field.timestamp_pointer or ())
    quantity = QUANTITIES[field.signal]
    return {
        Reason.RETAINED: "only a retained value arrived: its age is unknown, so it does not count",
        Reason.MISSING_POINTER: f"messages arrive on {topic}, but {pointer} is not in them; they contain: {there}",
        Reason.NO_TIMESTAMP: f"messages arrive on {topic}, but no time at {stamp}; they contain: {there}",
        Reason.BAD_TIMESTAMP: f"{stamp} is not a time: expected RFC 3339, or Unix seconds or milliseconds",
        Reason.FROM_FUTURE: f"the source's clock is {ahead_s:.0f} s ahead of this computer's; at most "
        f"{FUTURE_TOLERANCE_S:g} s is accepted. Correct one of the two clocks{_zone_hint(ahead_s)}",
        Reason.TOO_OLD: f"the value is {-ahead_s:.0f} s old by its own timestamp; at most {field.max_age_s:g} s is "
        "accepted. Either it is stale, or the source's clock is slow",
        Reason.WRONG_TYPE: f"expected a number, got {_shown(document, field)}",
        Reason.OUT_OF_RANGE: f"{_shown(document, field)} in {field.unit} is outside {quantity.low:g} to "
        f"{quantity.high:g} {quantity.unit}: wrong unit, or a code for unknown?",
    }.get(reason, f"{reason.value.replace('_', ' ')}: the payload is {_start(payload)!r}")


def clock_ahead_s(payload: bytes, field: Field, wall: float) -> float:
    """Return by how much the time in a payload is ahead of Unix time `wall` (s); NaN if there is none."""
    if field.timestamp_pointer is None:
        return MISSING
    try:
        return source_time(resolve(document_of(payload), field.timestamp_pointer)) - wall
    except LookupError:
        return MISSING


def document_of(payload: bytes) -> Any:
    """Return the JSON document in a payload, or None where there is none."""
    try:
        return parse_json(payload)
    except ValueError:
        return None


def leaves_of(document: Any) -> dict[str, Any]:
    """Return every value that is no object or array, by its RFC 6901 pointer; at most `MOST_POINTERS` of them."""
    leaves: dict[str, Any] = {}
    waiting: list[tuple[str, Any, int]] = [("", document, 0)]
    while waiting and len(leaves) < MOST_POINTERS:
        pointer, value, depth = waiting.pop(0)
        if isinstance(value, dict | list) and depth < DEEPEST_POINTER:
            pairs = value.items() if isinstance(value, dict) else enumerate(value)
            waiting += [(f"{pointer}/{_escaped(str(key))}", child, depth + 1) for key, child in pairs]
        elif not isinstance(value, dict | list):
            leaves[pointer] = value
    return leaves


def _escaped(token: str) -> str:
    return token.replace("~", "~0").replace("/", "~1")


def _zone_hint(ahead_s: float) -> str:
    """Return what it most often means that clocks differ by whole quarters of an hour: time zones do."""
    is_near = QUARTER_S / 2 < ahead_s < LARGEST_ZONE_S
    is_zone = is_near and abs(math.remainder(ahead_s, QUARTER_S)) < ZONE_TOLERANCE_S
    return " (most often, one of them treats local time as UTC)" if is_zone else ""


def _joined(tokens: tuple[str, ...]) -> str:
    return "/".join(("", *tokens))


def _shown(document: Any, field: Field) -> str:
    value = leaves_of(document).get(_joined(field.pointer), document)
    return f"{value:g}" if isinstance(value, float) else repr(value)[:_SHOWN_BYTES]


def _start(payload: bytes) -> str:
    return payload[:_SHOWN_BYTES].decode("utf-8", "replace")
