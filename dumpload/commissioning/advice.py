"""Judge a survey: one line for each signal, and what to change in the settings. Pure."""

import math
from collections.abc import Iterator
from difflib import get_close_matches
from statistics import fmean
from typing import NamedTuple

from dumpload.commissioning.survey import SignalSurvey, Survey, time_pointers
from dumpload.core.decode import Reading, Reason, Rejection, Unknown
from dumpload.core.freshness import is_missing
from dumpload.core.rejections import document_of, why_rejected
from dumpload.core.signals import Signal, signal_name

# A value should survive two lost messages (our choice, no source): three times the longest gap heard.
GAPS_PER_AGE = 3.0
# Above this multiple of the longest gap, the load runs blind for longer than it need (our choice, no source).
LOOSE_GAPS = 20.0
# Power below this says nothing about a direction (our choice, no source: above any meter's offset).
CLEAR_POWER_W = 50.0


class Advice(NamedTuple):
    """One thing to change: the setting's key, and a sentence that says what and why."""

    key: str
    text: str


def state_of(survey: Survey, signal: Signal) -> str:
    """Return how a signal is doing: "live", "unknown", "rejected", "retained only" or "silent"."""
    signal_survey = survey.signals[signal]
    if isinstance(signal_survey.last, Reading):
        return "live"
    if isinstance(signal_survey.last, Unknown):
        return "unknown"
    if isinstance(signal_survey.last, Rejection):
        return "rejected"
    topic = survey.topics.get(signal_survey.topic)
    return "retained only" if topic is not None and topic.retained else "silent"


def why_not(survey: Survey, signal: Signal) -> str:
    """Return why a signal has no live value; "" if it has one."""
    signal_survey, state = survey.signals[signal], state_of(survey, signal)
    if state == "live":
        return ""
    if state == "unknown":
        return "the source reports it as unknown"
    if state == "retained only":
        return _why_rejected(survey, signal_survey, Reason.RETAINED)
    if state == "silent":
        return f"nothing arrived on {signal_survey.topic}{_meant(survey, signal_survey.topic)}"
    assert isinstance(signal_survey.last, Rejection)  # noqa: S101  (the state says so)
    return _why_rejected(survey, signal_survey, signal_survey.last.reason)


def _why_rejected(survey: Survey, signal_survey: SignalSurvey, reason: Reason) -> str:
    return why_rejected(
        reason,
        signal_survey.field,
        signal_survey.topic,
        survey.topics[signal_survey.topic].payload,
        signal_survey.clock_ahead_s,
    )


def _meant(survey: Survey, topic: str) -> str:
    close = get_close_matches(topic, survey.topics, n=3, cutoff=0.6)
    return f"; did you mean {' or '.join(close)}?" if close else ""


def advise(survey: Survey, wall: float) -> list[Advice]:
    """Return what to change, in the order of the signals. `wall`: Unix time now (s)."""
    return [advice for signal in survey.signals for advice in _advice(survey, signal, wall)] + list(_direction(survey))


def _advice(survey: Survey, signal: Signal, wall: float) -> Iterator[Advice]:
    signal_survey, key = survey.signals[signal], f"telemetry.{signal_name(signal)}"
    topic = survey.topics.get(signal_survey.topic)
    if topic is None:
        return
    gaps = topic.gaps_s
    if gaps and signal_survey.field.max_age_s < GAPS_PER_AGE * max(gaps):
        fitting = math.ceil(GAPS_PER_AGE * max(gaps))
        yield Advice(
            f"{key}.max_age_s",
            f"messages came up to {max(gaps):.1f} s apart: {fitting} s would survive two lost messages",
        )
    elif gaps and signal_survey.field.max_age_s > max(LOOSE_GAPS * max(gaps), 10.0):
        fitting = max(10, math.ceil(GAPS_PER_AGE * max(gaps)))
        yield Advice(f"{key}.max_age_s", f"messages came every {max(gaps):.1f} s: {fitting} s is enough, and safer")
    pointers = time_pointers(document_of(topic.payload), wall)
    if pointers and signal_survey.field.timestamp_pointer is None:
        yield Advice(f"{key}.timestamp_pointer", f'the payload carries a time: set "{pointers[0]}", so that a stale '
                     "value sent again is recognised")  # fmt: skip


def _direction(survey: Survey) -> Iterator[Advice]:
    """Yield advice if the battery power reads negative while there is surplus sun or the charge rises."""
    mean = {
        signal: fmean(signal_survey.values) for signal, signal_survey in survey.signals.items() if signal_survey.values
    }
    battery = mean.get(Signal.BATTERY_POWER)
    if battery is None or battery > -CLEAR_POWER_W:
        return
    sun, load = mean.get(Signal.SOLAR_POWER, math.nan), mean.get(Signal.LOAD_POWER, 0.0)
    charges = survey.signals[Signal.STATE_OF_CHARGE].values if Signal.STATE_OF_CHARGE in survey.signals else []
    is_rising = len(charges) > 1 and charges[-1] > charges[0]
    if is_rising or (not is_missing(sun) and sun > load + CLEAR_POWER_W and -battery > (sun - load) / 2):
        why = "while the state of charge rises" if is_rising else f"while the panels give {sun:.0f} W"
        yield Advice("telemetry.battery_power.scale", f"battery power is {battery:.0f} W {why}; charging must be "
                     "positive: set scale = -1")  # fmt: skip
