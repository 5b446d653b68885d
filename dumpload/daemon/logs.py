"""The log: one event per line on standard error, JSON for machines, plain lines on a terminal.

Logging must never delay the relay, so nothing here blocks or raises: lines go through a
bounded queue to a thread of their own, and what does not fit, or cannot be written, is dropped and counted.
"""

import contextlib
import json
import logging
import math
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Hashable, Mapping, MutableMapping
from pathlib import Path
from typing import Any

import structlog

from dumpload import __version__
from dumpload.core.printable import printable
from dumpload.core.text import utc_text

QUEUE_LINES = 1000
REPEAT_EVERY_S = 60.0
# Kinds of message distinguished at once: peers can create kinds, which must not fill the memory.
REPEATS_KEPT = 100

# A UUID that the kernel makes at each boot, random(4).
KERNEL_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")

Fields = MutableMapping[str, Any]


class LineWriter:
    """Writes lines to a file descriptor from a thread of its own."""

    def __init__(self, descriptor: int) -> None:
        """Start the thread; `descriptor` may be slow, full, or closed at the other end.

        `on_dropped`, set later, is called on that thread with the number of lines lost, once lines get through again.
        """
        self._descriptor = descriptor
        self._lines: deque[str | threading.Event] = deque(maxlen=QUEUE_LINES)
        self._wanted = threading.Semaphore(0)
        self.dropped = 0
        self.on_dropped: Callable[[int], None] = lambda _lines: None
        self._reported = 0
        self._repeats = RateLimiter()
        threading.Thread(target=self._run, name="log-writer", daemon=True).start()

    def put(self, line: str | threading.Event) -> None:
        """Queue a line, or a mark that is set when it is reached; the oldest is dropped when the queue is full."""
        if len(self._lines) == QUEUE_LINES:
            self.dropped += 1
        self._lines.append(line)
        self._wanted.release()

    def flush(self, within_s: float) -> None:
        """Wait until everything is written, the line at hand too, at most `within_s`."""
        reached = threading.Event()
        self.put(reached)
        reached.wait(within_s)

    def _run(self) -> None:
        while True:
            self._wanted.acquire()
            try:
                line = self._lines.popleft()
            except IndexError:  # it was dropped for a newer one
                continue
            if not isinstance(line, str):
                line.set()
            elif self._write(line):
                self._report_dropped()

    def _report_dropped(self) -> None:
        lost = self.dropped - self._reported
        if lost and self._repeats.allow("dropped", time.monotonic()) is not None:
            self._reported += lost
            self.on_dropped(lost)

    def _write(self, line: str) -> bool:
        data = (line + "\n").encode("utf-8", "backslashreplace")
        try:
            while data:
                data = data[os.write(self._descriptor, data) :]
        except OSError:
            self.dropped += 1
            return False
        return True


class RateLimiter:
    """Rate limiter: pass the first event of a key, then at most one per interval with the number suppressed."""

    def __init__(self, every_s: float = REPEAT_EVERY_S, kinds: int = REPEATS_KEPT) -> None:
        """Pass a kind once in `every_s`, and at most `kinds` of them in that time."""
        self._every_s = every_s
        self._kinds = kinds
        self._seen: dict[Hashable, tuple[float, int]] = {}

    def allow(self, kind: Hashable, t: float) -> int | None:
        """Return how many of this kind were left out since the last one let through, or None to leave this out."""
        if kind not in self._seen and len(self._seen) >= self._kinds:
            self._seen = {key: entry for key, entry in self._seen.items() if t - entry[0] < self._every_s}
            kind = kind if len(self._seen) < self._kinds else None  # ever new ones: all of one kind
        last, left_out = self._seen.get(kind, (-math.inf, 0))
        if t - last < self._every_s:
            self._seen[kind] = (last, left_out + 1)
            return None
        self._seen[kind] = (t, 0)
        return left_out


def render_json(_logger: Any, _method: str, fields: Fields) -> str:
    """Render one JSON object per line; other types become text, control characters JSON escapes."""
    line = json.dumps(fields, default=str, ensure_ascii=False)
    return line if line.isprintable() else json.dumps(fields, default=str)


def render_line(_logger: Any, _method: str, fields: Fields) -> str:
    """Render one readable line: time (UTC), level unless info, then the sentence, or else the event and its fields."""
    clock = fields.pop("at")[11:19]
    level = fields.pop("level")
    mark = "" if level == "info" else f"{level.upper()}: "
    mark = f"{fields.pop('instance')}: {mark}" if "instance" in fields else mark
    event, sentence = fields.pop("event"), fields.pop("text", None)
    trace = fields.pop("exception", None)
    if sentence is None:
        sentence = " ".join([str(event).replace("_", " "), *(f"{key}={value}" for key, value in fields.items())])
    line = f"{clock}Z  {mark}{sentence}" + (f"\n{trace}" if trace else "")
    # Indented, so that nothing that a stranger sent can pass for a line of the log.
    return printable(line, lines=True).replace("\n", "\n  ")


class _ToWriter(logging.Handler):
    """Routes records of the standard library's logging to the same writer."""

    def __init__(self, log: Any) -> None:
        super().__init__(logging.WARNING)
        self._log = log

    def emit(self, record: logging.LogRecord) -> None:
        self._log.warning("library", logger=record.name, message=record.getMessage())


def log_context(instance: str, *, human: bool, several: bool, kernel: Path = KERNEL_BOOT_ID) -> dict[str, str]:
    """Return what every line says of its program: instance, boot of the computer (as the journal has it), version."""
    # On a terminal the name alone, and only where there are several instances: the person there started this one.
    if human:
        return {"instance": instance} if several else {}
    boot = {}
    with contextlib.suppress(OSError, ValueError):
        boot["boot_id"] = kernel.read_text("ascii").strip()
    return {"instance": instance, **boot, "version": __version__}


def open_log(
    descriptor: int,
    wall: Callable[[], float],
    *,
    human: bool,
    least: str = "info",
    context: Mapping[str, str] | None = None,
) -> tuple[Any, LineWriter]:
    """Set up logging to a descriptor; return the logger and its writer.

    `wall` gives Unix seconds. `least` is the least level that is written. `context`: what is in every line.
    """
    writer = LineWriter(descriptor)

    def stamp(_logger: Any, method: str, fields: Fields) -> Fields:
        return {"at": utc_text(wall()), "level": "warning" if method == "warn" else method, **fields}

    log = structlog.wrap_logger(
        _Sink(writer.put),
        processors=[stamp, structlog.processors.format_exc_info, render_line if human else render_json],
        wrapper_class=structlog.make_filtering_bound_logger(least),
        cache_logger_on_first_use=True,
    ).bind(**(context or {}))
    writer.on_dropped = lambda lines: log.warning(
        "lines_dropped", text=f"{lines} lines of this log were lost", lines=lines
    )
    logging.basicConfig(handlers=[_ToWriter(log)], level=logging.WARNING, force=True)
    return log, writer


class _Sink:
    """The structlog sink: takes finished lines of every level."""

    def __init__(self, put: Callable[[str], None]) -> None:
        self.debug = self.info = self.warning = self.error = self.exception = self.critical = put
