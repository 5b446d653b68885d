"""Bytes to a reading, a statement that the value is unknown, or a rejection with its reason.

Nothing is clamped, guessed or converted from text: what is not plainly a finite number in range is rejected, and a
rejection neither refreshes an age nor changes a value. Never raises on any payload.
"""

import json
import math
import re
from collections.abc import Sequence
from datetime import datetime
from enum import StrEnum
from typing import Any, NamedTuple, NoReturn

from dumpload.core.freshness import MISSING
from dumpload.core.signals import QUANTITIES, Signal, beat, in_range
from dumpload.core.text import MILLISECONDS_FROM

MAX_PAYLOAD_BYTES = 64 * 1024
# How far a source's clock may be ahead of ours before its timestamp is disbelieved (our choice, no source).
FUTURE_TOLERANCE_S = 5.0

_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII)

_PLAIN_NUMBER = re.compile(rb"-?(?:0|[1-9]\d{0,14})(?:\.\d{1,15})?")

_ARRAY_INDEX = re.compile(r"0|[1-9]\d{0,8}", re.ASCII)


class Reason(StrEnum):
    """Why a message or a value in it was rejected."""

    RETAINED = "retained"
    OVERSIZED = "oversized"
    NOT_UTF8 = "not_utf8"
    NOT_JSON = "not_json"
    DUPLICATE_KEY = "duplicate_key"
    TOO_DEEP = "too_deep"
    MISSING_POINTER = "missing_pointer"
    WRONG_TYPE = "wrong_type"
    NOT_FINITE = "not_finite"
    OUT_OF_RANGE = "out_of_range"
    NO_TIMESTAMP = "no_timestamp"
    BAD_TIMESTAMP = "bad_timestamp"
    TOO_OLD = "too_old"
    FROM_FUTURE = "from_future"


class Field(NamedTuple):
    """Where one signal is in a payload, and how to read it.

    `pointer`, `timestamp_pointer`: RFC 6901 reference tokens (`timestamp_pointer` None: the message has no time).
    `unit`: one of the signal's published units. `unknown`: raw values that mean "not known now"; the text "null"
    also stands for JSON null. `scale`, `offset`: applied to the published number before its unit (-1 turns a sign).
    """

    signal: Signal
    pointer: tuple[str, ...]
    unit: str
    max_age_s: float
    timestamp_pointer: tuple[str, ...] | None
    unknown: tuple[float | str, ...]
    scale: float = 1.0
    offset: float = 0.0


class Reading(NamedTuple):
    """A finite, in-range value in the signal's base unit; `source_age_s` is its age by the source's own clock."""

    signal: Signal
    value: float
    source_age_s: float


class Unknown(NamedTuple):
    """The source says that it does not know the value: lost from now."""

    signal: Signal


class Rejection(NamedTuple):
    """A value that does not count, and why."""

    signal: Signal
    reason: Reason


Outcome = Reading | Unknown | Rejection


class _RejectedError(Exception):
    def __init__(self, reason: Reason) -> None:
        super().__init__(reason)
        self.reason = reason


def parse_pointer(text: str) -> tuple[str, ...]:
    """Return the reference tokens of an RFC 6901 JSON pointer ("" is the whole document).

    Raises:
        ValueError: the text is not a JSON pointer.
    """
    if not text:
        return ()
    if not text.startswith("/") or re.search(r"~(?![01])", text):
        raise ValueError(text)
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in text[1:].split("/"))


def _reject_constant(_text: str) -> NoReturn:
    raise _RejectedError(Reason.NOT_FINITE)


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    # RFC 8259, section 4: names should be unique, and what a receiver makes of others is unpredictable. Of two charges
    # in one document neither is taken.
    if len(members) != len(pairs):
        raise _RejectedError(Reason.DUPLICATE_KEY)
    return members


_JSON = json.JSONDecoder(
    parse_int=float,  # an integer of 5,000 digits is then infinite, not a ValueError
    parse_constant=_reject_constant,
    object_pairs_hook=_unique_keys,
)


def parse_json(payload: bytes) -> Any:
    """Return the JSON document in `payload`, every number as a float.

    Raises:
        ValueError: oversized, not UTF-8, not JSON, NaN or Infinity, a repeated key, or nested too deep; the
            exception's only argument is the `Reason`.
    """
    try:
        return _parse(payload)
    except _RejectedError as rejected:
        raise ValueError(rejected.reason) from None


def _parse(payload: bytes) -> Any:
    # Before it is parsed: the pin waits for this function.
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise _RejectedError(Reason.OVERSIZED)
    if _PLAIN_NUMBER.fullmatch(payload):
        # What many sources send; a JSON parser says the same and takes twice as long.
        return float(payload)
    try:
        return _JSON.decode(payload.decode("utf-8"))
    except UnicodeDecodeError:
        raise _RejectedError(Reason.NOT_UTF8) from None
    except RecursionError:
        raise _RejectedError(Reason.TOO_DEEP) from None
    except ValueError:
        raise _RejectedError(Reason.NOT_JSON) from None


