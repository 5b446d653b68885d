"""Puts all rows of a record together as one stretch of arrays, whatever its columns were made of."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from dumpload.core.decode import Reason
from dumpload.core.freshness import MISSING
from dumpload.core.signals import Signal
from dumpload.study.fast.arrays import EMPTY, PLAIN, UNKNOWN, ArrayStretch, Codes, Floats, NumberColumn, code_of
from dumpload.study.records.columns import Column, TextColumn
from dumpload.study.records.items import Stretch


def whole(stretches: Iterable[Stretch]) -> ArrayStretch | None:
    """Return all rows as one stretch; None if there are none. A signal may be missing in some of them."""
    parts = [stretch for stretch in stretches if stretch.rows]
    if not parts:
        return None
    signals = sorted({signal for part in parts for signal in part.columns})
    columns = {signal: _joined(signal, [(part.columns.get(signal), part.rows) for part in parts]) for signal in signals}
    return ArrayStretch(np.concatenate([np.asarray(part.times, np.float64) for part in parts]), columns)


def in_order(stretch: ArrayStretch) -> ArrayStretch:
    """Return the rows in order of time; rows of one moment stay as they were."""
    places = np.argsort(stretch.moments, kind="stable")
    columns = {
        signal: _taken(column, places) for signal, column in stretch.columns.items() if isinstance(column, NumberColumn)
    }
    return ArrayStretch(stretch.moments[places], columns)


def _taken(column: NumberColumn, places: NDArray[np.intp]) -> NumberColumn:
    codes = None if column.codes is None else column.codes[places]
    return NumberColumn(column.signal, column.samples[places], codes)


def _joined(signal: Signal, parts: list[tuple[Column | None, int]]) -> NumberColumn:
    pairs = [_numbers(column, rows) for column, rows in parts]
    codes = np.concatenate([codes for _samples, codes in pairs])
    samples = np.concatenate([samples for samples, _codes in pairs])
    return NumberColumn(signal, samples, codes if codes.any() else None)


def _numbers(column: Column | None, rows: int) -> tuple[Floats, Codes]:
    if isinstance(column, NumberColumn):
        return column.samples, np.zeros(rows, np.uint8) if column.codes is None else column.codes
    if isinstance(column, TextColumn):
        return _read(column)
    return np.full(rows, MISSING), np.full(rows, EMPTY, np.uint8)


def _read(column: TextColumn) -> tuple[Floats, Codes]:
    numbers = column.cells.numbers(column.texts)
    if numbers is not None:
        return np.array(numbers), np.zeros(len(numbers), np.uint8)
    meanings = {text: _meaning(column, text) for text in set(column.texts)}
    samples, codes = zip(*(meanings[text] for text in column.texts), strict=True)
    return np.array(samples), np.array(codes, np.uint8)


def _meaning(column: TextColumn, text: str) -> tuple[float, int]:
    """Return the sample (NaN: none), and the code of what stands there."""
    if not text.strip():
        return MISSING, EMPTY
    value = column.cells.read(text)
    if isinstance(value, Reason):
        return MISSING, code_of(value)
    return (MISSING, UNKNOWN) if value is None else (value, PLAIN)
