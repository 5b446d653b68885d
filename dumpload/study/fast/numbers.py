"""What the numbers of a column mean: samples in the base unit, codes for "not known now", or nothing that counts.

Means by a number what `Cells` means by a text of it; knows no row and no time.
"""

from collections.abc import Sequence

import numpy as np

from dumpload.core.decode import Reason, to_base_unit
from dumpload.core.freshness import MISSING
from dumpload.core.signals import QUANTITIES
from dumpload.study.fast.arrays import EMPTY, UNKNOWN, Codes, Floats, Mask, NumberColumn, code_of
from dumpload.study.records.bounds import Extremes
from dumpload.study.records.cells import Cells


def number_column(cells: Cells, raw: Floats, present: Mask | None = None) -> NumberColumn:
    """Return what numbers say that were read from a column, as `cells` has it: unit, codes for unknown, range.

    `present`: where there is a number at all; None: everywhere.
    """
    signal, lowest, highest = cells.signal, float(raw.min()), float(raw.max())
    unknown = [float(code) for code in cells.unknown if isinstance(code, int | float)]
    base = _in_base_unit(cells, raw)
    low, high = QUANTITIES[signal].low, QUANTITIES[signal].high
    is_plain = present is None and base is raw and low <= lowest <= highest <= high
    if is_plain and not any(lowest <= code <= highest for code in unknown):
        cells.highest = max(cells.highest, highest)
        return NumberColumn(signal, raw, extremes=Extremes(lowest, highest))
    inside = [code for code in unknown if lowest <= code <= highest or lowest != lowest]  # noqa: PLR0124  (NaN)
    odd = np.flatnonzero(_is_odd(base, raw, low, high, inside))
    if not len(odd):
        cells.highest = max(cells.highest, float(base.max()))
        return NumberColumn(signal, base)
    codes = np.zeros(len(raw), np.uint8)
    codes[odd] = _codes(raw[odd], inside, None if present is None else present[odd])
    samples = base.copy()
    samples[odd] = MISSING
    highest = float(np.fmax.reduce(samples))
    cells.highest = cells.highest if np.isnan(highest) else max(cells.highest, highest)
    return NumberColumn(signal, samples, codes)


def _is_odd(base: Floats, raw: Floats, low: float, high: float, unknown: Sequence[float]) -> Mask:
    """Return where there is no plain sample."""
    odd: Mask = ~((base >= low) & (base <= high))
    for code in unknown:
        if low <= code <= high or base is not raw:
            odd |= raw == code
    return odd


def _codes(raw: Floats, unknown: Sequence[float], present: Mask | None) -> Codes:
    """Return what stands where there is no plain sample."""
    codes = np.full(len(raw), code_of(Reason.OUT_OF_RANGE), np.uint8)
    codes[~np.isfinite(raw)] = code_of(Reason.NOT_FINITE)
    codes[np.isin(raw, unknown)] = UNKNOWN
    if present is not None:
        codes[~present] = EMPTY
    return codes


def _in_base_unit(cells: Cells, raw: Floats) -> Floats:
    """Return the values in the base unit, rounded as everywhere; there are few different ones in a part of a record."""
    if cells.unit == QUANTITIES[cells.signal].unit:
        return raw
    different, places = np.unique(raw, return_inverse=True)
    scaled = [to_base_unit(cells.signal, cells.unit, number) for number in different.tolist()]
    return np.array(scaled)[places]
