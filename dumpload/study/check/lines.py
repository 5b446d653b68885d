"""What one line of the installation check is, and how checks are run. Knows nothing of cables or water.

A check is worked out only when everything it needs is known; otherwise it is missing, with the names of the keys.
Nothing is guessed.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from enum import Enum, IntEnum
from typing import Any, NamedTuple

Known = Mapping[str, Any]
"""Every setting that has a value, by its dotted key."""

EITHER = " or "
"""Between two keys of which one is enough."""

PRACTICE = "common practice, no source"

_TINY = 1e-9


class State(Enum):
    """What a line says."""

    FAIL = "fail"
    CAUTION = "caution"
    PASS = "pass"  # noqa: S105  (no password)


class Danger(IntEnum):
    """What happens if it is wrong, the worst first."""

    FIRE = 1
    ARC = 2
    PRESSURE = 3
    SCALD = 4
    BANK = 5
    SERVICE = 6


class Part(NamedTuple):
    """A part of the installation, and whose trade it is ("" if nobody's)."""

    name: str
    trade: str


LOAD = Part("load", "electrician")
CABLE = Part("cable and fuse", "electrician")
CONTACT = Part("contact and coil", "electrician")
BANK = Part("thresholds and bank", "")
WATER = Part("water", "plumber")


class Verdict(NamedTuple):
    """What was worked out. `change` says what to do unless it passes; a pass may have a remark there."""

    state: State
    figure: str
    limit: str
    source: str
    change: str = ""


class Finding(NamedTuple):
    """A verdict and what it is about."""

    part: Part
    name: str
    danger: Danger
    verdict: Verdict


class Missing(NamedTuple):
    """A check that could not be made, and the keys it still needs."""

    part: Part
    name: str
    needs: tuple[str, ...]


class Check(NamedTuple):
    """One check: what it needs, what works it out, and whether it applies at all."""

    part: Part
    name: str
    danger: Danger
    needs: tuple[str, ...]
    work_out: Callable[[Known], Verdict]
    applies: Callable[[Known], bool] = lambda _known: True


def run_checks(checks: Iterable[Check], known: Known) -> tuple[list[Finding], list[Missing]]:
    """Return what was found and what could not be checked.

    Fails come first, then cautions, each with the most dangerous first; then passes, in the order of the checks.
    """
    found, missing = [], []
    for check in checks:
        if not check.applies(known):
            continue
        needs = tuple(need for need in check.needs if not any(key in known for key in need.split(EITHER)))
        if needs:
            missing.append(Missing(check.part, check.name, needs))
        else:
            found.append(Finding(check.part, check.name, check.danger, _verdict(check, known)))
    found.sort(key=_urgency)
    return found, missing


def _urgency(finding: Finding) -> tuple[int, int]:
    state = finding.verdict.state
    return list(State).index(state), 0 if state is State.PASS else finding.danger


def _verdict(check: Check, known: Known) -> Verdict:
    try:
        return check.work_out(known)
    except ValueError as error:  # a figure outside what its formula was made for
        change = "Look at that figure again, or have it worked out by hand."
        return Verdict(State.CAUTION, f"not worked out: {error}", "the formula's range", "the formula", change)


def graded(*, fails: bool, cautions: bool = False) -> State:
    """Return the state: a fail outweighs a caution."""
    if fails:
        return State.FAIL
    return State.CAUTION if cautions else State.PASS


def over(value: float, most: float) -> bool:
    """Return whether a value is above a limit by more than the last digit of a calculation."""
    return value > most + _TINY * abs(most)


def asked(*, good: bool, figure: str, limit: str, source: str, change: str) -> Verdict:
    """Return the verdict on something that is there or is not."""
    return Verdict(graded(fails=not good), figure, limit, source, "" if good else change)


def num(value: float) -> str:
    """Return a number with as many digits as a person would write down: three, and all before the point."""
    text = f"{value:.{_decimals(value)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def at_least(value: float) -> str:
    """Return a number rounded up, for advice that a smaller one would make wrong."""
    return num(math.ceil(value * 10 ** _decimals(value) - _TINY) / 10 ** _decimals(value))


def at_most(value: float) -> str:
    """Return a number rounded down, for advice that a larger one would make wrong."""
    return num(math.floor(value * 10 ** _decimals(value) + _TINY) / 10 ** _decimals(value))


def _decimals(value: float) -> int:
    return next((count for count, least in ((0, 99.95), (1, 9.995), (2, 0.0995)) if abs(value) >= least), 3)


def span(seconds: float) -> str:
    """Return a length of time in the unit a person would say it in."""
    for unit, size in (("d", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * size:
            return f"{num(seconds / size)} {unit}"
    return f"{num(seconds)} s"
