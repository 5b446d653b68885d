"""The dead-man thread: it holds the permit to be on, and when the permit runs out it drives the relay off itself.

The second layer behind the control law: a stalled event loop, which sees no more samples, cannot keep the load on.
It can never switch on, and must not log, publish or wait for anything but its own timer.
"""

import threading
from collections.abc import Callable

# Pause before the next attempt after one to drive off has failed.
RETRY_S = 1.0

# How long `stop` waits for the thread to end.
STOP_S = 1.0

FOREVER = float("inf")


class DeadMan:
    """A daemon thread that calls `drive_off` once the permit has run out.

    It wakes once per permit, not per sample, and sleeps while no permit is armed. Its sleep runs on the monotonic
    clock: after a suspend of the computer it may be late by the rest of that sleep, never longer than one permit.
    """

    def __init__(self, clock: Callable[[], float], drive_off: Callable[[], None]) -> None:
        """Start the thread, asleep.

        Args:
            clock: returns now in seconds; must see suspend (CLOCK_BOOTTIME).
            drive_off: called from this thread as long as the permit has run out; asks `has_expired` once more under
                its own lock, drives off and calls `disarm`. If it raises, it is called again after a second.
        """
        self._clock = clock
        self._drive_off = drive_off
        self._permit_until: float | None = None
        self._looks_at = FOREVER
        self._failing = False
        self._stopping = False
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name="dead-man", daemon=True)
        self._thread.start()

    def arm(self, permit_until: float) -> None:
        """Hold this permit (s on the clock) from now. Not for a signal handler."""
        self._permit_until = permit_until
        # Woken only if it would look too late: on one core it would else compete with the switching on itself. Written
        # so that a permit of NaN wakes it, too.
        if not permit_until >= self._looks_at:
            self._wake.set()

    def extend(self, permit_until: float) -> None:
        """Move an armed permit forward; never back, and never to infinity or NaN. Cheap: no lock, no wake-up."""
        until = self._permit_until
        if until is not None and until < permit_until < FOREVER:
            self._permit_until = permit_until

    def disarm(self) -> None:
        """Let go of the permit: the relay is off. Safe in a signal handler (takes no lock)."""
        self._permit_until = None

    def has_expired(self) -> bool:
        """Return whether a permit is armed and has run out."""
        until = self._permit_until
        return until is not None and not self._clock() < until

    def is_alive(self) -> bool:
        """Return whether the thread runs and its last attempt to drive off did not fail."""
        return self._thread.is_alive() and not self._failing

    def stop(self) -> None:
        """End the thread. Not for a signal handler."""
        self._stopping = True
        self._wake.set()
        if self._thread is not threading.current_thread():
            self._thread.join(STOP_S)

    def _run(self) -> None:
        while True:
            # The order matters. "Asleep for ever" first, then the wake-up is cleared, and only then the permit is read:
            # whoever arms a permit after the reading finds FOREVER here and wakes this thread. In any other order a
            # permit can be armed unseen, and the thread sleeps past its end.
            self._looks_at = FOREVER
            self._wake.clear()
            if self._stopping:
                return
            until = self._permit_until
            left_s = None if until is None else min(until - self._clock(), threading.TIMEOUT_MAX)
            if left_s is None or left_s > 0:
                self._looks_at = FOREVER if until is None else until
                self._wake.wait(left_s)
            else:
                self._try_to_drive_off()

    def _try_to_drive_off(self) -> None:
        try:
            self._drive_off()
        except Exception:  # noqa: BLE001 - whatever it is, this thread must live and try again
            self._failing = True
            self._wake.wait(RETRY_S)
        else:
            self._failing = False
