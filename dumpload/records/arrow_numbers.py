"""Vectorised `CellParser`: what the numbers of a column mean, as a column of a `RowBatch`."""

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from dumpload.core.freshness import MISSING
from dumpload.core.signals import QUANTITIES
from dumpload.records.cells import UNSCALED, CellParser, RelayParser
from dumpload.records.items import EMPTY, PLAIN, REJECTED, UNKNOWN, Column

# Where pandas is installed, the first array that becomes numpy's loads it, and an interrupt is lost meanwhile: so it is
# done here, while interrupts are held back (see `loading`).
pa.array([0.0]).to_numpy()

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


def number_column(parser: CellParser, raw: Floats, present: Mask | None = None) -> Column:
    """Return what numbers say that were read from a column, as the parser has it: unit, codes for unknown, range.

    `present`: where there is a number at all; None: everywhere.
    """
    quantity = QUANTITIES[parser.signal]
    unknown = [float(code) for code in parser.unknown if isinstance(code, int | float)]
    values = _in_base_unit(parser, raw)
    is_plain = (values >= quantity.low) & (values <= quantity.high)
    if unknown:
        is_plain &= ~np.isin(raw, unknown)
    if present is not None:
        is_plain &= present
    if is_plain.all():
        parser.highest = max(parser.highest, float(values.max(initial=-np.inf)))
        return Column(values)
    parser.highest = max(parser.highest, float(values.max(where=is_plain, initial=-np.inf)))
    codes = np.where(is_plain, PLAIN, REJECTED).astype(np.uint8)
    codes[np.isin(raw, unknown)] = UNKNOWN
    if present is not None:
        codes[~present] = EMPTY
    return Column(np.where(is_plain, values, MISSING), codes)


def relay_column(parser: RelayParser, texts: pa.Array) -> Column:
    """Return what texts, numbers or truth values say of the recorded relay."""
    encoded = pc.dictionary_encode(pc.fill_null(pc.cast(texts, pa.string()), ""))
    meanings = [parser.parse(text) for text in encoded.dictionary.to_pylist()]
    places = encoded.indices.to_numpy(zero_copy_only=False)
    values, codes = (np.array(part)[places] for part in zip(*meanings, strict=True))
    return Column(values.astype(np.float64), codes.astype(np.uint8) if codes.any() else None)


def _in_base_unit(parser: CellParser, raw: Floats) -> Floats:
    """Return the values in the base unit, rounded as everywhere; there are few different ones in a part of a record."""
    if parser.unit == QUANTITIES[parser.signal].unit and parser.scaling == UNSCALED:
        return raw
    different, places = np.unique(raw, return_inverse=True)
    scaled: Sequence[float] = [*map(parser.in_base_unit, different.tolist())]
    return np.array(scaled, np.float64)[places]
