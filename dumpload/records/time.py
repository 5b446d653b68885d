"""The times in a record: one text to Unix seconds.

RFC 3339, Unix seconds or milliseconds, local times of a given zone, or any format that `datetime.strptime` takes.
"""

import re
from datetime import datetime, tzinfo
from enum import Enum

from dumpload.core.decode import parse_rfc3339
from dumpload.core.freshness import is_missing
from dumpload.core.text import MILLISECONDS_FROM

EXPECTED = "RFC 3339 such as 2025-06-16T12:00:00Z, or Unix seconds or milliseconds (other forms: --time-format)"
NO_OFFSET = "an offset such as Z or +01:00, or --timezone NAME"
NOT_MIXED = "an offset on all rows or on none"

# 1970 to 2200, Unix s: at another time no logger of today wrote a row, and calendars end at the year 9999.
EARLIEST, LATEST = 0.0, 7_258_118_400.0
IN_RANGE = "a time from 1970 to 2200"

_UNIX = re.compile(r"\d+(\.\d*)?", re.ASCII)
_LOCAL = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?", re.ASCII)


class TimeKind(Enum):
    """What times a record has."""

    UNIX = 1
    ZONED = 2
    LOCAL = 3


class ClockError(Exception):
    """No row of the record can be read as it is; the message says what was expected."""


class Times:
    """Reads the times of one record, row after row. `kind`: what times there were so far; None: none."""

    def __init__(self, time_format: str | None = None, zone: tzinfo | None = None) -> None:
        self.kind: TimeKind | None = None
        self._format = time_format
        self._zone = zone
        self._last = -float("inf")

    def read(self, text: str) -> float:
        """Return Unix seconds.

        Raises:
            ValueError: this is no time; the message says what was expected.
            ClockError: local times without a zone, or with and without an offset in the same record.
        """
        try:
            kind, value = self._parse(text.strip())
        except OverflowError:  # at the ends of the calendar
            raise ValueError(IN_RANGE) from None
        if not EARLIEST <= value < LATEST:
            raise ValueError(IN_RANGE)
        if self.kind is not None and {kind, self.kind} == {TimeKind.LOCAL, TimeKind.ZONED}:
            raise ClockError(NOT_MIXED)
        self.kind = self.kind or kind
        self._last = value
        return value

    def _parse(self, text: str) -> tuple[TimeKind, float]:
        if self._format is not None:
            return self._parse_format(text, self._format)
        if _UNIX.fullmatch(text):
            number = float(text)
            return TimeKind.UNIX, number / 1000.0 if number >= MILLISECONDS_FROM else number
        if not is_missing(stamp := parse_rfc3339(text)):
            return TimeKind.ZONED, stamp
        if not _LOCAL.fullmatch(text):
            raise ValueError(EXPECTED)
        try:
            moment = datetime.fromisoformat(text.upper())
        except ValueError:
            raise ValueError(EXPECTED) from None
        return TimeKind.LOCAL, self._from_local(moment)

    def _parse_format(self, text: str, form: str) -> tuple[TimeKind, float]:
        try:
            moment = datetime.strptime(text, form)  # noqa: DTZ007  (local unless it has an offset)
        except ValueError:
            msg = f"a time of the form {form}"
            raise ValueError(msg) from None
        if moment.tzinfo is None:
            return TimeKind.LOCAL, self._from_local(moment)
        return TimeKind.ZONED, moment.timestamp()

    def _from_local(self, moment: datetime) -> float:
        """Return a local time as Unix s; of the two readings of a repeated hour the first that does not go back."""
        if self._zone is None:
            raise ClockError(NO_OFFSET)
        here = moment.replace(tzinfo=self._zone)
        first = here.timestamp()
        if not EARLIEST <= first < LATEST:
            raise ValueError(IN_RANGE)
        if datetime.fromtimestamp(first, self._zone).replace(tzinfo=None) != moment:
            msg = "a local time that exists (the clocks went forward)"
            raise ValueError(msg)
        return first if first >= self._last else max(first, here.replace(fold=1).timestamp())
