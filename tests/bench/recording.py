"""A mock pin that records when its level changed: the very same in the floor and in ours."""

import time
from array import array
from pathlib import Path

from gpiozero.pins.mock import MockPin

# Moments (monotonic ns) at which a pin of this process changed its level.
flipped_at = array("q")


class RecordingPin(MockPin):
    def _set_state(self, value: float) -> None:
        before = self._state
        super()._set_state(value)
        if self._state != before:
            flipped_at.append(time.monotonic_ns())


def save(path: str) -> None:
    """Write the record to a file."""
    Path(path).write_bytes(flipped_at.tobytes())


def load(path: Path) -> list[int]:
    """Return the record in a file."""
    record = array("q")
    record.frombytes(path.read_bytes())
    return record.tolist()