def resolve(document: Any, pointer: tuple[str, ...]) -> Any:
    """Return what an RFC 6901 pointer refers to.

    Raises:
        LookupError: nothing is there.
    """
    for key in pointer:
        if isinstance(document, dict):
            document = document[key]
        elif isinstance(document, list) and _ARRAY_INDEX.fullmatch(key):
            document = document[int(key)]
        else:
            raise LookupError(key)
    return document


def rescale(raw: float, scale: float, offset: float) -> float:
    """Return `raw * scale + offset`, rounded to nine decimals; the number itself where neither is set."""
    return raw if scale == 1.0 and offset == 0.0 else round(raw * scale + offset, 9)


def to_base_unit(signal: Signal, unit: str, raw: float) -> float:
    """Return `raw` in the signal's base unit, rounded to nine decimals so that 0.57 is 57 %.

    Raises:
        KeyError: the signal is not published in that unit.
    """
    factor, offset = QUANTITIES[signal].scales[unit]
    return raw if factor == 1.0 and offset == 0.0 else round(raw * factor + offset, 9)


def parse_rfc3339(text: str) -> float:
    """Return the Unix time (s) of an RFC 3339 date-time with its offset, or NaN if it is not one."""
    if not _RFC_3339.fullmatch(text):
        return MISSING
    try:
        return datetime.fromisoformat(text.upper()).timestamp()
    except (ValueError, OverflowError):
        return MISSING


def source_time(stamp: Any) -> float:
    """Return the Unix time (s) that a source's timestamp means: RFC 3339, or Unix s or ms; NaN if it is none."""
    if isinstance(stamp, str):
        return parse_rfc3339(stamp)
    if isinstance(stamp, float):
        return stamp / 1000.0 if stamp >= MILLISECONDS_FROM else stamp
    return MISSING


def source_age(stamp: Any, wall: float, max_age_s: float) -> float:
    """Return how old a sample is by its source's own timestamp (s, never negative), `wall` being Unix seconds."""
    measured = source_time(stamp)
    if not math.isfinite(measured):
        raise _RejectedError(Reason.BAD_TIMESTAMP)
    if measured > wall + FUTURE_TOLERANCE_S:
        raise _RejectedError(Reason.FROM_FUTURE)
    if wall - measured >= max_age_s:
        raise _RejectedError(Reason.TOO_OLD)
    return max(0.0, wall - measured)


def _read(document: Any, field: Field, wall: float) -> Reading | Unknown:
    try:
        raw = resolve(document, field.pointer)
    except LookupError:
        raise _RejectedError(Reason.MISSING_POINTER) from None
    if is_unknown(raw, field.unknown):
        return Unknown(field.signal)
    if field.signal == Signal.HEARTBEAT and isinstance(raw, str):
        raw = beat(raw)
    if not isinstance(raw, float):
        raise _RejectedError(Reason.WRONG_TYPE)
    if not math.isfinite(raw):
        raise _RejectedError(Reason.NOT_FINITE)
    value = to_base_unit(field.signal, field.unit, rescale(raw, field.scale, field.offset))
    if not in_range(field.signal, value):
        raise _RejectedError(Reason.OUT_OF_RANGE)
    if field.timestamp_pointer is None:
        return Reading(field.signal, value, 0.0)
    try:
        stamp = resolve(document, field.timestamp_pointer)
    except LookupError:
        raise _RejectedError(Reason.NO_TIMESTAMP) from None
    return Reading(field.signal, value, source_age(stamp, wall, field.max_age_s))


def is_unknown(raw: Any, unknown: tuple[float | str, ...]) -> bool:
    """Return whether a raw value is one of the configured codes for "not known"."""
    if not unknown:
        return False
    if raw is None:
        return "null" in unknown
    return isinstance(raw, float | str) and raw in unknown


def decode(payload: bytes, fields: Sequence[Field], wall: float) -> list[Outcome]:
    """Read every field of one message.

    Args: the payload, the fields its topic carries, and Unix time now (s), for source timestamps.
    Returns one outcome per field, in order.
    """
    try:
        document = _parse(payload)
    except _RejectedError as rejected:
        text = payload.strip()[:64].decode("utf-8", "replace")
        return [_bare(text, field, wall, rejected.reason) for field in fields]
    return [_outcome(document, field, wall) for field in fields]


def _bare(text: str, field: Field, wall: float, reason: Reason) -> Outcome:
    """Return what a payload that is no JSON says: a bare word, such as: unknown; for a heartbeat any text."""
    if not field.pointer and is_unknown(text, field.unknown):
        return Unknown(field.signal)
    if not field.pointer and field.signal == Signal.HEARTBEAT and reason == Reason.NOT_JSON:
        return _outcome(text, field, wall)
    return Rejection(field.signal, reason)


def _outcome(document: Any, field: Field, wall: float) -> Outcome:
    try:
        return _read(document, field, wall)
    except _RejectedError as rejected:
        return Rejection(field.signal, rejected.reason)
