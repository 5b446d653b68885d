"""The times in a record: one text to Unix seconds, and whole columns of them at once.

RFC 3339, Unix seconds or milliseconds, local times of a given zone, or any form that `datetime.strptime` takes.
Reads texts; knows nothing of files.
"""

import re
from bisect import bisect_right
from datetime import UTC, datetime, timedelta, tzinfo
from enum import Enum

from dumpload.core.decode import parse_rfc3339
from dumpload.core.freshness import is_missing

EXPECTED = "RFC 3339 such as 2025-06-16T12:00:00Z, or Unix seconds or milliseconds (other forms: --time-format)"
NO_OFFSET = "an offset such as Z or +01:00, or --timezone NAME"
NOT_MIXED = "an offset on all rows or on none"

MILLISECONDS_FROM = 1e11
"""A Unix time at or above this is in milliseconds: as seconds it would be the year 5138."""

_UNIX = re.compile(r"\d+(\.\d*)?", re.ASCII)
_LOCAL = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?", re.ASCII)
_FIXED = re.compile(r"(\d{4}-\d\d-\d\d[Tt ])\d\d:\d\d:\d\d(?:\.(\d{1,6}))?([Zz]|[+-]\d\d:\d\d)?", re.ASCII)

_DIGITS = bytes.maketrans(b"123456789", b"0" * 9)
_SECONDS = {11: 36_000, 12: 3600, 14: 600, 15: 60, 17: 10, 18: 1}
"""Where the digits of HH:MM:SS stand, and what each counts in seconds."""

_DATE = (0, 1, 2, 3, 5, 6, 8, 9)
_FRACTION_AT = 20
_DAY_WIDTH = 11
_LATEST = 2**32 - 2 * 86_400
YEAR_10000 = 253_402_300_800.0
_LANE = 4
"""Bytes per row in a long integer that holds a number below 2^32 for every row."""


class Kind(Enum):
    """What times a record has."""

    UNIX = 1
    ZONED = 2
    LOCAL = 3


class ClockError(Exception):
    """No row of the record can be read as it stands; the message says what was expected."""


