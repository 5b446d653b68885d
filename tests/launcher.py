"""Runs the real service with its mock pin recorded, and with the faults that a test asks for. A program of its own.

Every change of level is appended to the file RIG_LINE as "seconds since boot, pin, level". A file in the folder
RIG_FAULTS is a fault that is on: `off_raises` (writing off), `reads_high` and `reads_low` (reading back) and
`wall_ahead` (its text: by how many seconds the wall clock is ahead). Two payloads are faults in the service's own
code: `poison` raises where messages are read, `stall SECONDS` blocks there. RIG_BACK_OFF_S shortens the back-off.
"""

import os
import runpy
import sys
import time
from pathlib import Path

sys.path.remove(str(Path(__file__).parent))  # this folder's modules are not the service's

from gpiozero.pins import mock

from dumpload.core.topics import InboundMessage, TopicMap

FAULTS = Path(os.environ["RIG_FAULTS"])
LINE = os.open(os.environ["RIG_LINE"], os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC)

true_time = time.time
true_read = TopicMap.read


class RecordedPin(mock.MockPin):
    """A mock pin that leaves a record of its line outside the process."""

    def _change_state(self, value: bool) -> bool:
        changed = super()._change_state(value)
        if changed:
            now = time.clock_gettime(time.CLOCK_BOOTTIME)
            os.write(LINE, f"{now:.6f} {self.info.name} {int(value)}\n".encode())
        return changed

    def _set_state(self, value: int) -> None:
        if not value and (FAULTS / "off_raises").exists():
            raise OSError(5, "Input/output error")
        super()._set_state(value)

    def _get_state(self) -> bool:
        if self._function == "output" and (FAULTS / "reads_high").exists():
            return True
        if self._function == "output" and (FAULTS / "reads_low").exists():
            return False
        return super()._get_state()


def shifted_time() -> float:
    try:
        return true_time() + float((FAULTS / "wall_ahead").read_text() or 0)
    except FileNotFoundError:
        return true_time()


def faulty_read(topic_map: TopicMap, arrival: InboundMessage) -> object:
    if arrival.payload == b"poison":
        message = "a fault in our own code"
        raise ZeroDivisionError(message)
    if arrival.payload.startswith(b"stall "):
        time.sleep(float(arrival.payload[6:]))
    return true_read(topic_map, arrival)


mock.MockPin = RecordedPin
time.time = shifted_time
TopicMap.read = faulty_read  # type: ignore[assignment, method-assign]
if back_off := os.environ.get("RIG_BACK_OFF_S"):
    from dumpload.mqtt import link as mqtt

    mqtt.FIRST_DELAY_S = mqtt.LONGEST_DELAY_S = float(back_off)
runpy.run_module("dumpload", run_name="__main__", alter_sys=True)
