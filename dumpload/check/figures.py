"""The figures of the installation check: a number with its limit, how it is judged, rounded and printed.

A limit is rounded to the safe side, a figure to the honest one, here and nowhere else.
"""

import math
from collections.abc import Callable
from enum import Enum
from typing import NamedTuple

from dumpload.core.window import DAY_S, HOUR_S

# Relative error that a calculation may have: 28.8 V / 1.92 ohm is 15.000000000000002 A, and no more than 15 A.
_TINY = 1e-9

_MOST_DIGITS = 12

# In place of a limit beyond which a figure fails: it only cautions, however bad. No comparison with it is true.
NEVER = math.nan


class Grade(Enum):
    """What a finding says, the most urgent first."""

    FAIL = "fail"
    CAUTION = "caution"
    PASS = "pass"  # noqa: S105  (no password)
    INFO = "info"


class Sense(Enum):
    """On which side of its limit a figure must be."""

    AT_LEAST = "at least"
    AT_MOST = "at most"


class Number(NamedTuple):
    """One figure of a finding and the limit it is judged by, in one unit.

    `limit` is what passes (None: nothing is judged), `fails` is the limit beyond which it fails rather than cautions.
    `key` is the setting that holds this very figure, or "".
    """

    name: str
    value: float
    unit: str
    sense: Sense | None = None
    limit: float | None = None
    fails: float | None = None
    key: str = ""

    @property
    def margin(self) -> float | None:
        """Return how far inside the limit it is; negative: beyond it."""
        if self.limit is None:
            return None
        return self.value - self.limit if self.sense is Sense.AT_LEAST else self.limit - self.value

    @property
    def state(self) -> Grade:
        """Return what the figure by itself amounts to."""
        if self.limit is None:
            return Grade.INFO
        if not self._beyond(self.limit):
            return Grade.PASS
        return Grade.FAIL if self.fails is not None and self._beyond(self.fails) else Grade.CAUTION

    def _beyond(self, limit: float) -> bool:
        return exceeds(limit, self.value) if self.sense is Sense.AT_LEAST else exceeds(self.value, limit)

    @property
    def text(self) -> str:
        """Return the figure with its unit: as entered, or rounded towards its limit, so that it never looks better."""
        return _with_unit(self._texts()[0], self.unit)

    @property
    def limit_text(self) -> str:
        """Return "at least 18.8 A": rounded to the safe side, so that a figure set to it passes."""
        return f"{self.sense.value} {_with_unit(self._texts()[1], self.unit)}" if self.sense else ""

    def _texts(self) -> tuple[str, str]:
        """Return figure and limit with as few digits as leave them in the order they really have."""
        safe, honest = (math.ceil, math.floor) if self.sense is Sense.AT_LEAST else (math.floor, math.ceil)
        if self.limit is None:
            return (entered(self.value) if self.key else format_number(self.value)), ""
        for more in range(6):
            value = entered(self.value) if self.key else _rounded(self.value, honest, more)
            limit = _rounded(self.limit, safe, more)
            if self._replace(value=float(value), limit=float(limit)).state == Grade.PASS or self._beyond(self.limit):
                return value, limit
        # Equal but for what a calculation loses.
        return value, value


def least(name: str, value: float, unit: str, limit: float, *, fails: float | None = None, key: str = "") -> Number:
    """Return a figure that must be at least `limit`; below `fails` (None: the limit itself) it fails."""
    return Number(name, value, unit, Sense.AT_LEAST, limit, limit if fails is None else fails, key)


def most(name: str, value: float, unit: str, limit: float, *, fails: float | None = None, key: str = "") -> Number:
    """Return a figure that must be at most `limit`; above `fails` (None: the limit itself) it fails."""
    return Number(name, value, unit, Sense.AT_MOST, limit, limit if fails is None else fails, key)


def worst(*states: Grade) -> Grade:
    """Return the most urgent of these."""
    return min(states, key=list(Grade).index, default=Grade.PASS)


def exceeds(value: float, most: float) -> bool:
    """Return whether a value is above a limit by more than the last digit of a calculation."""
    return value > most + _TINY * abs(most)


def entered(value: float) -> str:
    """Return a setting as a person entered it."""
    return f"{value:.10g}" if abs(value) < 10**10 else f"{value:g}"


def format_number(value: float) -> str:
    """Return a number with as many digits as a person would write down: three, and all before the point."""
    return _trimmed(f"{value:.{_decimals(value)}f}")


def at_least(value: float) -> str:
    """Return a number rounded up, for advice that a smaller one would make wrong."""
    return _rounded(value, math.ceil)


def at_most(value: float) -> str:
    """Return a number rounded down, for advice that a larger one would make wrong."""
    return _rounded(value, math.floor)


def _rounded(value: float, towards: Callable[[float], int], more: int = 0) -> str:
    decimals = min(_decimals(value) + more, _MOST_DIGITS)
    if not math.isfinite(value) or abs(value) * 10**decimals > 2**52:
        return format_number(value)
    scaled = value * 10**decimals
    nearest = round(scaled)
    # What a calculation loses in its last digit is no reason to go a whole step up or down.
    whole = nearest if abs(scaled - nearest) <= _TINY * abs(scaled) else towards(scaled)
    return _trimmed(f"{whole / 10**decimals:.{decimals}f}")


def _trimmed(text: str) -> str:
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def _decimals(value: float) -> int:
    return next((count for count, low in ((0, 99.95), (1, 9.995), (2, 0.0995)) if abs(value) >= low), 3)


def _with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}" if unit else text


def in_one_unit(seconds: float) -> str:
    """Return a length of time rounded, in the one unit a person would say it in: "2.5 h" (`duration`: "2 h 30 min")."""
    for unit, size in (("d", DAY_S), ("h", HOUR_S), ("min", 60.0)):
        if seconds >= 2 * size:
            return f"{format_number(seconds / size)} {unit}"
    return f"{format_number(seconds)} s"
