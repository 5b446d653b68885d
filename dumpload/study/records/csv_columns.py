"""Which column of a record is which signal, and how its cells are read: the same for every record with columns."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from dumpload.core.signals import QUANTITIES, Signal, signal_name
from dumpload.study.records.cells import Cells
from dumpload.study.records.record import Form, RecordError

TIME = "time"

Codes = Mapping[Signal, Sequence[float | str]]
"""What means "not known now", by signal."""


def find_columns(path: Path, form: Form, names: Sequence[str], line: int = 0) -> tuple[int, dict[Signal, int]]:
    """Return where the time and every signal stand among the columns of these names; `line`: where those are.

    Raises:
        RecordError: a column that is needed is not there, or there twice.
    """
    place = {name: _find(path, form, name, names, line) for name in (TIME, *map(signal_name, Signal))}
    for name in (TIME, signal_name(Signal.STATE_OF_CHARGE)):
        if place[name] < 0:
            theirs, listed = form.columns.get(name, name), ", ".join(names)
            expected = f"a column {theirs}; there are: {listed} (--column {name}=NAME names another)"
            raise RecordError(path, expected, line=line)
    return place[TIME], {signal: place[signal_name(signal)] for signal in Signal if place[signal_name(signal)] >= 0}


def _find(path: Path, form: Form, name: str, names: Sequence[str], line: int) -> int:
    theirs = form.columns.get(name, name)
    if names.count(theirs) > 1:
        raise RecordError(path, "every column once", line=line, column=theirs)
    if theirs not in names and name in form.columns:
        raise RecordError(path, f"a column {theirs}; there are: {', '.join(names)}", line=line)
    return names.index(theirs) if theirs in names else -1


def cells_of(form: Form, unknown: Codes, signal: Signal) -> Cells:
    """Return how the cells of a signal are read."""
    unit = form.units.get(signal, QUANTITIES[signal].unit)
    return Cells(signal, unit, unknown.get(signal, ()), decimal_comma=form.decimal_comma)


def remarks(highest_charge: float) -> list[str]:
    """Return what is odd about a whole record, its highest charge being that (percent)."""
    if not 0.0 < highest_charge <= 1.0:
        return []
    return [f"no state of charge is above {highest_charge:g} %: if 1 is full, --unit state_of_charge=ratio"]
