"""The texts of one column of a record: which value each stands for, and how many of them lie within a band.

Knows no row and no time.
"""

import math
from collections.abc import Collection, Sequence
from itertools import takewhile

from dumpload.core.controller import Event, Kind
from dumpload.core.decode import Reason, Rejection, to_base_unit
from dumpload.core.signals import QUANTITIES, Signal, in_range
from dumpload.study.records.bounds import ALL, Band

_REMEMBERED_TEXTS = 5000


class Cells:
    """How to read the texts of one column."""

    def __init__(
        self, signal: Signal, unit: str, unknown: Sequence[float | str] = (), *, decimal_comma: bool = False
    ) -> None:
        """Keep the unit, the codes that mean "not known now", and whether a comma is the decimal sign.

        `highest` is the largest value read so far.
        """
        self.signal = signal
        self.unit = unit
        self.unknown = frozenset(unknown)
        self._decimal_comma = decimal_comma
        self._known: dict[Band, set[str]] = {}
        self.highest = -math.inf

    def read(self, text: str) -> float | Reason | None:
        """Return the value in the signal's base unit, None for a code that means unknown, or why it does not count."""
        text = text.strip()
        if text in self.unknown:
            return None
        try:
            number = self._number(text)
        except ValueError:
            return Reason.WRONG_TYPE
        if number in self.unknown:
            return None
        if not math.isfinite(number):
            return Reason.NOT_FINITE
        value = to_base_unit(self.signal, self.unit, number)
        if not in_range(self.signal, value):
            return Reason.OUT_OF_RANGE
        self.highest = max(self.highest, value)
        return value

    def _number(self, text: str) -> float:
        if "_" in text or not text.isascii():  # Python's own ways of writing numbers
            raise ValueError(text)
        return float(text.replace(",", ".") if self._decimal_comma else text)

    def event(self, text: str, t: float, ahead: float = 0.0) -> Event | Rejection:
        """Return what a cell that is not empty says at `t` (s)."""
        value = self.read(text)
        if value is None:
            return Event(t, t - ahead, Kind.UNKNOWN, self.signal)
        if isinstance(value, Reason):
            return Rejection(self.signal, value)
        return Event(t, t - ahead, Kind.SAMPLE, self.signal, value, t)

    def leading(self, texts: Sequence[str], band: Band) -> int:
        """Return how many of the first texts are plain numbers in range and in the band.

        Nothing is done per row in Python: loggers write few different texts, and what is known of one is kept.
        """
        known = self._known.setdefault(band, set())
        if known.issuperset(texts):
            return len(texts)
        count = sum(map(bool, takewhile(known.__contains__, texts)))
        value = self.read(texts[count])
        if not isinstance(value, float) or not band.low <= value < band.high:
            return count
        failed = len(texts) + 1  # the first so many fail
        while failed - count > 1:
            tried = (count + failed) // 2 if failed <= len(texts) else len(texts)
            if self._learn(set(texts[count:tried]) - known, band):
                count = tried
            else:
                failed = tried
        return count

    def _learn(self, texts: set[str], band: Band) -> bool:
        """Return whether all texts are plain numbers in the band, and remember them if they are few."""
        extremes = self.extremes(texts) if texts else (band.low, band.low)
        if extremes is None or not (band.low <= extremes[0] and (extremes[1] < band.high or not texts)):
            return False
        self.highest = max(self.highest, extremes[1] if texts else -math.inf)
        known = self._known[band]
        if len(known) + len(texts) > _REMEMBERED_TEXTS:
            known.clear()
        if len(texts) <= _REMEMBERED_TEXTS // 10:
            known |= texts
        return True

    def extremes(self, texts: set[str]) -> tuple[float, float] | None:
        """Return the least and the largest value; None unless all are plain numbers in range."""
        numbers = self._plain_numbers(texts)
        if numbers is None or not self.unknown.isdisjoint(texts) or not self.unknown.isdisjoint(numbers):
            return None
        least, most = (to_base_unit(self.signal, self.unit, number) for number in (min(numbers), max(numbers)))
        return (least, most) if in_range(self.signal, least) and in_range(self.signal, most) else None

    def numbers(self, texts: Sequence[str], *, checked: bool = False) -> list[float] | None:
        """Return the values of a whole column; None unless all are plain numbers in range and in the base unit.

        `checked`: they are known to be, or empty.
        """
        if self.unit != QUANTITIES[self.signal].unit or self._decimal_comma:
            return None
        if not checked and self.leading(texts, ALL) < len(texts):
            return None
        try:
            return list(map(float, texts))
        except ValueError:
            return None

    def _plain_numbers(self, texts: Collection[str]) -> list[float] | None:
        joined = "".join(texts)
        if "_" in joined or not joined.isascii():
            return None
        try:
            numbers = list(map(self._number if self._decimal_comma else float, texts))
        except ValueError:
            return None
        return numbers if math.isfinite(sum(numbers)) else None
