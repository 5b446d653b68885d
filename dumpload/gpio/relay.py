"""The relay's pin: the one thing that drives it, with gpiozero.

Off is written first and talked about afterwards; every write is read back. What is read back is the line, not the
contact. Must not decide anything, must not log or publish, and never uses gpiozero's default factory: that one falls
back to others without a word.
"""

import os
import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Any

from gpiozero import DigitalInputDevice, OutputDevice
from gpiozero.exc import GPIOZeroError, PinInvalidPin, PinUnknownPi
from gpiozero.pins.mock import MockFactory, MockPin

from dumpload.gpio import last_line, line
from dumpload.gpio.boot_warnings import warnings_about
from dumpload.gpio.deadman import FOREVER, DeadMan
from dumpload.gpio.line import Chip, PinSpec, RelayError

__all__ = ["PinSpec", "Relay", "RelayError", "boot_clock"]

# Seconds since boot, suspend included: the clock that permits and ages run on. The usual monotonic clock stands still
# while a computer sleeps, and what was fresh before would be so after a night.
boot_clock: Callable[[], float] = partial(time.clock_gettime, time.CLOCK_BOOTTIME)

# The revision code of the board that the mock factory imitates.
MOCK_BOARD = "a02082"

# Off never waits longer than this for another thread of ours.
LOCK_S = 0.1

ATTEMPTS = 2


