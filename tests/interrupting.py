"""For programs that a test interrupts wherever they are."""

import os
import signal
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

from waiting import PATIENCE_S, eventually


def unmeasured() -> dict[str, str]:
    """Return an environment in which no coverage is measured.

    What measures it takes a lock that is never given back when an interrupt comes just then: the program would hang.
    """
    return {key: value for key, value in os.environ.items() if not key.startswith("COVERAGE_PROCESS_")}


def is_open(file: Path, fds: Path) -> bool:
    """Return whether a file is open; `fds`: what the kernel lists of a process, and which changes while it is read."""
    try:
        return any(fd.readlink() == file for fd in fds.iterdir())
    except FileNotFoundError:
        return False


def interrupted(command: Sequence[str], file: Path, after_s: float) -> tuple[int, str, str]:
    """Run a program, interrupt it so long after it has opened a file; return its exit code and what it printed."""
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=unmeasured()
    ) as child:
        fds = Path(f"/proc/{child.pid}/fd")
        eventually(lambda: is_open(file, fds), f"it to read {file}")
        time.sleep(after_s)
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=PATIENCE_S)
    return child.returncode, out, err