class Times:
    """Reads the times of one record, row after row."""

    def __init__(self, time_format: str | None = None, zone: tzinfo | None = None) -> None:
        """Take the form (None: find out) and the zone of times without an offset (None: there are none)."""
        self._format = time_format
        self._zone = zone
        self._kind: Kind | None = None
        self._last = -float("inf")

    @property
    def kind(self) -> Kind | None:
        """What times there were so far; None: none."""
        return self._kind

    def read(self, text: str) -> float:
        """Return Unix seconds.

        Raises:
            ValueError: this is no time; the message says what was expected.
            ClockError: local times without a zone, or with and without an offset in the same record.
        """
        kind, value = self._parse(text.strip())
        if self._kind is not None and {kind, self._kind} == {Kind.LOCAL, Kind.ZONED}:
            raise ClockError(NOT_MIXED)
        self._kind = self._kind or kind
        self._last = value
        return value

    def _parse(self, text: str) -> tuple[Kind, float]:
        if self._format is not None:
            return self._parse_form(text, self._format)
        if _UNIX.fullmatch(text):
            number = float(text)
            value = number / 1000.0 if number >= MILLISECONDS_FROM else number
            if value >= YEAR_10000:
                raise ValueError(EXPECTED)
            return Kind.UNIX, value
        if not is_missing(stamp := parse_rfc3339(text)):
            return Kind.ZONED, stamp
        if not _LOCAL.fullmatch(text):
            raise ValueError(EXPECTED)
        try:
            moment = datetime.fromisoformat(text.upper())
        except ValueError:
            raise ValueError(EXPECTED) from None
        return Kind.LOCAL, self._from_local(moment)

    def _parse_form(self, text: str, form: str) -> tuple[Kind, float]:
        try:
            moment = datetime.strptime(text, form)  # noqa: DTZ007  (local unless it has an offset)
        except ValueError:
            msg = f"a time of the form {form}"
            raise ValueError(msg) from None
        return (Kind.LOCAL, self._from_local(moment)) if moment.tzinfo is None else (Kind.ZONED, moment.timestamp())

    def _from_local(self, moment: datetime) -> float:
        """Return a local time as Unix s; of the two readings of a repeated hour the first that does not go back."""
        if self._zone is None:
            raise ClockError(NO_OFFSET)
        here = moment.replace(tzinfo=self._zone)
        first = here.timestamp()
        if datetime.fromtimestamp(first, self._zone).replace(tzinfo=None) != moment:
            msg = "a local time that exists (the clocks went forward)"
            raise ValueError(msg)
        return first if first >= self._last else max(first, here.replace(fold=1).timestamp())

    # ---- whole columns ----

    def read_column(self, texts: list[str]) -> list[float] | None:
        """Return for every text what `read` would; None when they have not one plain form, or are out of order.

        Does nothing row by row. The texts may begin with a line feed, all of them or none; some of them is not plain.
        """
        before = self._kind, self._last
        try:
            times = self._read_pieces(texts)
        except (ValueError, ClockError):
            times = None
        if times is None:
            self._kind, self._last = before
        return times

    def _read_pieces(self, texts: list[str]) -> list[float] | None:
        if self._format is not None:
            return None
        first = self.read(texts[0])
        if self._kind == Kind.UNIX:
            return self._checked(texts, first, _unix_column(texts))
        times: list[float] = []
        while len(times) < len(texts):  # day by day: the date and the offset are then the same on every row
            begin = len(times)
            end = bisect_right(texts, texts[begin][:_DAY_WIDTH] + "~", begin)
            if end == begin:  # no time can be so
                return None
            piece = texts[begin:end]
            first = self.read(piece[0])
            column = self._checked(piece, first, self._fixed_column(_lines(piece), first, len(piece)))
            if column is None or (times and column[0] < times[-1]):
                return None
            times += column
        return times

    def _checked(self, texts: list[str], first: float, times: list[float] | None) -> list[float] | None:
        if times is None or times[0] != first or times[-1] != self.read(texts[-1]):
            return None
        return times

    def _fixed_column(self, data: bytes, first: float, rows: int) -> list[float] | None:
        """Read HH:MM:SS at fixed places."""
        width = data.index(b"\n") + 1
        match = _FIXED.fullmatch(data[: width - 1].decode())
        began = int(first) - _read_digits(data[:width], width, _SECONDS, 0)[0] if match else -1
        if match is None or not 0 <= began < _LATEST or (not match[3] and self._changes_clocks(first)):
            return None
        if data.translate(_DIGITS) != data[:width].translate(_DIGITS) * rows:
            return None
        fixed = (*_DATE, *range(width - 1 - len(match[3] or ""), width - 1))
        if any(data[place::width] != data[place : place + 1] * rows for place in fixed):
            return None  # of several days, or with several offsets
        if data[14::width].translate(None, b"012345") or data[17::width].translate(None, b"012345"):
            return None  # no such minute or second
        times = _with_fraction(data, width, began, len(match[2] or ""))
        return times if times == sorted(times) else None

    def _changes_clocks(self, t: float) -> bool:
        """Return whether local time jumps within a day of `t`."""
        offsets = {
            (datetime.fromtimestamp(t, UTC) + timedelta(days=days)).astimezone(self._zone).utcoffset()
            for days in (-1, 0, 1)
        }
        return len(offsets) > 1


def _lines(texts: list[str]) -> bytes:
    """Return the texts as lines of bytes."""
    joined = "".join(texts)[1:] if texts[0].startswith("\n") else "\n".join(texts)
    return joined.encode() + b"\n"


def _unix_column(texts: list[str]) -> list[float] | None:
    data = _lines(texts)
    if data.translate(None, b"0123456789.\n") or data.startswith(b".") or b"\n." in data:
        return None
    if data.count(b"\n") != len(texts):
        return None
    times = list(map(float, texts))
    if times != sorted(times):
        return None
    if times[0] >= MILLISECONDS_FROM:
        return [time / 1000.0 for time in times]
    return times if times[-1] < MILLISECONDS_FROM else None


def _read_digits(data: bytes, width: int, weights: dict[int, int], added: int) -> list[int]:
    """Return for every row of `width` bytes the sum of the digits at the places, each times its weight, plus `added`.

    All rows at once: one long integer has a lane of four bytes for each row, so the results must be below 2^32.
    """
    rows = len(data) // width
    total = 0
    for place, weight in weights.items():
        lanes = bytearray(_LANE * rows)
        lanes[::_LANE] = data[place::width]
        total += int.from_bytes(lanes, "little") * weight
    added -= ord("0") * sum(weights.values())
    total += added * int.from_bytes(b"\1\0\0\0" * rows, "little")
    return memoryview(total.to_bytes(_LANE * rows, "little")).cast("I").tolist()


def _with_fraction(data: bytes, width: int, began: int, digits: int) -> list[float]:
    if not digits:
        return list(_read_digits(data, width, _SECONDS, began))
    scale = 10**digits
    weights = {_FRACTION_AT + place: 10 ** (digits - 1 - place) for place in range(digits)}
    seconds = _read_digits(data, width, _SECONDS, 0)
    fractions = _read_digits(data, width, weights, 0)
    return [((began + second) * scale + part) / scale for second, part in zip(seconds, fractions, strict=True)]
