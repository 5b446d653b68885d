"""What must outlive a restart: a selector in off, a lockout, and the day's on-time.

A small file in the service manager's state directory, replaced whole and synced by a thread of its own, so that a slow
disk never delays a decision. Hand is never kept. What cannot be read as ours counts as off: every doubt does.
"""

import json
import math
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from dumpload.core.controller import Lockout
from dumpload.core.window import DAY_S, LocalTime
from dumpload.files import read_plain, write_synced

# The file has about 150 bytes; one that is larger is not ours.
MAX_BYTES = 4096

# No day is longer than this, not even the one on which summer time ends.
LONGEST_DAY_S = 90_000.0


# While the load is on, its on-time is written this often: SD cards wear out.
SAVE_EVERY_S = 60.0

# A card that failed once mostly fails on; each attempt syncs file, name and folder (our choice, no source).
RETRY_S = 10.0


class SavedState(NamedTuple):
    """What is kept: `on_time_s` of the local day numbered `day` (-1: not counted), as of `at` (Unix s).

    `on`: the relay was on then. A program that dies cannot write that it is off.
    """

    selector_off: bool = False
    lockout: Lockout = Lockout.NONE
    day: int = -1
    on_time_s: float = 0.0
    on: bool = False
    at: float = 0.0


def carried_over(saved: SavedState, local: LocalTime, wall: float) -> tuple[float, int]:
    """Return the on-time (s) to start with, and its day; `wall`: the moment of the start (Unix s), `local`: its day."""
    if saved.day < 0:
        return 0.0, -1
    saved_on = local.day + (saved.at - local.day_began_at) // DAY_S
    # Around midnight summer time may make one of it.
    was_seen = saved.day - saved_on <= 1
    is_later_day = saved.day < local.day
    since = max(saved.at, local.day_began_at) if is_later_day else saved.at
    # A program that died with the relay on counts as on until this start, the first moment at which the line is known
    # to be off; but for no longer than the day has lasted.
    blind_s = max(SAVE_EVERY_S, wall - since) if saved.on else 0.0
    # A clock that was set back, or is not set yet, does not renew the day's budget. But a day is not carried on by runs
    # that never saw it: a board without a network would never end the first one.
    if saved.day > local.day and was_seen:
        return min(saved.on_time_s + (SAVE_EVERY_S if saved.on else 0.0), LONGEST_DAY_S), saved.day
    on_time_s = blind_s if is_later_day else saved.on_time_s + blind_s
    return min(on_time_s, max(0.0, wall - local.day_began_at)), local.day


def state_path(environ: Mapping[str, str], name: str) -> Path | None:
    """Return the place of a file that outlives a restart, in the service's state folder; None: there is none."""
    folder = environ.get("STATE_DIRECTORY", "").split(":")[0]
    return Path(folder, name) if folder else None


