"""Claims the relay's line at its off level, and on request closes the relay for a second and watches the feedback line.

For `dumpload check --live` only, with no daemon running. The line is off before and after, whatever happens between: a
permit that runs out has the dead-man thread drive it off, and every signal that ends the program does so first.
"""

import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NamedTuple

from dumpload.commissioning.live import Outcome, Step
from dumpload.gpio.relay import PinSpec, Relay, RelayError, boot_clock

ON_S = 1.0
# The permit of the dead-man thread: later than our own off, and soon enough if that never comes.
PERMIT_S = 1.5
LOOK_EVERY_S = 0.01

_ENDS = (signal.SIGTERM, signal.SIGHUP)


class RelayReadings(NamedTuple):
    """What was read: the line while driven on; the contact before, during and after (None: no feedback line)."""

    energised: bool
    before: bool | None
    during: bool | None
    after: bool | None


@contextmanager
def claimed(spec: PinSpec) -> Iterator[Relay]:
    """Hold the line at its off level for the time of the block; off and let go on every way out.

    Raises:
        RelayError: it cannot be claimed, or driven off.
    """
    relay = Relay(spec, boot_clock)

    def end(number: int, _frame: FrameType | None) -> None:
        relay.off_for_good()
        raise SystemExit(128 + number)

    previous = {number: signal.signal(number, end) for number in _ENDS}
    try:
        yield relay
    finally:
        try:
            relay.close()
        finally:
            for number, handler in previous.items():
                signal.signal(number, handler)


def close_for_a_second(relay: Relay, feedback_s: float, sleep: Callable[[float], None] = time.sleep) -> RelayReadings:
    """Close the relay for a second and watch; a contact that reads closed beforehand is left alone.

    Raises:
        RelayError: the line cannot be driven or read.
    """
    before = relay.is_contact_closed()
    if before:
        return RelayReadings(energised=False, before=before, during=None, after=None)
    relay.on(boot_clock() + PERMIT_S)
    try:
        sleep(ON_S)
        energised, during = relay.is_energised(), relay.is_contact_closed()
    finally:
        relay.off()
    return RelayReadings(energised, before, during, _settled(relay, feedback_s, sleep))


def _settled(relay: Relay, feedback_s: float, sleep: Callable[[float], None]) -> bool | None:
    """Return how the contact reads once it is open, or after `feedback_s`."""
    give_up_at = boot_clock() + feedback_s
    while (closed := relay.is_contact_closed()) and boot_clock() < give_up_at:
        sleep(LOOK_EVERY_S)
    return closed


def pin_step(relay: Relay, line: str, *, is_mock: bool) -> Step:
    """Return the step for a claimed line, with warnings about the pin."""
    if is_mock:
        return Step("pin", "Pin", Outcome.UNSURE, f"{line}: nothing is driven (relay.pin_factory is mock)")
    return Step("pin", "Pin", Outcome.OK, f"{line}: claimed at its off level, and reads off", "; ".join(relay.warnings))


def refused_step(error: RelayError) -> Step:
    """Return why the line could not be claimed or driven."""
    return Step("pin", "Pin", Outcome.WRONG, str(error))


def relay_step(watched: RelayReadings, feedback_s: float) -> Step:
    """Return the step for the relay test."""
    wrong, change = "", ""
    if watched.before:
        wrong, change = "the contact reads closed although nothing was driven: test not run", _LOOK
    elif not watched.energised:
        wrong = "the line did not read on when it was driven on"
    elif watched.during is False:
        wrong, change = (
            f"the contact did not close within {ON_S:g} s",
            f"look at coil, driver and feedback line; {_LOOK}",
        )
    elif watched.after:
        wrong, change = f"the contact did not open within {feedback_s:g} s (relay.feedback_s)", _LOOK
    if wrong:
        return Step("relay", "Relay", Outcome.WRONG, wrong, change)
    if watched.during is None:
        return Step(
            "relay",
            "Relay",
            Outcome.UNSURE,
            f"driven on for {ON_S:g} s; not verified, since relay.feedback_pin is not set",
        )
    return Step("relay", "Relay", Outcome.OK, f"closed for {ON_S:g} s and opened again, as the feedback line shows")


_LOOK = "isolate the battery before anyone touches the contact"
