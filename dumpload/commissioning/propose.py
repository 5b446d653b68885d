"""Writes the `[telemetry]` settings for topics that a person names, from what was heard on them. Pure."""

import json
import math
from collections.abc import Sequence
from typing import NamedTuple

from dumpload.commissioning.advice import GAPS_PER_AGE
from dumpload.commissioning.survey import Survey, time_pointers
from dumpload.config.layers import ConfigError, Problem
from dumpload.core.freshness import is_missing
from dumpload.core.rejections import document_of, leaves_of
from dumpload.core.signals import Signal, signal_name

# A proposed age is never shorter: a source that misses a beat must not switch the load off (our choice, no source).
LEAST_AGE_S = 10


class Wish(NamedTuple):
    """What a person named: this signal is on this topic, at this RFC 6901 pointer ("": the whole payload)."""

    signal: Signal
    topic: str
    pointer: str


def parse_wish(text: str) -> Wish:
    """Parse `SIGNAL=TOPIC` or `SIGNAL=TOPIC /POINTER`.

    Raises:
        ConfigError: it is not of that form.
    """
    name, equals, place = text.partition("=")
    names = [signal_name(signal) for signal in Signal]
    topic, _, pointer = place.partition(" ")
    if not equals or name not in names or not topic or (pointer and not pointer.startswith("/")):
        expected = f"SIGNAL=TOPIC, or 'SIGNAL=TOPIC /POINTER', with SIGNAL one of {', '.join(names)}"
        raise ConfigError([Problem("--propose", "", "", f"{expected}; not {text[:60]!r}")])
    return Wish(Signal[name.upper()], topic, pointer)


def propose(survey: Survey, wishes: Sequence[Wish], wall: float) -> str:
    """Return a `[telemetry]` part in TOML. What was not heard on a topic is left to the defaults, and said."""
    return "\n".join(line for wish in wishes for line in (*_table(survey, wish, wall), "")).rstrip("\n") + "\n"


def _table(survey: Survey, wish: Wish, wall: float) -> list[str]:
    lines = [f"[telemetry.{signal_name(wish.signal)}]", f"topic = {json.dumps(wish.topic, ensure_ascii=False)}"]
    if wish.pointer:
        lines.append(f"pointer = {json.dumps(wish.pointer, ensure_ascii=False)}")
    topic_survey = survey.topics.get(wish.topic)
    if topic_survey is None:
        return [*lines, "# nothing arrived on this topic while listening"]
    document = document_of(topic_survey.payload)
    there = leaves_of(document)
    value = there.get(wish.pointer)
    if not isinstance(value, float):
        lines.append(f"# no number there: the payload has {', '.join(there) or 'none'}")
    elif wish.signal == Signal.STATE_OF_CHARGE:
        is_ratio = 0.0 < value <= 1.0
        lines.append(f'unit = "{"ratio" if is_ratio else "percent"}" # it was {value:.6g}; 1.0 is full for a ratio')
    elif wish.signal == Signal.BATTERY_POWER:
        lines.append(f"# it was {value:g} W: charging must be positive; with scale = -1 the sign is turned")
    if pointers := time_pointers(document, wall):
        lines.append(f"timestamp_pointer = {json.dumps(pointers[0], ensure_ascii=False)}")
    if not is_missing(topic_survey.typical_gap_s):
        lines.append(f"max_age_s = {max(LEAST_AGE_S, math.ceil(GAPS_PER_AGE * max(topic_survey.gaps_s)))}")
    return lines