class StateFile:
    """Reads at start, and writes whenever something worth keeping changes."""

    def __init__(self, environ: Mapping[str, str], on_trouble: Callable[[str], None] = lambda _text: None) -> None:
        """Locate STATE_DIRECTORY; without it nothing is kept.

        `on_trouble` is called, from any thread, with what could not be read or written, and with "" once all is well;
        it may be set later, before `read`.
        """
        self.path = state_path(environ, "kept.json")
        self.on_trouble = on_trouble
        self._trouble = ""
        self._changed = threading.Condition()
        # None: as it is on the disk, which could not be read.
        self._wanted: SavedState | None = SavedState()
        self._written: SavedState | None = SavedState()
        self._tried: SavedState | None = None
        self._is_writing = False
        self._waiting: list[Callable[[str], None]] = []
        if self.path is not None:
            threading.Thread(target=self._run, name="state-file", daemon=True).start()

    def read(self) -> SavedState:
        """Return what was kept; nothing kept yet is the usual start, and what cannot be read is off."""
        if self.path is None:
            return SavedState()
        try:
            saved = _parse(read_plain(self.path, MAX_BYTES, follow=False))
        except FileNotFoundError:
            return SavedState()
        except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
            self._say(f"{self.path} cannot be read ({str(error)[:80]}): the selector starts in off until it is moved")
            # What could not be read is not overwritten either, until there is something to say: a person may want to
            # see the file.
            self._wanted = self._written = None
            return SavedState(selector_off=True)
        self._wanted = self._written = saved
        return saved

    def keep(self, saved: SavedState) -> None:
        """Schedule a write. Never blocks or raises."""
        if self.path is None:
            return
        with self._changed:
            self._wanted = saved
            self._changed.notify()

    def when_durable(self, confirm: Callable[[str], None]) -> None:
        """Call `confirm` once the disk has all that was given to `keep`, with what went wrong or "".

        At once if it has it already, else on the writer's thread. It must not raise.
        """
        # Whoever confirms something to a person waits here: a confirmed off was once lost because the service stopped
        # while the disk was slow.
        with self._changed:
            if self.path is not None and (self._is_writing or self._wanted != self._written):
                self._waiting.append(confirm)
                self._changed.notify()
                return
        confirm("")

    def flush(self, within_s: float) -> bool:
        """Wait until the disk has all that was given to `keep`; return whether it has, in time."""
        finished, troubles = threading.Event(), []

        def confirm(trouble: str) -> None:
            troubles.append(trouble)
            finished.set()

        self.when_durable(confirm)
        return finished.wait(within_s) and not troubles[0]

    # ---- the thread ----

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._wanted != self._written)
                saved, self._is_writing = self._wanted, True
            assert saved is not None  # noqa: S101  (None is never wanted anew)
            self._tried = saved
            trouble = self._try_to_write(saved)
            self._say(trouble)
            for confirm in self._take_waiting(saved, trouble):
                confirm(trouble)
            if trouble:
                with self._changed:
                    self._changed.wait_for(self._is_asked_again, RETRY_S)

    def _is_asked_again(self) -> bool:
        return self._wanted != self._tried or bool(self._waiting)

    def _take_waiting(self, saved: SavedState, trouble: str) -> list[Callable[[str], None]]:
        """Return who is to be answered now: all, unless something newer is wanted meanwhile."""
        with self._changed:
            self._is_writing = False
            if not trouble:
                self._written = saved
            if self._wanted != saved:
                return []
            waiting, self._waiting = self._waiting, []
            return waiting

    def _try_to_write(self, saved: SavedState) -> str:
        try:
            self._write(saved)
        except OSError as error:
            return f"{self.path} cannot be written ({error}): selector, lockout and on-time are not kept"
        return ""

    def _write(self, saved: SavedState) -> None:
        assert self.path is not None  # noqa: S101  (the thread runs only with a path)
        write_synced(self.path, json.dumps({**saved._asdict(), "lockout": saved.lockout.name.lower()}))

    def _say(self, trouble: str) -> None:
        if trouble != self._trouble:
            self._trouble = trouble
            self.on_trouble(trouble)


def _parse(content: bytes) -> SavedState:
    """Return the state that a file's content says; the day's on-time may be missing, as in the first version.

    Raises:
        ValueError, LookupError, TypeError, AttributeError, RecursionError: it is not ours.
    """
    document: dict[str, Any] = json.loads(content)
    saved = SavedState(
        **{**document, "lockout": Lockout[document["lockout"].upper()], "selector_off": document["selector_off"]}
    )
    numbers = (saved.day, saved.on_time_s, saved.at)
    is_ours = (
        all(isinstance(switch, bool) for switch in (saved.selector_off, saved.on))
        and isinstance(saved.day, int)
        and all(isinstance(number, (int, float)) and math.isfinite(number) for number in numbers)
        and 0 <= saved.on_time_s <= LONGEST_DAY_S
    )
    if not is_ours:
        message = "its values are out of range"
        raise ValueError(message)
    return saved
