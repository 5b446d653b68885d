"""What `dumpload check --live` found, as a person reads it and as one JSON document. Pure: others try things out.

A step is one thing that must work before the daemon can: the broker, the right to publish, the history, the pin. One
that could not be tried says why.
"""

from collections.abc import Iterable, Sequence
from enum import Enum
from typing import Any, NamedTuple

from dumpload.commissioning.advice import advise, state_of
from dumpload.commissioning.survey import Survey
from dumpload.commissioning.text import listen_document, listen_text
from dumpload.core.signals import signal_name

# Advice on these keys must be taken before the first switch-on: a wrong sign disarms the drain limit.
MUST = ("telemetry.battery_power.scale",)


class Outcome(Enum):
    """How a step ended; the value is how it is shown."""

    OK = "ok"
    WRONG = "NO"
    UNSURE = "?"  # it could not be told
    SKIPPED = "-"  # it was not tried, for the reason given


class Step(NamedTuple):
    """One thing tried: what was found, and what to change ("": nothing)."""

    id: str
    name: str
    outcome: Outcome
    found: str
    change: str = ""


def wrong_parts(steps: Iterable[Step], survey: Survey, wall: float) -> list[str]:
    """Return the names of the steps, signals and settings to fix before the daemon is started."""
    failed = [step.name for step in steps if step.outcome == Outcome.WRONG]
    silent = [signal_name(signal) for signal in survey.signals if state_of(survey, signal) != "live"]
    return failed + silent + [advice.key for advice in advise(survey, wall) if advice.key in MUST]


def live_document(config: str, name: str, steps: Sequence[Step], survey: Survey, wall: float) -> dict[str, Any]:
    """Return what was found as one JSON document. `wall`: Unix time now (s)."""
    return {
        "config": config,
        "name": name,
        "verdict": "fail" if (wrong := wrong_parts(steps, survey, wall)) else "pass",
        "wrong": wrong,
        "steps": [
            {"id": step.id, "state": step.outcome.name.lower(), "found": step.found, "change": step.change}
            for step in steps
        ],
        **listen_document(survey, wall),
    }


def live_text(
    config: str, name: str, steps: Sequence[Step], survey: Survey, *, for_s: float, wall: float, ready: str
) -> str:
    """Return the same for a person. `ready`: what to do next when nothing is wrong."""
    lines = [f"Live check of {name}: {config}"]
    lines += [line for step in steps for line in _step_lines(step)]
    lines += ["", listen_text(survey, for_s, wall), ""]
    wrong = wrong_parts(steps, survey, wall)
    lines.append(f"NOT READY: fix {', '.join(wrong)}, then check again." if wrong else f"READY: {ready}")
    return "\n".join(lines)


def _step_lines(step: Step) -> Iterable[str]:
    yield f"  {step.name:18} {step.outcome.value:4} {step.found}"
    if step.change:
        yield f"  {'':18}      {step.change}"
