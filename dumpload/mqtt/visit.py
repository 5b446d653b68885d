"""A short visit to the broker by a command: under a name of its own, and gone again when the block ends."""

import asyncio
import errno
import re
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from dumpload.mqtt import LinkOptions, Listener
from dumpload.mqtt.link import Link


class Visitor(Listener):
    """Keeps whether the broker let it in (`up`), else why not (`trouble`); `tried`: one of them is known."""

    def __init__(self, trouble: str = "") -> None:
        self.up, self.tried = asyncio.Event(), asyncio.Event()
        self.trouble = trouble

    def on_up(self) -> None:
        """Note that every subscription is acknowledged."""
        self.up.set()
        self.tried.set()

    def on_down(self, reason: str, retry_s: float) -> None:
        """Keep the reason, in case no answer ever comes."""
        del retry_s
        self.trouble = reason
        self.tried.set()

    def on_callback_error(self, error: Exception) -> None:
        """Keep the reason."""
        self.trouble = repr(error)
        self.tried.set()


def plain_reason(reason: str, broker: str) -> str:
    """Return why a connection failed, without the broker's address and the error's number."""
    reason = reason.removeprefix(f"no connection to {broker}: ")
    if "ConnectionRefused" in reason or f"[Errno {errno.ECONNREFUSED}]" in reason:
        return "connection refused"
    return re.sub(r"^\[Errno -?\d+\] ", "", reason)


@asynccontextmanager
async def visiting(options: LinkOptions, listener: Listener) -> AsyncIterator[Link]:
    """Keep a link up for the time of the block. It is for the block to close it in order; then it is ended anyway."""
    link = Link(options, listener, time.monotonic)
    running = asyncio.create_task(link.run())
    try:
        yield link
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
