"""A burst of 60,000 messages: deadlines due meanwhile are met, memory does not grow, the newest message decides."""

import json
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from common import Row, absolute, broker, fact, folder, free_port, memory_kib, script, wait_until, write_settings
from wire import connect, publication

MESSAGES = 60_000
TOPIC = "barge/charge"
MAX_ON_S = 4.0
BEFORE_DEADLINE_S = 0.5


def flood(sock: socket.socket, payload: Callable[[int], bytes]) -> None:
    """Publish the burst as fast as the broker takes it."""
    data = [publication(TOPIC, payload(number)) for number in range(MESSAGES)]
    for begin in range(0, MESSAGES, 500):
        sock.sendall(b"".join(data[begin : begin + 500]))


def burst(payload: Callable[[int], bytes], last: bytes) -> tuple[dict[str, Any], float]:
    """Flood a running daemon around the end of its longest run; return its record and its growth (KiB)."""
    port = free_port()
    with folder() as work, broker(port, work):
        record, log = work / "record", work / "log"
        settings = write_settings(work / "dumpload.toml", port=port, topic=TOPIC, max_on_s=MAX_ON_S, min_off_s=2.0)
        with log.open("w") as sink, script("watched_daemon.py", settings, record, stderr=sink) as daemon:
            wait_until(lambda: "broker_up" in log.read_text(), "the daemon to come up")
            with connect(port, "bench-source") as sock:
                for _ in range(30):
                    sock.sendall(publication(TOPIC, b"99"))
                    time.sleep(0.1)
                wait_until(lambda: '"relay": "on"' in log.read_text(), "the relay to come on")
                sleep_until_before_the_end(log)
                before = memory_kib(daemon.pid)
                peak: list[int] = []
                sampler = threading.Thread(target=sample_memory, args=(daemon.pid, peak))
                sampler.start()
                flood(sock, payload)
                sock.sendall(publication(TOPIC, last))
                sampler.join()
        watched: dict[str, Any] = json.loads(record.read_text())
        return watched, max(peak) - before


def sleep_until_before_the_end(log: Path) -> None:
    """Sleep until just before the longest run ends."""
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    on = next(line for line in lines if line.get("relay") == "on")
    began = time.mktime(time.strptime(on["at"][:19], "%Y-%m-%dT%H:%M:%S")) - time.timezone + float(on["at"][19:-1])
    time.sleep(max(0.0, began + MAX_ON_S - BEFORE_DEADLINE_S - time.time()))


def sample_memory(pid: int, peak: list[int]) -> None:
    """Look at the memory of a process for the time of a burst."""
    end = time.monotonic() + 15
    while time.monotonic() < end:
        peak.append(memory_kib(pid))
        time.sleep(0.05)


def rows(name: str, watched: dict[str, Any], grown_kib: float, value: float) -> list[Row]:
    worst = max((late for _due, late in watched["late"]), default=0.0)
    deadlines = [late for _due, late, _kind in watched["deadlines"]]
    return [
        fact(f"{name}: every message was handled", holds=len(watched["heard"]) == MESSAGES + 31),
        absolute(f"{name}: the end of the longest run, how late", max(deadlines, default=99) * 1e3, 5, "ms"),
        absolute(f"{name}: a timer of the same event loop, how late", worst * 1e3, 20, "ms"),
        absolute(f"{name}: memory grown", grown_kib / 1024, 1, "MiB"),
        fact(f"{name}: the newest message decides", holds=watched["last"] == value),
    ]


def measure() -> list[Row]:
    good = burst(lambda number: b"99" if number % 3 else b"98.5", b"95.25")
    bad = burst(lambda _number: b'{"charge": "nonsense"}', b"95.25")
    return rows("60,000 samples", *good, 95.25) + rows("60,000 rejected", *bad, 95.25)
