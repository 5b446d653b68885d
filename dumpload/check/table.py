"""What one finding of the installation check is, how and how checks are run.

A check is worked out only when everything it needs is known; otherwise it is missing, with the names of the keys.
Nothing is guessed.
"""

from collections.abc import Callable, Iterable, Mapping
from enum import IntEnum
from typing import Any, NamedTuple

from dumpload.check.figures import Grade, Number
from dumpload.check.sources import FORMULA, Basis

# Every setting that has a value, by its dotted key.
Known = Mapping[str, Any]

# Between two keys of which one is enough.
EITHER = " or "


class Danger(IntEnum):
    """What happens if it is wrong, the worst first."""

    FIRE = 1
    ARC = 2
    PRESSURE = 3
    SCALD = 4
    BANK = 5
    SERVICE = 6


class Chapter(NamedTuple):
    """A part of the installation, and whose trade it is ("" if nobody's)."""

    name: str
    trade: str


LOAD = Chapter("load", "electrician")
CABLE = Chapter("cable and fuse", "electrician")
CONTACT = Chapter("contact and coil", "electrician")
BANK = Chapter("thresholds and battery", "")
WATER = Chapter("water", "plumber")
HEATER = Chapter("heater's protection", "electrician")
INSTANCES = Chapter("instances", "")

PARTS = (LOAD, CABLE, CONTACT, HEATER, BANK, WATER, INSTANCES)


class Judgement(NamedTuple):
    """What was worked out. `change` says what to do unless it passes; a pass may have a remark there."""

    state: Grade
    figure: str
    limit: str
    source: Basis
    change: str = ""
    numbers: tuple[Number, ...] = ()


class Finding(NamedTuple):
    """A verdict and the check it is the verdict of."""

    check: "Check"
    verdict: Judgement

    @property
    def name(self) -> str:
        """Return the check's name."""
        return self.check.name


class Missing(NamedTuple):
    """A check that could not be made, and the keys it still needs."""

    check: "Check"
    needs: tuple[str, ...]

    @property
    def name(self) -> str:
        """Return the check's name."""
        return self.check.name


class Check(NamedTuple):
    """One check: what it needs, what works it out, and whether it applies at all.

    `id` never changes and no two checks have the same, except those of which only one can apply. `keys` are the
    settings to change if it does not pass (none: all that it needs). A `safety` check that nobody answered makes the
    whole verdict incomplete. `stated`: it rests on the owner's word, and the figure says so.
    """

    part: Chapter
    id: str
    name: str
    danger: Danger
    needs: tuple[str, ...]
    work_out: Callable[[Known], Judgement]
    applies: Callable[[Known], bool] = lambda _known: True
    keys: tuple[str, ...] = ()
    safety: bool = False
    stated: bool = False

    def to_change(self) -> tuple[str, ...]:
        """Return the settings to change if it does not pass."""
        return self.keys or tuple(key for need in self.needs for key in need.split(EITHER))


def run_checks(checks: Iterable[Check], known: Known) -> tuple[list[Finding], list[Missing]]:
    """Return what was found and what could not be checked.

    Fails come first, then cautions, each with most dangerous first; then passes and information, part by part. Of
    what is missing the safety checks come first, most dangerous first; then the rest, part by part.
    """
    findings, missing = [], []
    for check in checks:
        if not check.applies(known):
            continue
        needs = tuple(need for need in check.needs if not any(key in known for key in need.split(EITHER)))
        if needs:
            missing.append(Missing(check, needs))
        else:
            findings.append(Finding(check, _verdict(check, known)))
    findings.sort(key=_urgency)
    missing.sort(key=lambda item: _rank(item.check, by_danger=item.check.safety))
    missing.sort(key=lambda item: not item.check.safety)
    return findings, missing


def _urgency(finding: Finding) -> tuple[int, int]:
    state = finding.verdict.state
    return list(Grade).index(state), _rank(finding.check, by_danger=state in {Grade.FAIL, Grade.CAUTION})


def _rank(check: Check, *, by_danger: bool) -> int:
    return check.danger if by_danger else PARTS.index(check.part)


def _verdict(check: Check, known: Known) -> Judgement:
    try:
        verdict = check.work_out(known)
    except (ValueError, ArithmeticError) as error:
        # A figure outside what its formula was made for.
        change = "Check that figure, or have it calculated by hand."
        return Judgement(
            Grade.FAIL, f"cannot be right: {error}", "figures within the range of the formula", FORMULA, change
        )
    return verdict._replace(figure=f"{verdict.figure}, as stated") if check.stated else verdict


def grade(*, fails: bool, cautions: bool = False) -> Grade:
    """Return the state: a fail outweighs a caution."""
    if fails:
        return Grade.FAIL
    return Grade.CAUTION if cautions else Grade.PASS


def yes_no(*, good: bool, figure: str, limit: str, source: Basis, change: str) -> Judgement:
    """Return the verdict on a yes-or-no question."""
    return Judgement(grade(fails=not good), figure, limit, source, "" if good else change)


def judged(number: Number, source: Basis, change: str, *, figure: str = "{}", limit: str = "{}") -> Judgement:
    """Return the verdict on one figure; `{}` in `figure` and `limit` is the place of its number."""
    state = number.state
    texts = figure.replace("{}", number.text), limit.replace("{}", number.limit_text)
    return Judgement(state, *texts, source, "" if state is Grade.PASS else change, (number,))


def informed(figure: str, source: Basis, *numbers: Number, remark: str = "") -> Judgement:
    """Return a finding that judges nothing."""
    return Judgement(Grade.INFO, figure, "", source, remark, numbers)
