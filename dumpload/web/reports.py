"""The report pages from the history: made one at a time on a thread, cached for a while, bounded in time."""

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

# How long a page is cached that may still change, as a time or as a multiple of its cost; and any other page.
FRESH_S, TIMES, KEPT_S = 60.0, 20, 3600.0

# Pages kept, of about 150 kB each; those that wait to be made; how long a browser is left waiting, and how long one
# may take on a slow board, where a year takes minutes.
MOST_KEPT, MOST_WAITING, PROMPT_S, LONGEST_S = 12, 8, 10.0, 1200.0


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
        self._making: dict[str, asyncio.Task[_Made]] = {}
        self._turn = asyncio.Lock()
        self._part, self._at_work_on = 0.0, ""
        self._stop = threading.Event()

    async def page(self, name: str) -> str:
        """Return the page of a period such as 7d, 2025-06 or yesterday.

        Raises:
            UnknownPeriodError: it names none.
            NoReportError: there is nothing to report, or not yet.
        """
        try:
            span_of(name, self._zone, time.time())
        except ValueError:
            raise UnknownPeriodError from None
        if self._path is None:
            message = "No history: set history.path in the settings"
            raise NoReportError(message)
        report = self._kept(name) or await self._wait_for(name, self._path)
        if report.reason:
            raise NoReportError(report.reason)
        return report.page

    def close(self) -> None:
        """Cancel the report in progress."""
        self._stop.set()
        for task in self._making.values():
            task.cancel()

    def _kept(self, name: str) -> _Made | None:
        report = self._made.get(name)
        return report if report is not None and time.monotonic() < report.until else None

    async def _wait_for(self, name: str, path: Path) -> _Made:
        """Have a page made; it is made to its end, whoever still waits."""
        if name not in self._making and len(self._making) >= MOST_WAITING:
            message = "Other reports are being prepared. Try again in a minute"
            raise NoReportError(message, 60)
        if name not in self._making:
            self._making[name] = asyncio.create_task(self._make(name, path))
            self._making[name].add_done_callback(lambda _task: self._making.pop(name))
        task = self._making[name]
        await asyncio.wait({task}, timeout=PROMPT_S)
        if not task.done():
            own = f"Preparing the report: {100 * self._part:.0f}%"
            raise NoReportError(own if self._at_work_on == name else "Waiting for another report to finish", 10)
        return task.result()

    async def _make(self, name: str, path: Path) -> _Made:
        async with self._turn:
            began, now = time.monotonic(), time.time()
            span = span_of(name, self._zone, now)
            self._at_work_on = name
            page, reason = await asyncio.to_thread(self._work, path, span, began + LONGEST_S)
            took_s = time.monotonic() - began
            good_s = KEPT_S if page and span.end < now else max(FRESH_S, TIMES * took_s)
            while len(self._made) >= MOST_KEPT:
                del self._made[next(iter(self._made))]
            self._made.pop(name, None)
            self._made[name] = report = _Made(page, reason, time.monotonic() + good_s)
            return report

    def _work(self, path: Path, span: Span, end_at: float) -> tuple[str, str]:
        self._part = 0.0

        def watch(part: float) -> None:
            self._part = part
            if self._stop.is_set() or time.monotonic() > end_at:
                raise _TooLongError

        try:
            return report_of_history(path, self._settings, span, watch).page, ""
        except RecordError as error:
            return "", _without_path(error, path)
        except _TooLongError:
            return "", f"The report takes longer than {LONGEST_S / 60:.0f} min here. Ask for a shorter period"


def _without_path(error: RecordError, path: Path) -> str:
    """Return why there is no report, without the path, which viewers need not know."""
    reason = one_line(str(error).removeprefix(f"{path}: ").replace(str(path), "the history"))
    reason = reason.replace("expected a period with data", "Nothing was recorded in that period")
    return f"The history cannot be read ({reason})" if reason.startswith("expected") else reason


class _TooLongError(Exception):
    """There is no more time for this report."""
