"""One column of a stretch of rows: what stands in each, and what replay asks of many of them at once.

The plain kind holds the texts of a table (`TextColumn`); another (`fast/arrays.py`) holds numbers. Knows no time.
"""

from collections.abc import Sequence
from itertools import compress
from operator import mul
from typing import NamedTuple, Protocol

from dumpload.core.controller import Event
from dumpload.core.decode import Rejection
from dumpload.study.records.bounds import NOTHING, Band, Extremes
from dumpload.study.records.cells import Cells


class Values(Protocol):
    """Some values of one signal, each of which lasts for a known time up to the next."""

    @property
    def last(self) -> float:
        """The last value."""

    def over_time(self) -> float:
        """Return the sum of each value times the seconds it lasts."""

    def squares_over_time(self) -> float:
        """Return the sum of each value squared times the seconds it lasts."""

    def seconds_above(self, limit: float) -> float:
        """Return for how long the value is above a limit."""


class Column(Protocol):
    """What stands in the rows of one column; a row where nothing does has no sample."""

    def has(self, row: int) -> bool:
        """Return whether anything stands there."""

    def event(self, row: int, t: float) -> Event | Rejection | None:
        """Return what a row says at `t` (s); None if it says nothing."""

    def end_of_band(self, rows: range, band: Band) -> tuple[int, bool]:
        """Return the first of the rows whose sample is not plain or not in the band (else the end of the rows).

        And whether any row before it has no sample.
        """

    def filled(self, rows: range) -> Sequence[int]:
        """Return the rows where anything stands."""

    def count(self, rows: range) -> int:
        """Return in how many of the rows anything stands."""

    def extremes(self, rows: range) -> Extremes:
        """Return the least and the largest sample; what does not count is left out."""

    def part(self, begin: int, end: int) -> "Column":
        """Return some of the rows."""

    def values(self, rows: range, gaps: Sequence[float], *, checked: bool = False) -> Values | None:
        """Return the values of all these rows; None unless each has a plain one.

        `gaps`: s from each row to the next. `checked`: the samples are known to be plain, where there are any.
        """


class ListedValues:
    """Values in a list."""

    def __init__(self, values: list[float], gaps: Sequence[float]) -> None:
        """Keep the values, and the time (s) from each to the next."""
        self._values = values
        self._gaps = gaps

    @property
    def last(self) -> float:
        """The last value."""
        return self._values[-1]

    def over_time(self) -> float:
        """Return the sum of each value times the seconds it lasts."""
        return float(sum(map(mul, self._values, self._gaps)))

    def squares_over_time(self) -> float:
        """Return the sum of each value squared times the seconds it lasts."""
        return float(sum(map(mul, map(mul, self._values, self._values), self._gaps)))

    def seconds_above(self, limit: float) -> float:
        """Return for how long the value is above a limit."""
        return float(sum(compress(self._gaps, map(limit.__lt__, self._values))))


class TextColumn(NamedTuple):
    """The texts of a column, and how to read them; an empty text is no sample."""

    cells: Cells
    texts: list[str]

    def has(self, row: int) -> bool:
        """Return whether anything stands there."""
        return self.texts[row] != ""

    def event(self, row: int, t: float) -> Event | Rejection | None:
        """Return what a cell says at `t` (s); None if it is blank."""
        return self.cells.event(self.texts[row], t) if self.texts[row].strip() else None

    def end_of_band(self, rows: range, band: Band) -> tuple[int, bool]:
        """Return the first of the rows whose text is not plain or not in the band, and whether any before is empty."""
        end = rows.start + self.cells.leading(self._texts(rows), band)
        if end == rows.stop or self.texts[end]:
            return end, False
        filled = self.filled(range(end, rows.stop))
        found = self.cells.leading([self.texts[row] for row in filled], band) if filled else 0
        return (filled[found] if found < len(filled) else rows.stop), True

    def filled(self, rows: range) -> Sequence[int]:
        """Return the rows whose text is not empty."""
        return [row for row in rows if self.texts[row]]

    def count(self, rows: range) -> int:
        """Return how many of the texts are not empty."""
        return len(rows) - self._texts(rows).count("")

    def extremes(self, rows: range) -> Extremes:
        """Return the least and the largest sample; what does not count is left out."""
        texts = {text for text in self._texts(rows) if text.strip()}
        plain = self.cells.extremes(texts) if texts else NOTHING
        if plain is not None:
            return Extremes(*plain)
        values = [value for text in texts if isinstance(value := self.cells.read(text), float)]
        return Extremes(min(values), max(values)) if values else NOTHING

    def part(self, begin: int, end: int) -> "TextColumn":
        """Return some of the rows."""
        return TextColumn(self.cells, self.texts[begin:end])

    def values(self, rows: range, gaps: Sequence[float], *, checked: bool = False) -> Values | None:
        """Return the values of all these rows; None unless each has a plain one, in the base unit."""
        numbers = self.cells.numbers(self._texts(rows), checked=checked)
        return None if numbers is None else ListedValues(numbers, gaps)

    def _texts(self, rows: range) -> list[str]:
        return self.texts if len(rows) == len(self.texts) else self.texts[rows.start : rows.stop]
