"""Evidence of what the contact really does: from a feedback line and from the power the load draws."""

from enum import IntEnum
from typing import NamedTuple

from dumpload.core.freshness import NEVER, is_missing
from dumpload.core.law import Position

# Load power above this means that the load is drawing (our choice, no source: above any meter's offset).
LOAD_PRESENT_W = 20.0

# Load power measured sooner than this after a change says nothing yet (our choice, no source: a slow meter).
LOAD_SETTLE_S = 10.0


class Feedback(IntEnum):
    """What the feedback line says of the contact."""

    UNKNOWN = -1
    OPEN = 0
    CLOSED = 1


class Evidence(IntEnum):
    """What the contact does against the command."""

    NONE = 0
    CLOSED_WHILE_OFF = 1
    OPEN_WHILE_ON = 2


class ContactInputs(NamedTuple):
    """What is seen at `t` (s): the commanded position and since when, the feedback line, the load's power.

    `load_power_w` is NaN unless live; `load_stamp` is when it was measured (s).
    """

    t: float
    position: Position
    relay_since: float
    feedback: Feedback
    load_power_w: float
    load_stamp: float


def judge(feedback_s: float, inputs: ContactInputs) -> Evidence:
    """Return what contradicts the command, once `feedback_s` (line) or the settling time (power) has passed."""
    # A step of the battery current is no evidence: the charger may throttle in the same moment.
    line_counts = inputs.feedback != Feedback.UNKNOWN and inputs.t >= inputs.relay_since + feedback_s
    power_counts = not is_missing(inputs.load_power_w) and inputs.load_stamp >= inputs.relay_since + LOAD_SETTLE_S
    drawing = inputs.load_power_w > LOAD_PRESENT_W
    if inputs.position == Position.OFF:
        closed = (line_counts and inputs.feedback == Feedback.CLOSED) or (power_counts and drawing)
        return Evidence.CLOSED_WHILE_OFF if closed else Evidence.NONE
    opened = (line_counts and inputs.feedback == Feedback.OPEN) or (power_counts and not drawing)
    return Evidence.OPEN_WHILE_ON if opened else Evidence.NONE


def next_look(feedback_s: float, inputs: ContactInputs) -> float:
    """Return when the feedback line will first count after the last change (NEVER: it already does, or is absent)."""
    moment = inputs.relay_since + feedback_s
    return moment if inputs.feedback != Feedback.UNKNOWN and moment > inputs.t else NEVER
