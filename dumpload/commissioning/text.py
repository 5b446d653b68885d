"""What was heard, as a person reads it and as one JSON document. Pure."""

from typing import Any

from dumpload.commissioning.advice import advise, state_of, why_not
from dumpload.commissioning.survey import SignalSurvey, Survey
from dumpload.core.freshness import is_missing
from dumpload.core.printable import printable
from dumpload.core.rejections import document_of, leaves_of
from dumpload.core.signals import QUANTITIES, Signal, signal_name
from dumpload.core.text import number_or_null

# Bytes of a payload that are shown.
SHOWN_BYTES = 48


def listen_document(survey: Survey, wall: float) -> dict[str, Any]:
    """Return what was heard: the configured signals, the advice, and every topic. `wall`: Unix time now (s)."""
    return {
        "signals": {signal_name(signal): _signal(survey, signal) for signal in survey.signals},
        "advice": [{"key": one.key, "text": one.text} for one in advise(survey, wall)],
        "topics": {topic: _topic(survey, topic) for topic in survey.topics},
        "topics_not_listed": survey.uncounted,
    }


def _signal(survey: Survey, signal: Signal) -> dict[str, Any]:
    heard = survey.signals[signal]
    topic = survey.topics.get(heard.topic)
    return {
        "topic": heard.topic,
        "state": state_of(survey, signal),
        "value": heard.values[-1] if heard.values else None,
        "unit": QUANTITIES[signal].unit,
        "payload": "" if topic is None else _payload(topic.payload),
        "every_s": number_or_null(topic.typical_gap_s) if topic else None,
        "clock_ahead_s": number_or_null(heard.clock_ahead_s),
        "live": topic.live if topic else 0,
        "retained": topic.retained if topic else 0,
        "rejected": {reason.value: count for reason, count in heard.rejected.items()},
        "why_not": why_not(survey, signal),
    }


def _topic(survey: Survey, topic: str) -> dict[str, Any]:
    heard = survey.topics[topic]
    numbers = {
        pointer: value for pointer, value in leaves_of(document_of(heard.payload)).items() if isinstance(value, float)
    }
    return {
        "live": heard.live,
        "retained": heard.retained,
        "every_s": number_or_null(heard.typical_gap_s),
        "payload": _payload(heard.payload),
        "numbers": numbers,
    }


def _payload(payload: bytes) -> str:
    shown = printable(payload[:SHOWN_BYTES].decode("utf-8", "replace"))
    return shown + ("..." if len(payload) > SHOWN_BYTES else "")


def listen_text(survey: Survey, for_s: float, wall: float) -> str:
    """Return the same for a person: a line for each signal, then advice; without signals, every topic with numbers."""
    lines = [f"Listened for {for_s:g} s: {len(survey.topics) + survey.uncounted} topics."]
    lines += [_signal_line(survey.signals[signal], survey) for signal in survey.signals]
    if not survey.signals:
        lines += [line for topic in sorted(survey.topics) for line in _topic_lines(topic, survey)]
        lines.append(
            "Name the ones you mean, such as: dumpload listen --propose 'state_of_charge=TOPIC /POINTER'"
            if survey.topics
            else "Nothing arrived. Does the gateway publish to this broker?"
        )
    advice = advise(survey, wall)
    if advice:
        lines += ["", "To change:", *(f"  {one.key}: {one.text}" for one in advice)]
    return "\n".join(lines)


def _signal_line(heard: SignalSurvey, survey: Survey) -> str:
    name, topic = signal_name(heard.field.signal), survey.topics.get(heard.topic)
    reason = why_not(survey, heard.field.signal)
    if reason or topic is None:
        return f"  {name:18} NO   {reason}"
    unit = QUANTITIES[heard.field.signal].unit
    every = "once" if is_missing(topic.typical_gap_s) else f"every {topic.typical_gap_s:.1f} s"
    clock = "" if is_missing(heard.clock_ahead_s) else f", its clock {heard.clock_ahead_s:+.1f} s from ours"
    kept = ", also kept by the broker" if topic.retained else ""
    bad = f", {heard.rejected.total()} rejected" if heard.rejected else ""
    return f"  {name:18} ok   {heard.values[-1]:g} {unit}, {every}, on {heard.topic}{clock}{kept}{bad}"


def _topic_lines(topic: str, survey: Survey) -> list[str]:
    heard = _topic(survey, topic)
    if not heard["numbers"]:
        return []
    every = "kept by the broker only" if not heard["live"] else f"every {heard['every_s'] or '?'} s"
    values = ", ".join(f"{pointer or 'the number itself'} {value:.10g}" for pointer, value in heard["numbers"].items())
    return [f"  {_payload(topic.encode())}  ({every}): {values}"]
