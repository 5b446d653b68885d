"""The report pages from the history: made one at a time on a thread, kept for a while, never without end."""

import asyncio
import threading
import time
from datetime import tzinfo
from pathlib import Path
from typing import NamedTuple

from dumpload.config.model import Settings
from dumpload.core.printable import one_line
from dumpload.records.record import RecordError
from dumpload.report.local_time import Span
from dumpload.report.period import span_of
from dumpload.report.report import report_of_history

# A page that may still change is made anew after this, and any other after the second.
FRESH_S, KEPT_S = 60.0, 3600.0

# Pages kept, of about 150 kB each; requests that wait for their turn; and how long one may take on a slow board.
MOST_KEPT, MOST_WAITING, LONGEST_S = 12, 8, 180.0


class UnknownPeriodError(Exception):
    """The name in the address means no period."""


class NoReportError(Exception):
    """There is no such report now; the message says why. `retry_s`: when to ask again, 0 if there is no use."""

    def __init__(self, message: str, retry_s: int = 0) -> None:
        super().__init__(message)
        self.retry_s = retry_s


class _Made(NamedTuple):
    """A page or the reason why there is none, and until when it is good (monotonic s)."""

    page: str
    reason: str
    until: float


class Reports:
    """The reports of one history."""

    def __init__(self, path: Path | None, settings: Settings, zone: tzinfo) -> None:
        self._path, self._settings, self._zone = path, settings, zone
        self._made: dict[str, _Made] = {}
        self._turn = asyncio.Lock()
        self._waiting = 0
        self._stop = threading.Event()

    async def page(self, name: str) -> str:
        """Return the page of a period such as 7d, 2025-06 or yesterday.

        Raises:
            UnknownPeriodError: it names none.
            NoReportError: there is nothing to report, or no time for it now.
        """
        try:
            span_of(name, self._zone, time.time())
        except ValueError:
            raise UnknownPeriodError from None
        if self._path is None:
            message = "No history is kept: set history.path in the settings"
            raise NoReportError(message)
        made = self._kept(name) or await self._make_in_turn(name, self._path)
        if made.reason:
            raise NoReportError(made.reason)
        return made.page

    def close(self) -> None:
        """End what is being made."""
        self._stop.set()

    def _kept(self, name: str) -> _Made | None:
        made = self._made.get(name)
        return made if made is not None and time.monotonic() < made.until else None

    async def _make_in_turn(self, name: str, path: Path) -> _Made:
        if self._waiting >= MOST_WAITING:
            message = "Other reports are being made. Try again in a minute"
            raise NoReportError(message, 60)
        self._waiting += 1
        try:
            async with self._turn:
                return self._kept(name) or await self._make(name, path)
        finally:
            self._waiting -= 1

    async def _make(self, name: str, path: Path) -> _Made:
        now = time.time()
        span = span_of(name, self._zone, now)
        page, reason = await asyncio.to_thread(self._work, path, span, time.monotonic() + LONGEST_S)
        good_s = KEPT_S if page and span.end < now else FRESH_S
        while len(self._made) >= MOST_KEPT:
            del self._made[next(iter(self._made))]
        self._made.pop(name, None)
        self._made[name] = made = _Made(page, reason, time.monotonic() + good_s)
        return made

    def _work(self, path: Path, span: Span, end_at: float) -> tuple[str, str]:
        def watch(_part: float) -> None:
            if self._stop.is_set() or time.monotonic() > end_at:
                raise _TooLongError

        try:
            return report_of_history(path, self._settings, span, watch).page, ""
        except RecordError as error:
            return "", one_line(str(error))
        except _TooLongError:
            return "", f"The report takes longer than {LONGEST_S:.0f} s on this computer. Ask for a shorter period"


class _TooLongError(Exception):
    """There is no more time for this report."""
