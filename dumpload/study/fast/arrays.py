"""Stretches of rows whose columns are arrays of numbers: what a fast reader yields.

Says of its rows just what the texts of a table say of theirs (`columns.py`, `items.py`); decides nothing.
"""

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import cast

import numpy as np
from numpy.typing import NDArray

from dumpload.core.controller import Event, Kind
from dumpload.core.decode import Reason, Rejection
from dumpload.core.signals import Signal
from dumpload.study.records.bounds import NOTHING, Band, Extremes
from dumpload.study.records.columns import Column
from dumpload.study.records.items import Stretch

Floats = NDArray[np.float64]
Codes = NDArray[np.uint8]
Mask = NDArray[np.bool_]
Counts = NDArray[np.float64] | NDArray[np.int64]

PLAIN, EMPTY, UNKNOWN = 0, 1, 2
"""What stands in a row: a plain sample, nothing, a code for "not known now"; from `REJECTED` on what does not count."""

REASONS = tuple(Reason)
REJECTED = 3

NANO = 1e9
"""Times of so many a second are rounded to the microsecond, as those in a table are."""

_ROUNDING_S = 2e-6
"""The times of two rows, as seconds since 1970 in floating point, are together off by less."""

_FIRST_LOOK = 4096
"""So many rows are searched at first, then twice as many, and so on: what is sought is often near."""


def code_of(reason: Reason) -> int:
    """Return the code of a value that does not count."""
    return REJECTED + REASONS.index(reason)


class ArrayValues:
    """Values in an array."""

    def __init__(self, values: Floats, gaps: Floats) -> None:
        """Keep the values, and the time (s) from each to the next."""
        self._values = values
        self._gaps = gaps

    @property
    def last(self) -> float:
        """The last value."""
        return float(self._values[-1])

    def over_time(self) -> float:
        """Return the sum of each value times the seconds it lasts."""
        return float((self._values[:-1] * self._gaps).sum())  # no dot product: that may start threads

    def squares_over_time(self) -> float:
        """Return the sum of each value squared times the seconds it lasts."""
        values = self._values[:-1]
        if len(values) and not self._gaps.strides[0]:  # all of them the same
            return float(np.einsum("i,i->", values, values) * self._gaps[0])
        return float((values * values * self._gaps).sum())

    def seconds_above(self, limit: float) -> float:
        """Return for how long the value is above a limit."""
        return float(self._gaps[self._values[:-1] > limit].sum())


class NumberColumn:
    """The values of a column in the signal's base unit, NaN where there is no plain sample.

    `codes`: what stands in each row; None where all are plain samples.
    """

    def __init__(
        self, signal: Signal, values: Floats, codes: Codes | None = None, extremes: Extremes | None = None
    ) -> None:
        """Keep values and codes; `extremes`: of all of them, if they are known already."""
        self.signal = signal
        self.samples = values
        self.codes = codes
        self._known = extremes

    @cached_property
    def _all(self) -> Extremes:
        """The extremes of all rows; NaN unless all are plain."""
        if self.codes is not None:
            return NOTHING
        return self._known or Extremes(float(self.samples.min()), float(self.samples.max()))

    def has(self, row: int) -> bool:
        """Return whether anything stands there."""
        return self.codes is None or self.codes[row] != EMPTY

    def event(self, row: int, t: float) -> Event | Rejection | None:
        """Return what a row says at `t` (s); None if it says nothing."""
        code = PLAIN if self.codes is None else int(self.codes[row])
        if code == PLAIN:
            return Event(t, t, Kind.SAMPLE, self.signal, float(self.samples[row]), t)
        if code == UNKNOWN:
            return Event(t, t, Kind.UNKNOWN, self.signal)
        return None if code == EMPTY else Rejection(self.signal, REASONS[code - REJECTED])

    def end_of_band(self, rows: range, band: Band) -> tuple[int, bool]:
        """Return the first of the rows whose sample is not plain or not in the band; and if any before it is empty."""
        if band.low <= self._all.low and self._all.high < band.high:
            return rows.stop, False
        begin, size, end = rows.start, _FIRST_LOOK, rows.stop
        while begin < rows.stop:
            part = self.samples[begin : min(rows.stop, begin + size)]
            if band.low <= part.min() and part.max() < band.high:
                begin, size = begin + len(part), 2 * size
                continue
            outside = ~((part >= band.low) & (part < band.high))
            if self.codes is not None:
                outside &= self.codes[begin : begin + len(part)] != EMPTY
            if outside.any():
                end = begin + int(outside.argmax())
                break
            begin, size = begin + len(part), 2 * size
        return end, self.codes is not None and bool((self.codes[rows.start : end] == EMPTY).any())

    def filled(self, rows: range) -> Sequence[int]:
        """Return the rows where anything stands."""
        if self.codes is None:
            return rows
        return cast("list[int]", (_filled(self.codes[rows.start : rows.stop]) + rows.start).tolist())

    def count(self, rows: range) -> int:
        """Return in how many of the rows anything stands."""
        return len(rows) if self.codes is None else int(np.count_nonzero(self.codes[rows.start : rows.stop] != EMPTY))

    def extremes(self, rows: range) -> Extremes:
        """Return the least and the largest sample; what does not count is left out."""
        part = self.samples[rows.start : rows.stop]
        part = part if self.codes is None else part[self.codes[rows.start : rows.stop] == PLAIN]
        return Extremes(float(part.min()), float(part.max())) if len(part) else NOTHING

    def values(self, rows: range, gaps: Sequence[float], *, checked: bool = False) -> ArrayValues | None:
        """Return the values of all these rows; None unless each has a plain one."""
        del checked  # that costs nothing here
        if self.codes is not None and self.codes[rows.start : rows.stop].any():
            return None
        return ArrayValues(self.samples[rows.start : rows.stop], np.asarray(gaps))

    def part(self, begin: int, end: int) -> "NumberColumn":
        """Return some of the rows."""
        codes = None if self.codes is None else self.codes[begin:end]
        return NumberColumn(self.signal, self.samples[begin:end], codes if codes is not None and codes.any() else None)


