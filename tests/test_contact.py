"""What contradicts the commanded position: the feedback line after its time, the load's power after it settled."""

import math
from itertools import product

import pytest

from dumpload.core.contact import LOAD_PRESENT_W, LOAD_SETTLE_S, ContactInputs, Evidence, Feedback, judge, next_look
from dumpload.core.freshness import NEVER
from dumpload.core.law import Position

CHANGED_AT = 1_000.0
FEEDBACK_S = 0.5
LONG_AFTER = CHANGED_AT + 3_600.0
ABOVE = math.nextafter(LOAD_PRESENT_W, math.inf)


def seen(
    position: str,
    feedback: Feedback = Feedback.UNKNOWN,
    watts: float = math.nan,
    *,
    t: float = LONG_AFTER,
    stamp: float = LONG_AFTER,
) -> ContactInputs:
    return ContactInputs(t, Position[position.upper()], CHANGED_AT, feedback, watts, stamp)


@pytest.mark.parametrize(
    ("position", "feedback", "watts", "evidence"),
    [
        # nothing is fitted, nothing is known
        ("off", Feedback.UNKNOWN, math.nan, Evidence.NONE),
        ("on", Feedback.UNKNOWN, math.nan, Evidence.NONE),
        # the feedback line
        ("off", Feedback.OPEN, math.nan, Evidence.NONE),
        ("off", Feedback.CLOSED, math.nan, Evidence.CLOSED_WHILE_OFF),
        ("on", Feedback.OPEN, math.nan, Evidence.OPEN_WHILE_ON),
        ("on", Feedback.CLOSED, math.nan, Evidence.NONE),
        # the load's power
        ("off", Feedback.UNKNOWN, 0.0, Evidence.NONE),
        ("off", Feedback.UNKNOWN, LOAD_PRESENT_W, Evidence.NONE),
        ("off", Feedback.UNKNOWN, ABOVE, Evidence.CLOSED_WHILE_OFF),
        ("off", Feedback.UNKNOWN, -50.0, Evidence.NONE),
        ("on", Feedback.UNKNOWN, 0.0, Evidence.OPEN_WHILE_ON),
        ("on", Feedback.UNKNOWN, LOAD_PRESENT_W, Evidence.OPEN_WHILE_ON),
        ("on", Feedback.UNKNOWN, ABOVE, Evidence.NONE),
        # either one is enough
        ("off", Feedback.OPEN, 300.0, Evidence.CLOSED_WHILE_OFF),
        ("off", Feedback.CLOSED, 0.0, Evidence.CLOSED_WHILE_OFF),
        ("on", Feedback.CLOSED, 0.0, Evidence.OPEN_WHILE_ON),  # tank hot, or the element is open
        ("on", Feedback.OPEN, 300.0, Evidence.OPEN_WHILE_ON),
    ],
)
def test_what_contradicts_the_command(position: str, feedback: Feedback, watts: float, evidence: Evidence) -> None:
    assert judge(FEEDBACK_S, seen(position, feedback, watts)) == evidence


@pytest.mark.parametrize(("after_s", "counts"), [(0.0, False), (0.499, False), (0.5, True), (60.0, True)])
def test_the_feedback_line_counts_once_its_time_has_passed(after_s: float, counts: bool) -> None:
    closed = seen("off", Feedback.CLOSED, t=CHANGED_AT + after_s)
    opened = seen("on", Feedback.OPEN, t=CHANGED_AT + after_s)
    assert judge(FEEDBACK_S, closed) == (Evidence.CLOSED_WHILE_OFF if counts else Evidence.NONE)
    assert judge(FEEDBACK_S, opened) == (Evidence.OPEN_WHILE_ON if counts else Evidence.NONE)


@pytest.mark.parametrize(
    ("measured_after_s", "counts"),
    [(-5.0, False), (0.0, False), (LOAD_SETTLE_S - 0.001, False), (LOAD_SETTLE_S, True), (60.0, True)],
)
def test_the_load_counts_when_measured_after_it_settled_however_late_it_is_looked_at(
    measured_after_s: float, counts: bool
) -> None:
    drawing = seen("off", watts=300.0, stamp=CHANGED_AT + measured_after_s)
    idle = seen("on", watts=0.0, stamp=CHANGED_AT + measured_after_s)
    assert judge(FEEDBACK_S, drawing) == (Evidence.CLOSED_WHILE_OFF if counts else Evidence.NONE)
    assert judge(FEEDBACK_S, idle) == (Evidence.OPEN_WHILE_ON if counts else Evidence.NONE)


@pytest.mark.parametrize(
    ("feedback", "after_s", "look_after_s"),
    [
        (Feedback.UNKNOWN, 0.0, NEVER),
        (Feedback.OPEN, 0.0, 0.5),
        (Feedback.CLOSED, 0.4, 0.5),
        (Feedback.CLOSED, 0.5, NEVER),
        (Feedback.OPEN, 60.0, NEVER),
    ],
)
def test_the_next_look_is_when_the_line_first_counts(feedback: Feedback, after_s: float, look_after_s: float) -> None:
    assert next_look(FEEDBACK_S, seen("off", feedback, t=CHANGED_AT + after_s)) == CHANGED_AT + look_after_s


def test_nothing_changes_before_the_next_look() -> None:
    for position, feedback, after_s in product(("off", "on"), Feedback, (0.0, 0.3, 0.49)):
        now = seen(position, feedback, t=CHANGED_AT + after_s)
        look = min(next_look(FEEDBACK_S, now), CHANGED_AT + 100.0)
        assert judge(FEEDBACK_S, now._replace(t=math.nextafter(look, 0.0))) == judge(FEEDBACK_S, now)
