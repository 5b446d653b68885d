"""A service manager as the daemon sees it: sd_notify(3) datagrams, the watchdog, and the command after any exit."""

import os
import signal
import socket
import tempfile
import threading
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from daemons import Daemon, run_dumpload
from waiting import boot_clock, eventually

POLL_S = 0.05
# How long a process may take to die of the watchdog's signal before it is killed.
ABORT_S = 1.0


class Notice(NamedTuple):
    """One assignment of one datagram, and when it came (seconds since boot)."""

    t: float
    key: str
    value: str


class Manager:
    """Runs one daemon as `Type=notify` with a watchdog does, and `dumpload off` after whatever ended it."""

    def __init__(self, daemon: Daemon, *, watchdog_s: float = 60.0, abstract: bool = True) -> None:
        self.daemon = daemon
        self.notices: list[Notice] = []
        self.watchdog_fired = False
        # The exit code of the command after the exit, once it has run.
        self.stop_post: int | None = None
        self._watchdog_s = watchdog_s
        self._folder = tempfile.TemporaryDirectory()  # a path short enough for a socket
        self._address = f"@dumpload-test-{os.urandom(6).hex()}" if abstract else str(Path(self._folder.name, "notify"))
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind("\0" + self._address[1:] if abstract else self._address)
        self._socket.settimeout(POLL_S)
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self.daemon.environ["NOTIFY_SOCKET"] = self._address
        self.daemon.environ["WATCHDOG_USEC"] = str(int(self._watchdog_s * 1e6))
        self.daemon.start()
        self._thread.start()

    def close(self) -> None:
        self.daemon.kill()
        if self._thread.is_alive():
            self._thread.join(30)
        self._socket.close()
        self._folder.cleanup()

    def noted(self, key: str) -> list[Notice]:
        return [notice for notice in list(self.notices) if notice.key == key]

    def await_notice(self, key: str, *, times: int = 1) -> Notice:
        eventually(lambda: len(self.noted(key)) >= times, f"{key}, {times} times")
        return self.noted(key)[times - 1]

    def await_stop_post(self) -> int:
        eventually(lambda: self.stop_post is not None, "the command after the exit")
        assert self.stop_post is not None
        return self.stop_post

    def _run(self) -> None:
        heard_at = None  # the watchdog begins to run with READY
        while self.daemon.is_running:
            if self._receive():
                heard_at = boot_clock()
            if heard_at is not None and boot_clock() - heard_at > self._watchdog_s:
                self.watchdog_fired = True
                self._put_down()
        while self._receive(none=None) is not None:  # what came just before the end
            pass
        self.stop_post = run_dumpload("off", "--config", str(self.daemon.config), folder=self.daemon.folder).returncode

    def _receive(self, none: bool | None = False) -> bool | None:
        """Take a datagram; return whether it was a sign of life, or `none` if there was no datagram."""
        try:
            text = self._socket.recv(4096).decode()
        except TimeoutError:
            return none
        now = boot_clock()
        pairs = [line.partition("=") for line in text.splitlines()]
        self.notices += [Notice(now, key, value) for key, _, value in pairs]
        return any(key in ("READY", "WATCHDOG") for key, _, _ in pairs)

    def _put_down(self) -> None:
        assert self.daemon.process is not None
        self.daemon.signal(signal.SIGABRT)
        with suppress(Exception):
            self.daemon.process.wait(ABORT_S)
        self.daemon.kill()
