"""The daemon with a stop-watch inside: how late its event loop and its deadlines are, what it heard, and when.

Arguments: the settings file, the file for the record (JSON). All moments are monotonic seconds. A message "boom" makes
our own code raise; that is recorded in place of ending the service.
"""

import asyncio
import json
import os
import sys
import time
from array import array
from pathlib import Path
from typing import Any

from recording import RecordingPin, flipped_at

from dumpload.config.model import load_settings
from dumpload.core.controller import Controller, Kind
from dumpload.daemon.bootstrap import run_daemon
from dumpload.daemon.service import Service
from dumpload.gpio import relay
from dumpload.mqtt import Message

EVERY_S = 0.005

MOST_MESSAGES = 100_000

watch: dict[str, Any] = {"late": [], "deadlines": [], "ups": [], "downs": [], "heard": 0, "booms": 0, "broken": 0}
heard_at = array("d", [1.0]) * MOST_MESSAGES  # taken before the start, so that the record does not count as growth


class WatchedService(Service):
    async def run(self) -> int:
        watching = asyncio.create_task(look_at_the_clock())
        try:
            return await super().run()
        finally:
            watching.cancel()
            watch["last"] = self.controller.data[0].value

    def on_message(self, message: Message) -> None:
        if message.payload == b"boom":
            watch["booms"] += 1
            raise RuntimeError(message)
        super().on_message(message)
        heard_at[watch["heard"]] = time.monotonic()
        watch["heard"] += 1

    def on_callback_error(self, error: Exception) -> None:
        watch["broken"] += isinstance(error, RuntimeError)

    def on_up(self) -> None:
        super().on_up()
        watch["ups"].append(time.monotonic())

    def on_down(self, reason: str, retry_s: float) -> None:
        super().on_down(reason, retry_s)
        watch["downs"].append([time.monotonic(), reason])


async def look_at_the_clock() -> None:
    """Wake every 5 ms and record how late that was, where it was late at all."""
    due = time.monotonic() + EVERY_S
    while True:
        await asyncio.sleep(max(0.0, due - time.monotonic()))
        now = time.monotonic()
        if now - due > EVERY_S / 5:
            watch["late"].append([due, now - due])
        due = now + EVERY_S


def watched(handle: Any) -> Any:
    """Return the controller's `handle` that also records when a deadline of its own was acted on."""

    def record(self: Controller, event: Any) -> Any:
        due, before = self.deadline, self.position
        decisions = handle(self, event)
        if self.position != before and event.t >= due:
            watch["deadlines"].append([due, event.t - due, Kind(event.kind).name])
        return decisions

    return record


settings, record = Path(sys.argv[1]), Path(sys.argv[2])
relay.MockPin = RecordingPin
Controller.handle = watched(Controller.handle)  # type: ignore[method-assign]
sys.modules["dumpload.service"].Service = WatchedService  # type: ignore[attr-defined]
run_daemon(settings, load_settings(settings, os.environ), [])
watch["heard"] = heard_at[: watch["heard"]].tolist()
watch["flipped"] = [moment / 1e9 for moment in flipped_at]
record.write_text(json.dumps(watch))