class ArrayStretch(Stretch):
    """Rows in order of time, column by column, as arrays.

    `counts`: their times as whole or broken numbers of which there are `per_second`, since 1970; mostly nobody needs
    all of them as seconds.
    """

    least_window = 1 << 20

    def __init__(self, counts: Counts, columns: Mapping[Signal, Column], per_second: float = 1.0) -> None:
        """Keep the columns; each is as long as `counts`."""
        self.columns = dict(sorted(columns.items()))
        self.per_second = per_second
        self._counts = counts

    @cached_property
    def moments(self) -> Floats:
        """The times, Unix s."""
        if self.per_second == NANO:
            return np.asarray(np.rint(self._counts / 1e3) / 1e6)
        return np.asarray(self._counts / self.per_second)

    @property
    def times(self) -> Sequence[float]:  # type: ignore[override]
        """The times, Unix s."""
        return cast("Sequence[float]", self.moments)

    @cached_property
    def _steps(self) -> Counts:
        return self._counts[1:] - self._counts[:-1]

    @cached_property
    def _is_even(self) -> bool:
        return len(self._steps) > 0 and bool(self._steps.min() == self._steps.max())

    @cached_property
    def _widest_s(self) -> float:
        return float(self._steps.max(initial=0)) / self.per_second + _ROUNDING_S

    def is_in_order(self, after: float) -> bool:
        """Return whether no row is before the one above, and the first not before `after` (Unix s)."""
        return self.time(0) >= after and bool(self._steps.min(initial=0) >= 0)

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return len(self._counts)

    def time(self, row: int) -> float:
        """Return the time of a row."""
        count = float(self._counts[row])
        return round(count / 1e3) / 1e6 if self.per_second == NANO else count / self.per_second

    def first_from(self, t: float, begin: int, end: int) -> int:
        """Return the first of the rows from `begin` to `end` that is not before `t`; else `end`."""
        if begin == end or self.time(end - 1) < t:
            return end
        if t <= self.time(begin):
            return begin
        below = self._counts.dtype.type(int((t - _ROUNDING_S) * self.per_second))  # or all would be converted
        row = begin + int(self._counts[begin:end].searchsorted(below))
        while self.time(row) < t:
            row += 1
        return row

    def gaps(self, begin: int, end: int) -> Sequence[float]:
        """Return the time (s) from each of these rows to the next."""
        steps = self._steps[begin : max(begin, end - 1)]
        if self._is_even:
            return cast("Sequence[float]", np.broadcast_to(self._steps[0] / self.per_second, len(steps)))
        return cast("Sequence[float]", steps / self.per_second)

    def leading_close(self, begin: int, end: int, most_s: float) -> int:
        """Return after how many of these rows comes a gap of more than `most_s`; all of them: there is none."""
        if self._widest_s <= most_s:
            return end - begin
        moments = self.moments[begin:end]
        wide = moments[1:] - moments[:-1] > most_s
        return int(wide.argmax()) + 1 if wide.any() else end - begin

    def end_of_life(self, column: Column | None, rows: range, expires_at: float, max_age_s: float) -> int:
        """Return the first of the rows before which a value that expires at `expires_at` is lost; else their end."""
        times = self.moments[rows.start : rows.stop]
        filled = np.empty(0, np.intp)
        if isinstance(column, NumberColumn):
            filled = np.arange(len(rows)) if column.codes is None else _filled(column.codes[rows.start : rows.stop])
        renewed = times[filled]
        expiries = np.concatenate(([expires_at], renewed + max_age_s))
        too_late = np.append(renewed, np.inf) > expiries
        # A row without a sample at the very moment of the loss is after it, even if one with a sample follows.
        same = np.flatnonzero(renewed == expiries[:-1])
        first = times.searchsorted(expiries[same])
        too_late[same] |= first < filled[same]
        end = rows.start + int(times.searchsorted(expiries[int(too_late.argmax())]))
        return min(end, rows.stop)

    def part(self, begin: int, end: int) -> "ArrayStretch":
        """Return some of the rows."""
        columns = {signal: column.part(begin, end) for signal, column in self.columns.items()}
        return ArrayStretch(self._counts[begin:end], columns, self.per_second)


def _filled(codes: Codes) -> NDArray[np.intp]:
    return np.flatnonzero(codes != EMPTY)
