"""The answer to a reload: the daemon writes whether it took the new settings, and `dumpload reload` waits for it.

A signal has no answer, and sd_notify(3) none that makes `systemctl reload` fail. So the word lies in the service's
runtime folder. Standard library only, and nothing of the settings: only the daemon judges them.
"""

import contextlib
import os
import signal
import time
from collections.abc import Mapping
from pathlib import Path

from dumpload.gpio.last_line import RUNTIME, write_whole

ANSWER = "reload"
POLL_S = 0.05


class NotTakenError(Exception):
    """The new settings were not taken, or nobody was there to ask. The text is the reason."""


def answer(environ: Mapping[str, str], problem: str) -> None:
    """Write the outcome of the reload ("": the settings were taken). Never fails: the asker then times out."""
    if path := _path(environ):
        with contextlib.suppress(OSError):
            write_whole(str(path), problem)


def ask(environ: Mapping[str, str], wait_s: float) -> None:
    """Make the service's daemon reload its settings; return once it has taken them.

    Raises:
        NotTakenError: it did not take them, did not answer in time, or this is no command of a service.
    """
    path, pid = _path(environ), environ.get("MAINPID", "")
    if path is None or not pid.isdigit():
        reason = "only the service manager may do this: use `systemctl reload dumpload`"
        raise NotTakenError(reason)
    try:
        path.unlink(missing_ok=True)
        problem = _await_answer(path, int(pid), wait_s)
    except OSError as error:
        reason = f"the daemon cannot be asked: {error.strerror}"
        raise NotTakenError(reason) from error
    if problem:
        raise NotTakenError(problem)


def _await_answer(path: Path, pid: int, wait_s: float) -> str:
    give_up_at = time.monotonic() + wait_s
    os.kill(pid, signal.SIGHUP)
    while not path.exists():
        os.kill(pid, 0)  # raises once it has gone
        if time.monotonic() > give_up_at:
            return f"no answer from the daemon within {wait_s:.0f} s"
        time.sleep(POLL_S)
    return path.read_text(encoding="utf-8")


def _path(environ: Mapping[str, str]) -> Path | None:
    folder = environ.get(RUNTIME, "").split(":")[0]
    return Path(folder) / ANSWER if folder else None
