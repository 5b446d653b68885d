"""gpiozero's lgpio pins with the wrong-polarity edges taken out. Imported only where a real line is driven.

A line is an output from the first moment, at the level asked for, and stays as it was last driven when it is let go.
"""

from collections import defaultdict
from threading import Lock
from typing import Any

import lgpio
from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin
from gpiozero.pins.local import LocalPiFactory, LocalPiPin

from dumpload.gpio.line import Chip


# As they come, the library's pins claim an input first, then an output at level 0, then write: an active-low relay is
# pulsed on at every start. And at close they turn the line into a floating input.
class SteadyPin(LGPIOPin):  # type: ignore[misc]  # the library is untyped
    """An output line that changes level only when it is driven."""

    def __init__(self, factory: "SteadyFactory", info: Any) -> None:
        LocalPiPin.__init__(self, factory, info)
        self._pwm = None
        self._bounce = None
        self._callback: Any = None
        self._edges = lgpio.BOTH_EDGES

    def output_with_state(self, state: Any) -> None:
        """Claim the output together with its level."""
        lgpio.gpio_claim_output(self.factory.handle, self._number, int(bool(state)))

    def close(self) -> None:
        """Stop listening to edges; the level stays. The factory lets go of the line."""
        if self._callback is not None:
            self._callback.cancel()
            self._callback = None

    def _set_state(self, value: Any) -> None:
        lgpio.gpio_write(self.factory.handle, self._number, int(bool(value)))


class SteadyFactory(LGPIOFactory):  # type: ignore[misc]  # the library is untyped
    """Makes steady pins on a chip that is open already; shares nothing with any other factory."""

    def __init__(self, chip: Chip) -> None:
        """Take over the open chip; `close` closes it."""
        LocalPiFactory.__init__(self)
        # Of our own, not the class's: a forgotten device collected while another factory holds the shared lock hangs.
        self._res_lock = Lock()
        self.pins: dict[Any, SteadyPin] = {}
        self._reservations: defaultdict[Any, list[Any]] = defaultdict(list)
        self._handle = chip.handle
        self._chip = chip.number
        self.pin_class = SteadyPin

    @property
    def handle(self) -> Any:
        """What lgpio calls this chip; None once closed."""
        return self._handle
