"""Waits for a condition, never for a fixed time, on the clock that the daemon's ages run on."""

import os
import time
from collections.abc import Callable
from typing import TypeVar

from dumpload.gpio.deadman import DeadMan

T = TypeVar("T")

# Against hanging only: where eight programs want each core, some of what is waited for has taken more than a minute.
# Less of it is asked for where it is to fail: a mutant is not waited for.
PATIENCE_S = float(os.environ.get("PATIENCE_S", "240"))

POLL_S = 0.01


def boot_clock() -> float:
    """Return seconds since boot, suspend included."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def eventually(probe: Callable[[], T], what: str, within_s: float = PATIENCE_S) -> T:
    """Return the first answer of `probe` that is true."""
    give_up_at = time.monotonic() + within_s
    while not (answer := probe()):
        if time.monotonic() > give_up_at:
            message = f"waited {within_s:g} s in vain for {what}"
            raise AssertionError(message)
        time.sleep(POLL_S)
    return answer


def never(probe: Callable[[], object], what: str, during_s: float) -> None:
    """Fail as soon as `probe` gives an answer that is true; `during_s` is the time in which it could have."""
    ends_at = time.monotonic() + during_s
    while time.monotonic() < ends_at:
        answer = probe()
        assert not answer, f"{what}: {answer}"
        time.sleep(POLL_S)


def look_now(deadman: DeadMan) -> None:
    """Have the dead-man thread look at its clock at once: one of the tests jumps, which no clock of a machine does."""
    deadman._wake.set()
