"""Which column of a record is which signal, and what the texts of a column mean."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Protocol

from dumpload.core.decode import rescale, to_base_unit
from dumpload.core.freshness import MISSING
from dumpload.core.printable import one_line
from dumpload.core.signals import QUANTITIES, Signal, beat, in_range, signal_name
from dumpload.records.items import EMPTY, PLAIN, REJECTED, UNKNOWN, Column, column_of
from dumpload.records.record import RecordError, TableFormat
from dumpload.records.traps import DECIMAL_COMMA, Trap

TIME = "time"
RELAY = "relay"

UNSCALED = (1.0, 0.0)

_SHOWN_CHARACTERS = 20

# What means "not known now", by signal.
UnknownCodes = Mapping[Signal, Sequence[float | str]]

# Loggers write few different texts: the meaning of this many is kept.
_REMEMBERED_TEXTS = 5000

Meaning = tuple[float, int]


class CellParser:
    """How to read the texts of one column. `highest`: the largest value so far, in the signal's base unit.

    `scaling`: what a number is multiplied by, and what is then added, before its unit. `comma_text`: the last text
    that was not read, but is a number with a decimal comma.
    """

    def __init__(
        self,
        signal: Signal,
        unit: str,
        unknown: Sequence[float | str] = (),
        *,
        decimal_comma: bool = False,
        scaling: tuple[float, float] = UNSCALED,
    ) -> None:
        self.signal = signal
        self.unit = unit
        self.unknown = frozenset(unknown)
        self.highest = -math.inf
        self.scaling = scaling
        self.comma_text = ""
        self._decimal_comma = decimal_comma
        self._meanings = _Meanings(self)
        self.column = self._meanings.column

    def parse(self, text: str) -> Meaning:
        """Return the value in the signal's base unit (NaN: none), and the code of what the text is."""
        text = text.strip()
        if not text:
            return MISSING, EMPTY
        if text in self.unknown:
            return MISSING, UNKNOWN
        try:
            number = self._number(text)
        except ValueError:
            self.comma_text = text if DECIMAL_COMMA.fullmatch(text) else self.comma_text
            return (beat(text), PLAIN) if self.signal == Signal.HEARTBEAT else (MISSING, REJECTED)
        if number in self.unknown:
            return MISSING, UNKNOWN
        value = self.in_base_unit(number) if math.isfinite(number) else MISSING
        if not in_range(self.signal, value):
            return MISSING, REJECTED
        self.highest = max(self.highest, value)
        return value, PLAIN

    def in_base_unit(self, number: float) -> float:
        """Return what a number as written means in the signal's base unit."""
        return to_base_unit(self.signal, self.unit, rescale(number, *self.scaling))

    def _number(self, text: str) -> float:
        # Python's own ways of writing numbers.
        if "_" in text or not text.isascii():
            raise ValueError(text)
        return float(text.replace(",", ".") if self._decimal_comma else text)


# What a column of the relay may say, in any case.
_POSITIONS = {"on": 1.0, "1": 1.0, "1.0": 1.0, "true": 1.0, "off": 0.0, "0": 0.0, "0.0": 0.0, "false": 0.0}


class RelayParser:
    """How to read what the recorded relay did: on or off, 1 or 0."""

    def __init__(self) -> None:
        self.column = _Meanings(self).column

    def parse(self, text: str) -> Meaning:
        """Return 1 or 0 (NaN: neither), and the code of what the text is."""
        text = text.strip().lower()
        if text in _POSITIONS:
            return _POSITIONS[text], PLAIN
        return MISSING, REJECTED if text else EMPTY


class _AnyCellParser(Protocol):
    def parse(self, text: str, /) -> Meaning:
        """Return what a text means."""


class _Meanings(dict[str, Meaning]):
    """The meanings of the texts seen so far, as long as they are few."""

    def __init__(self, parser: _AnyCellParser) -> None:
        super().__init__()
        self._parser = parser

    def __missing__(self, text: str) -> Meaning:
        if len(self) >= _REMEMBERED_TEXTS:
            self.clear()
        meaning = self[text] = self._parser.parse(text)
        return meaning

    def column(self, texts: Sequence[str]) -> Column:
        """Return what many texts mean, each as the parser has it."""
        values, codes = zip(*map(self.__getitem__, texts), strict=True)
        return column_of(values, codes)


def find_columns(path: Path, form: TableFormat, names: Sequence[str], line: int = 0) -> tuple[int, dict[Signal, int]]:
    """Return where the time and every signal are among the columns of these names; `line`: where the names are.

    Raises:
        RecordError: a column that is needed is not there, or there twice.
    """
    place = {name: _find(path, form, name, names, line) for name in (TIME, *map(signal_name, Signal))}
    for name in (TIME, signal_name(Signal.STATE_OF_CHARGE)):
        if place[name] < 0:
            theirs, listed = form.columns.get(name, name), _listed(names)
            expected = f"a column {theirs}; there are: {listed} (--column {name}=NAME names another)"
            raise RecordError(path, expected, line=line)
    return place[TIME], {signal: place[signal_name(signal)] for signal in Signal if place[signal_name(signal)] >= 0}


def find_relay(path: Path, form: TableFormat, names: Sequence[str], line: int = 0) -> int | None:
    """Return where the recorded relay is among the columns of these names; None: nowhere.

    Raises:
        RecordError: it is there twice, or not where the format says.
    """
    place = _find(path, form, RELAY, names, line)
    return None if place < 0 else place


def _find(path: Path, form: TableFormat, name: str, names: Sequence[str], line: int) -> int:
    theirs = form.columns.get(name, name)
    if names.count(theirs) > 1:
        raise RecordError(path, "every column once", line=line, column=theirs)
    if theirs not in names and name in form.columns:
        raise RecordError(path, f"a column {theirs}; there are: {_listed(names)}", line=line)
    return names.index(theirs) if theirs in names else -1


def _listed(names: Sequence[str]) -> str:
    """Return the names, as far as a line has room for them."""
    listed = ", ".join(names)
    return listed if len(listed) <= 200 else f"{listed[:197]}..."  # noqa: PLR2004


def parser_of(form: TableFormat, unknown: UnknownCodes, signal: Signal) -> CellParser:
    """Return how the cells of a signal are read."""
    unit = form.units.get(signal, QUANTITIES[signal].unit)
    codes, scaling = unknown.get(signal, ()), form.scaling.get(signal, UNSCALED)
    return CellParser(signal, unit, codes, decimal_comma=form.decimal_comma, scaling=scaling)


def comma_traps(parsers: Iterable[CellParser]) -> Iterator[Trap]:
    """Yield that numbers with a decimal comma were not read, if it is so."""
    trap = next((parser for parser in parsers if parser.comma_text), None)
    if trap is not None:
        text = one_line(trap.comma_text, _SHOWN_CHARACTERS)
        yield Trap(f'{signal_name(trap.signal)} has numbers such as "{text}", which need --decimal-comma',
                   ("--decimal-comma",))  # fmt: skip


def ratio_remark(highest_charge: float) -> list[str]:
    """Return what is odd about a whole record, its highest charge being that (percent)."""
    if not 0.0 < highest_charge <= 1.0:
        return []
    return [f"no state of charge is above {highest_charge:g} %: if 1 is full, --unit state_of_charge=ratio"]