class Relay:
    """The relay on its line, off from the first moment.

    `warnings`: what is doubtful about the pin, for the log. `forced_off_at`: when (s) the dead-man thread drove off,
    or None; `on` clears it. `deadman`: that thread, for the supervisor.
    """

    def __init__(
        self, spec: PinSpec, clock: Callable[[], float], on_feedback: Callable[[bool], None] | None = None
    ) -> None:
        """Claim the line at its off level and read it back.

        Args:
            spec: which line, and its polarity.
            clock: returns now in seconds, the clock of the permits.
            on_feedback: called on each edge of the feedback pin with whether the contact is closed, on the library's
                thread; must not raise. The first state is no edge: ask `is_contact_closed`.

        Raises:
            RelayError: the line cannot be had, or does not read off.
        """
        self.warnings = warnings_about(spec)
        self.forced_off_at: float | None = None
        self._spec = spec
        self._clock = clock
        self._lock = threading.RLock()
        self._last_off = object()
        self._shut = False
        self._closed = False
        self._feedback: Any = None
        self._factory, self._chip = _open_factory(spec)
        self._where = _where(spec.pin, self._chip)
        try:
            self._claim()
            self._claim_feedback(on_feedback)
            self.deadman = DeadMan(clock, self._drive_off_if_expired)
        except Exception as error:
            # Asks the chip who holds the line, so before closing it.
            explained = self._explain(error)
            self._factory.close()
            raise explained from error

    def on(self, permit_until: float) -> None:
        """Drive on, held by a permit until `permit_until` (s on the clock).

        Does nothing once shut, and is undone at once if an off comes from a signal or another thread meanwhile: the
        caller reads back with `is_energised`. A permit that has run out leaves the relay off, as forced off.

        Raises:
            RelayError: the line cannot be driven or does not read on; it has been driven off.
        """
        with self._lock:
            # A token, not a flag. An off may come from a signal handler in the middle of this very function, and must
            # not wait for a lock that the interrupted code holds; so it cannot keep us from writing "on" after it. But
            # every off leaves a new object here: if it is another one once "on" is written, that off is repeated. A
            # flag would have to be cleared somewhere, and an off that comes before the clearing would be forgotten.
            last_off = self._last_off
            if self._shut:
                return
            now = self._clock()
            if not now < permit_until < FOREVER:
                self.forced_off_at = now
                return
            self.forced_off_at = None
            # Armed before the pin rises: a stall between the two then ends with the permit, not with the sunset.
            self.deadman.arm(permit_until)
            problem = self._write_on()
            if self._last_off is not last_off:
                self.off()
            elif problem:
                self.off()
                raise RelayError(problem)

    def off(self) -> None:
        """Drive off and read back, before anything else. For any thread and for signal handlers; idempotent.

        Raises:
            RelayError: after a second attempt the line still does not read off.
        """
        self._last_off = object()
        self._write_off()
        self._disarm_if_off()

    def extend(self, permit_until: float) -> None:
        """Move the permit forward to `permit_until` (s on the clock): an accepted sample came in."""
        self.deadman.extend(permit_until)

    def is_energised(self) -> bool:
        """Read back whether the line is at its on level. False once closed.

        Raises:
            RelayError: the line cannot be read.
        """
        if self._closed:
            return False
        try:
            return bool(self._output.value)
        except Exception as error:
            raise self._explain(error) from error

    def is_contact_closed(self) -> bool | None:
        """Read the feedback pin: whether the contact is closed, or None without such a pin.

        Raises:
            RelayError: the pin cannot be read.
        """
        if self._feedback is None or self._closed:
            return None
        try:
            return bool(self._feedback.value)
        except Exception as error:
            raise self._explain(error) from error

    def off_for_good(self) -> None:
        """Drive off for good: `on` is refused from now. For signal handlers.

        Raises:
            RelayError: as `off`.
        """
        self._shut = True
        self.off()

    def close(self) -> None:
        """Drive off for good, read back, then let go of the line. Idempotent. Not for a signal handler.

        Raises:
            RelayError: as `off`; the line has been let go all the same.
        """
        if self._closed:
            return
        self._shut = True
        try:
            self.off()
            # Only after an off that was read back: until then the record is what the next process drives off by.
            if self._chip:
                last_line.remove_records(os.environ)
        finally:
            self._closed = True
            self.deadman.stop()
            if self._feedback is not None:
                self._feedback.close()
            self._output.close()
            self._factory.close()

    def _claim(self) -> None:
        self._output = OutputDevice(
            self._spec.pin, active_high=self._spec.active_high, initial_value=False, pin_factory=self._factory
        )
        if self._output.value:
            raise RelayError(line.still_on(self._where))
        if self._chip:
            pin, active_high = self._spec.pin, self._spec.active_high
            self.warnings += last_line.write_records(os.environ, self._chip.label, pin, active_high=active_high)

    def _claim_feedback(self, on_feedback: Callable[[bool], None] | None) -> None:
        pin = self._spec.feedback_pin
        if pin is None:
            return
        try:
            self._feedback = DigitalInputDevice(pin, pull_up=False, pin_factory=self._factory)
            if on_feedback is not None:
                self._feedback.when_activated = lambda: on_feedback(True)
                self._feedback.when_deactivated = lambda: on_feedback(False)
        except Exception as error:
            raise self._explain(error, pin) from error

    def _write_on(self) -> str:
        """Drive on and return what went wrong, or nothing."""
        try:
            self._output.on()
            reads_on = self._output.value
        except Exception as error:  # noqa: BLE001 - whatever it is, the answer is off
            return str(self._explain(error))
        return "" if reads_on else f"{self._where} reads off after being driven on: look for a short"

    def _write_off(self) -> None:
        problem: RelayError | None = None
        for _ in range(ATTEMPTS):
            if self._closed:
                return
            try:
                self._output.off()
                if not self._output.value:
                    return
                problem = RelayError(line.still_on(self._where))
            except Exception as error:  # noqa: BLE001 - whatever it is, try again, then report it
                problem = self._explain(error)
        if problem is not None and not self._closed:
            raise problem

    def _disarm_if_off(self) -> None:
        """Let go of the permit, unless another thread has switched on since."""
        if self._lock.acquire(timeout=LOCK_S):
            try:
                if not self.is_energised():
                    self.deadman.disarm()
            finally:
                self._lock.release()

    def _drive_off_if_expired(self) -> None:
        """Drive off if the permit has expired; runs on the dead-man thread."""
        # With or without the lock: a thread that hangs inside a write must not keep the load on. Off twice is off.
        is_locked = self._lock.acquire(timeout=LOCK_S)
        try:
            if self.deadman.has_expired():
                self._last_off = object()
                self._write_off()
                self.deadman.disarm()
                self.forced_off_at = self._clock()
        finally:
            if is_locked:
                self._lock.release()

    def _explain(self, error: Exception, pin: int | None = None) -> RelayError:
        pin = self._spec.pin if pin is None else pin
        pin_name = _where(pin, self._chip)
        if isinstance(error, RelayError):
            return error
        if isinstance(error, PinUnknownPi):
            return RelayError(f"{pin_name}: {error}; expected a Raspberry Pi, and /proc open to this service")
        if isinstance(error, PinInvalidPin):
            return RelayError(f"{pin_name}: {error}; expected the BCM number of a pin on this board's header")
        if self._chip is None or isinstance(error, GPIOZeroError):
            return RelayError(f"{pin_name}: {error}")
        return line.explain(line.load_lgpio(), self._chip, pin, error)


def _where(pin: int, chip: Chip | None) -> str:
    return f"GPIO{pin} ({chip.label if chip else 'mock'})"


def _open_factory(spec: PinSpec) -> tuple[Any, Chip | None]:
    if spec.pin_factory == "mock":
        return MockFactory(revision=MOCK_BOARD, pin_class=MockPin), None
    chip = line.open_chip(line.load_lgpio(), spec)
    from dumpload.gpio.pin import SteadyFactory

    return SteadyFactory(chip), chip
