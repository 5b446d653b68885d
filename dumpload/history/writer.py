"""Keeps the history from a thread of its own: nobody who has something to record ever waits for the disk.

What cannot be written waits in a bounded backlog and is tried again, more and more slowly; a damaged file is moved
aside and a new one begun. Nothing here raises into the caller, and nothing here decides anything.
"""

import contextlib
import itertools
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from dumpload.history.backlog import Backlog, Batch
from dumpload.history.file import (
    NOT_OURS,
    ForeignError,
    HistoryFile,
    Retention,
    Start,
    is_ours,
    is_passing,
    set_aside,
    why_useless,
)
from dumpload.history.schema import Boot, Entry, RowKind

# Writes a day, made for an SD card: rows wait up to BATCH_S and are committed together, so that there are at most 86400
# / BATCH_S = 720 such commits. A relay change, a start and a stop are committed at once, together with all that waits,
# and synced to the last: with C changes and S starts a day that is at most 720 + C + 2 S commits. Syncs: three for a
# commit, five for one of a change, a start or a stop; C is at most 2 * 86400 / min_off_s. Measured on ext4, with 50
# changes and 6 kept samples a minute: 73 MB a day in 9,200 writes, where a write-ahead log took 63 MB in 10,300 with
# commits each minute (its pages go to the card by the system's own rhythm).
BATCH_S = 120.0
MAX_SAMPLES = 5000
MAX_MOMENTS = 1000
RETRY_S = 5.0
LONGEST_RETRY_S = 300.0

# Rows are ordered by numbers that are handed out before it is known what an event comes to, in steps, so that whatever
# it causes finds room behind it and before the next. The numbers come from one counter without a lock, since a fault
# may be recorded from a signal handler or another thread. One event makes fewer rows than this: a gap, a clock step,
# six losses, itself, two changes, a fault.
SEQUENCE_STEP = 16

# Kinds that are written at once: a power cut must not take them.
URGENT = frozenset({RowKind.START, RowKind.STOP, RowKind.CHANGE})


class HistoryOptions(NamedTuple):
    """How the history is kept: days, MB (10^6 bytes), seconds."""

    retain_days: float
    max_size_mb: float
    batch_s: float = BATCH_S
    retry_s: float = RETRY_S


class Gap(NamedTuple):
    """Rows are missing: how many, as far as is known, and why."""

    rows: int
    why: str


class HistoryWriter:
    """The record of one start of the program."""

    def __init__(
        self, path: Path, options: HistoryOptions, on_note: Callable[[str], None], wall: Callable[[], float] = time.time
    ) -> None:
        """Nothing is opened before `begin`.

        `on_note` is called from the writer's thread with what is wrong ("" once all is well). `wall` gives Unix s.
        """
        self._path, self._options, self._on_note, self._wall = path, options, on_note, wall
        self._limits = Retention(options.retain_days, options.max_size_mb * 1e6)
        self._backlog = Backlog(MAX_SAMPLES, MAX_MOMENTS)
        self._sequences = itertools.count(0, SEQUENCE_STEP)
        self._thread = threading.Thread(target=self._run, name="history", daemon=True)
        self._start: Start | None = None
        self._file: HistoryFile | None = None
        self._is_doubtful = True
        self._was_open = False
        self._trouble = self._why_new = self._remark = self._noted = ""
        self._gap: Gap | None = None

    # ---- for everybody ----

    def reserve(self) -> int:
        """Return the first of SEQUENCE_STEP sequence numbers for what happens now. Takes no lock."""
        return next(self._sequences)

    def begin(self, boot: Boot, first: Entry) -> None:
        """Start recording; `first` is the row that every file of this start of the program begins with."""
        self._start = Start(boot, first)
        self._thread.start()

    def put(self, entry: Entry) -> None:
        """Have a row written, at once if its kind is urgent. Costs microseconds and never raises."""
        self._backlog.put(entry, urgent=entry.kind in URGENT)

    def extend(self, sequence: int, until: float) -> None:
        """Have a sample's row say that its value has gone on arriving until then (monotonic s)."""
        self._backlog.extend(sequence, until)

    def take_gap(self) -> Gap | None:
        """Return, once, what is missing before whatever is put next."""
        if self._gap is None:  # the usual case, without a swap
            return None
        gap, self._gap = self._gap, None
        return gap

    def close(self, within_s: float) -> bool:
        """Write what waits and close; return whether that was done in time."""
        self._backlog.close()
        if self._thread.ident is not None:
            self._thread.join(within_s)
        return not self._thread.is_alive()

    # ---- the thread ----

    def _run(self) -> None:
        pause_s = self._options.retry_s
        ended = False
        while True:
            is_written = self._try_to_write(last=ended)
            if ended:
                break
            if is_written:
                pause_s = self._options.retry_s
            else:
                self._backlog.wait_until_closed(pause_s)
                pause_s = min(2 * pause_s, LONGEST_RETRY_S)
            ended = self._backlog.wait_until_due(self._options.batch_s)
        self._let_go()

    def _try_to_write(self, *, last: bool) -> bool:
        """Write what waits; return whether that is done. When the file is no good, it goes into a new one."""
        batch = self._backlog.take()
        try:
            try:
                self._write(batch, last=last)
            except Exception as error:
                if not self._move_aside(error):
                    raise
                self._write(batch, last=last)
        except Exception as error:  # noqa: BLE001  (whatever it is, the control goes on)
            self._fail(error, batch)
            return False
        self._recover()
        return True

    def _write(self, batch: Batch, *, last: bool) -> None:
        if self._file is not None and not self._file.is_in_place():
            self._let_go()
            self._why_new = f"{self._path} was moved or deleted while in use"
        if self._file is None:
            self._file = self._open()
        if not batch.is_empty:
            self._file.write(batch, durable=batch.urgent or last)

    def _open(self) -> HistoryFile:
        assert self._start is not None  # noqa: S101  (the thread runs only after `begin`)
        file = HistoryFile(self._path, self._start, self._limits, check=self._is_doubtful, wall=self._wall)
        self._is_doubtful = False
        if file.is_new and self._why_new:
            self._remark = f"{self._why_new}; a new file was started"
        if file.is_new and self._was_open:
            self._gap = Gap(0, self._remark)
        self._why_new, self._was_open = "", True
        return file

    def _let_go(self) -> None:
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(Exception):
                file.close()

    def _move_aside(self, error: Exception) -> bool:
        """Quarantine a damaged history; return whether the error was the file's fault.

        Raises:
            ForeignError: the file never was a history; it is left as it is.
        """
        if not (word := why_useless(error)):
            return False
        self._let_go()
        if not is_ours(self._path):
            raise ForeignError(NOT_OURS) from error
        aside = set_aside(self._path, word, self._wall())
        self._why_new = f"{self._path} was {word} ({error}) and was renamed to {aside.name}"
        return True

    def _fail(self, error: Exception, batch: Batch) -> None:
        self._let_go()
        if is_passing(error):
            self._backlog.put_back(batch)
        else:
            self._backlog.dropped += len(batch.moments) + len(batch.samples)
        self._trouble = f"not recording: {self._path}: {error}"
        self._note()

    def _recover(self) -> None:
        if dropped := self._backlog.take_dropped():
            self._gap = Gap(dropped, self._trouble or "more rows than there was room for")
        self._trouble = ""
        self._note()

    def _note(self) -> None:
        note = "; ".join(filter(None, (self._trouble, self._remark)))
        if note != self._noted:
            self._noted = note
            with contextlib.suppress(Exception):
                self._on_note(note)
