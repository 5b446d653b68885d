"""Signs that a record was read the wrong way: sparse rows, decimal commas, times of another form.

Each trap has words, and the command line's options that avoid it.
"""

import re
from collections.abc import Sequence
from datetime import datetime
from statistics import median
from typing import NamedTuple

from dumpload.records.items import PLAIN, RowBatch

# Rows that show how far apart they are, and times that show how they are written (our choice, no source).
LOOKED_AT_ROWS = 2000
LOOKED_AT_TIMES = 50

DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+", re.ASCII)

# The day first, as most of the world writes it (ISO 8601 has the year first, which needs no format).
_DATES = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%Y.%m.%d", "%d-%m-%Y", "%m-%d-%Y", "%d.%m.%y", "%d/%m/%y",
          "%m/%d/%y", "%d %b %Y", "%Y%m%d")  # fmt: skip
_CLOCKS = ("%H:%M:%S", "%H:%M", "%H:%M:%S.%f", "%I:%M:%S %p", "%I:%M %p", "%H%M%S")
_FORMATS = tuple(f"{day}{between}{clock}" for day in _DATES for between in (" ", "T", ", ") for clock in _CLOCKS)


class Trap(NamedTuple):
    """What is odd, in words, and the options with which the command works (none: there are none)."""

    text: str
    options: tuple[str, ...] = ()


def guess_formats(texts: Sequence[str]) -> list[str]:
    """Return the forms (as `datetime.strptime` takes them) that all of these times have."""
    return [form for form in _FORMATS if texts and all(_fits(text.strip(), form) for text in texts)]


def _fits(text: str, form: str) -> bool:
    try:
        moment = datetime.strptime(text, form)  # noqa: DTZ007  (only whether it can be read)
    except ValueError:
        return False
    return moment.year >= 1970  # noqa: PLR2004


class Spacing:
    """How far apart the rows with a value of one column are."""

    def __init__(self) -> None:
        self._times: list[float] = []

    def take(self, batch: RowBatch, codes: Sequence[int] | None) -> None:
        """Take the rows of a batch; `codes`: what is in the column, None where all are plain."""
        if len(self._times) < LOOKED_AT_ROWS:
            times = batch.times.tolist()
            self._times += (
                times if codes is None else [t for t, code in zip(times, codes, strict=True) if code == PLAIN]
            )

    @property
    def seconds(self) -> float:
        """The usual distance, s; 0 where there are not two rows of different times."""
        pairs = zip(self._times, self._times[1:], strict=False)
        distances = [after - before for before, after in pairs if after > before]
        return median(distances) if distances else 0.0
