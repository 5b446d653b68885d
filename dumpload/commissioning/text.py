"""A survey as text and as one JSON document. Pure."""

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
        "advice": [{"key": advice.key, "text": advice.text} for advice in advise(survey, wall)],
        "topics": {topic: _topic(survey, topic) for topic in survey.topics},
        "topics_not_listed": survey.uncounted,
    }


def _signal(survey: Survey, signal: Signal) -> dict[str, Any]:
    signal_survey = survey.signals[signal]
    topic = survey.topics.get(signal_survey.topic)
    return {
        "topic": signal_survey.topic,
        "state": state_of(survey, signal),
        "value": signal_survey.values[-1] if signal_survey.values else None,
        "unit": QUANTITIES[signal].unit,
        "payload": "" if topic is None else _payload(topic.payload),
        "every_s": number_or_null(topic.typical_gap_s) if topic else None,
        "clock_ahead_s": number_or_null(signal_survey.clock_ahead_s),
        "live": topic.live if topic else 0,
        "retained": topic.retained if topic else 0,
        "rejected": {reason.value: count for reason, count in signal_survey.rejected.items()},
        "why_not": why_not(survey, signal),
    }


def _topic(survey: Survey, topic: str) -> dict[str, Any]:
    topic_survey = survey.topics[topic]
    numbers = {
        pointer: value
        for pointer, value in leaves_of(document_of(topic_survey.payload)).items()
        if isinstance(value, float)
    }
    return {
        "live": topic_survey.live,
        "retained": topic_survey.retained,
        "every_s": number_or_null(topic_survey.typical_gap_s),
        "payload": _payload(topic_survey.payload),
        "numbers": numbers,
    }


def _payload(payload: bytes) -> str:
    text = printable(payload[:SHOWN_BYTES].decode("utf-8", "replace"))
    return text + ("..." if len(payload) > SHOWN_BYTES else "")


def listen_text(survey: Survey, for_s: float, wall: float) -> str:
    """Return the same for a person: a line for each signal, then advice; without signals, every topic with numbers."""
    lines = [f"Listened for {for_s:g} s: {len(survey.topics) + survey.uncounted} topics."]
    lines += [_signal_line(survey.signals[signal], survey) for signal in survey.signals]
    if not survey.signals:
        lines += [line for topic in sorted(survey.topics) for line in _topic_lines(topic, survey)]
        lines.append(
            "Choose the ones you want, such as: dumpload listen --propose 'state_of_charge=TOPIC /POINTER'"
            if survey.topics
            else "Nothing arrived. Does the gateway publish to this broker?"
        )
    advice = advise(survey, wall)
    if advice:
        lines += ["", "To change:", *(f"  {item.key}: {item.text}" for item in advice)]
    return "\n".join(lines)


def _signal_line(signal_survey: SignalSurvey, survey: Survey) -> str:
    name, topic = signal_name(signal_survey.field.signal), survey.topics.get(signal_survey.topic)
    reason = why_not(survey, signal_survey.field.signal)
    if reason or topic is None:
        return f"  {name:18} NO   {reason}"
    unit = QUANTITIES[signal_survey.field.signal].unit
    every = "once" if is_missing(topic.typical_gap_s) else f"every {topic.typical_gap_s:.1f} s"
    clock = (
        ""
        if is_missing(signal_survey.clock_ahead_s)
        else f", its clock {signal_survey.clock_ahead_s:+.1f} s from this computer's"
    )
    retained = ", also retained by the broker" if topic.retained else ""
    bad = f", {signal_survey.rejected.total()} rejected" if signal_survey.rejected else ""
    return (
        f"  {name:18} ok   {signal_survey.values[-1]:g} {unit}, {every}, on {signal_survey.topic}{clock}{retained}{bad}"
    )


def _topic_lines(topic: str, survey: Survey) -> list[str]:
    summary = _topic(survey, topic)
    if not summary["numbers"]:
        return []
    every = "retained only" if not summary["live"] else f"every {summary['every_s'] or '?'} s"
    values = ", ".join(
        f"{pointer or 'the number itself'} {value:.10g}" for pointer, value in summary["numbers"].items()
    )
    return [f"  {_payload(topic.encode())}  ({every}): {values}"]
