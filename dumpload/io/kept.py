"""What must outlive a restart: that a person put the selector in off, and that the relay is locked out.

A small file in the service manager's state directory, replaced whole, written from a thread of its own so that a slow
disk never delays a decision. Hand is never kept. What cannot be read counts as off: every doubt does.
"""

import json
import os
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

from dumpload.core.controller import Lockout


class Kept(NamedTuple):
    """What is kept."""

    selector_off: bool = False
    lockout: Lockout = Lockout.NONE


class Keeper:
    """Reads at start, and writes whenever something worth keeping changes."""

    def __init__(self, environ: Mapping[str, str], on_trouble: Callable[[str], None]) -> None:
        """Find the place: STATE_DIRECTORY. `on_trouble` is told, from any thread, what could not be read or written."""
        folder = environ.get("STATE_DIRECTORY", "").split(":")[0]
        self.path = Path(folder, "kept.json") if folder else None
        self._on_trouble = on_trouble
        self._last = Kept()
        self._wanted = threading.Event()
        if self.path is not None:
            threading.Thread(target=self._run, name="keeper", daemon=True).start()

    def read(self) -> Kept:
        """Return what was kept; nothing kept yet is the usual start, and what cannot be read is off."""
        if self.path is None:
            return self._last
        try:
            told = json.loads(self.path.read_text())
            self._last = Kept(bool(told["selector_off"]), Lockout[told["lockout"].upper()])
        except FileNotFoundError:
            pass
        except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
            self._on_trouble(f"{self.path} cannot be read ({error}): the selector starts in off")
            self._last = Kept(selector_off=True)
        return self._last

    def keep(self, kept: Kept) -> None:
        """Have it written soon, if it changed. Never blocks and never raises."""
        if kept != self._last and self.path is not None:
            self._last = kept
            self._wanted.set()

    def _run(self) -> None:
        while True:
            self._wanted.wait()
            self._wanted.clear()
            try:
                self._write(self._last)
            except OSError as error:
                self._on_trouble(f"{self.path} cannot be written ({error}): selector and lockout are not kept")

    def _write(self, kept: Kept) -> None:
        assert self.path is not None  # noqa: S101  (the thread runs only with a path)
        text = json.dumps({"selector_off": kept.selector_off, "lockout": kept.lockout.name.lower()})
        new = self.path.with_suffix(".new")
        with new.open("w") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        new.replace(self.path)
