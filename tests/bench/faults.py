"""The event loop while the network fails: never held up, and messages flow again when they can."""

import contextlib
import json
import os
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from common import Row, absolute, broker, fact, folder, free_port, script, wait_until, write_settings
from wire import connect, publication

TOPIC = "barge/charge"
RESTARTS = 6
# A connection that lived so long was a good one: the next back-off is the shortest again.
LIVED_S = 10.5

BACK_OFF_S = 1.0
STOPPED_S = 6.0
HUNG_S = 12.0


@contextmanager
def swallowing(port: int) -> Iterator[None]:
    """Listen with a full queue: further connections are neither accepted nor refused."""
    with socket.socket() as sock, contextlib.ExitStack() as waiting:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(("127.0.0.1", port))
        sock.listen(0)
        for _ in range(2):
            other = waiting.enter_context(socket.socket())
            other.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                other.connect(("127.0.0.1", port))
        yield


class Source:
    """Publishes fifty samples a second to whatever broker is there."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.ended = threading.Event()
        self.extra: list[bytes] = []
        threading.Thread(target=self.run, daemon=True).start()

    def run(self) -> None:
        while not self.ended.is_set():
            with contextlib.suppress(OSError, AssertionError, IndexError), connect(self.port, "bench-source") as sock:
                while not self.ended.wait(0.02):
                    sock.sendall(publication(TOPIC, self.extra.pop() if self.extra else b"95"))
            self.ended.wait(0.02)


@contextmanager
def watched(port: int, work: Path) -> Iterator[tuple[subprocess.Popen[str], dict[str, Any]]]:
    """Run the watched daemon; what it recorded is in the dictionary afterwards."""
    settings = write_settings(work / "dumpload.toml", port=port, topic=TOPIC)
    record: dict[str, Any] = {}
    with (work / "log").open("w") as sink, script("watched_daemon.py", settings, work / "r", stderr=sink) as child:
        yield child, record
    record.update(json.loads((work / "r").read_text()))


def latest(lates: list[list[float]], begin: float = 0.0, end: float = float("inf")) -> float:
    """Return by how much (ms) the loop was late at worst, for timers due between two moments."""
    return max((late for due, late in lates if begin <= due < end), default=0.0) * 1e3


def flow_again(heard: list[float], since: float) -> float:
    """Return how long after `since` the first message was heard (s)."""
    return next((moment for moment in heard if moment > since), float("inf")) - since


def swallowed() -> list[Row]:
    """A broker behind a link that swallows every connection attempt, then comes back."""
    port = free_port()
    with folder() as work, watched(port, work) as (_child, record), swallowing(port):
        time.sleep(HUNG_S)
    return [absolute("swallowed connection attempts: event loop late", latest(record["late"]), 20, "ms")]


def restarts() -> list[Row]:
    """A broker that is killed and started again, six times."""
    port, back = free_port(), []
    with folder() as work, watched(port, work) as (_child, record):
        source = Source(port)
        for _ in range(RESTARTS + 1):
            with broker(port, work) as server:
                back.append(time.monotonic())
                time.sleep(LIVED_S + BACK_OFF_S)
                server.kill()
        source.ended.set()
    waits = [flow_again(record["heard"], moment) for moment in back[1:]]
    return [
        absolute(f"{RESTARTS} broker restarts: event loop late", latest(record["late"]), 20, "ms"),
        absolute(f"{RESTARTS} broker restarts: until messages flow", max(waits), BACK_OFF_S + 0.5, "s"),
    ]


def stopped() -> list[Row]:
    """A process stopped and continued, then a message that breaks our own code."""
    port = free_port()
    with folder() as work, broker(port, work), watched(port, work) as (child, record):
        source = Source(port)
        wait_until(lambda: "broker_up" in (work / "log").read_text(), "the daemon to come up")
        time.sleep(2)
        os.kill(child.pid, signal.SIGSTOP)
        stop_at = time.monotonic()
        time.sleep(STOPPED_S)
        os.kill(child.pid, signal.SIGCONT)
        go_on_at = time.monotonic()
        time.sleep(3)
        source.extra.append(b"boom")
        boom_at = time.monotonic()
        time.sleep(2)
        source.ended.set()
    late = max(latest(record["late"], 0, stop_at - 0.05), latest(record["late"], go_on_at))
    return [
        absolute("stopped and continued: event loop late", late, 20, "ms"),
        absolute("stopped and continued: until messages flow", flow_again(record["heard"], go_on_at), 0.5, "s"),
        fact("a message that breaks a callback is handled once", holds=record["booms"] == record["broken"] == 1),
        absolute("a message that breaks a callback: until the next", flow_again(record["heard"], boom_at), 0.5, "s"),
    ]


def measure() -> list[Row]:
    return swallowed() + restarts() + stopped()
