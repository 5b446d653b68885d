"""The sd_notify protocol: one datagram per state to the service manager.

Protocol: sd_notify(3). Without NOTIFY_SOCKET every call does nothing. A message that cannot be sent is dropped:
the manager then acts on the missing watchdog, which is what it is for.
"""

import contextlib
import os
import socket
import time
from collections.abc import Mapping

from dumpload.daemon.reload_answer import answer


class Notifier:
    """Sends states to the service manager, if there is one."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        self._environ = environ
        self._socket: socket.socket | None = None
        address = environ.get("NOTIFY_SOCKET", "")
        if address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
            with contextlib.suppress(OSError):
                self._socket.connect("\0" + address[1:] if address.startswith("@") else address)
        self.watchdog_s = _watchdog_s(environ)

    def _send(self, *lines: str) -> None:
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.send("\n".join(lines).encode())

    def ready(self, status: str) -> None:
        """Announce that the pin is claimed and off and the law is running."""
        self._send("READY=1", f"STATUS={status}")

    def status(self, text: str) -> None:
        """Send a one-line status."""
        self._send(f"STATUS={text}")

    def watchdog(self) -> None:
        """Send the watchdog keep-alive: a round of supervision was completed."""
        self._send("WATCHDOG=1")

    def reloading(self) -> None:
        """Announce a reload; `ready` ends it."""
        self._send("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def reloaded(self, problem: str) -> None:
        """Say why the settings were not taken ("": they were) to the command that asked for the reload."""
        answer(self._environ, problem)

    def stopping(self) -> None:
        """Announce that the pin is off and the service is stopping."""
        self._send("STOPPING=1")


def _watchdog_s(environ: Mapping[str, str]) -> float | None:
    """Return the interval in which the manager wants to hear from this process (s), or None."""
    if environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    text = environ.get("WATCHDOG_USEC", "")
    return int(text) / 1e6 if text.isdecimal() and int(text) > 0 else None
