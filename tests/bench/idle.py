"""Idling: processor time at one sample a second, under a service manager that wants to be fed, and wake-ups."""

import os
import socket
import subprocess
import time
from pathlib import Path

from common import Row, at_most, broker, cpu_ns, folder, free_port, script, wait_until, write_settings
from wire import connect, publication

SECONDS = 60
TOPIC = "barge/charge"


def switches(pid: int) -> int:
    """Return how often the threads of a process have gone to sleep."""
    states = [task.read_text() for task in Path(f"/proc/{pid}/task").glob("*/status")]
    return sum(int(state.split("voluntary_ctxt_switches:")[1].split()[0]) for state in states)


def samples(port: int, count: int) -> None:
    """Publish one sample a second, none of which changes anything."""
    with connect(port, "bench-source") as sock:
        for number in range(count):
            sock.sendall(publication(TOPIC, b"95.%d" % (number % 10)))
            time.sleep(1.0)


def measure() -> list[Row]:
    port = free_port()
    with folder() as work, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(work / "notify"))
        environ = {**os.environ, "NOTIFY_SOCKET": str(work / "notify"), "WATCHDOG_USEC": "15000000"}
        settings = write_settings(work / "dumpload.toml", port=port, topic=TOPIC, confirm_s=30, min_off_s=300)
        log = work / "log"
        with (
            broker(port, work),
            script("idle_reader.py", port, TOPIC, stdout=subprocess.PIPE) as reader,
            log.open("w") as sink,
            script("our_receiver.py", settings, work / "record", env=environ, stderr=sink) as ours,
        ):
            wait_until(lambda: "broker_up" in log.read_text(), "the daemon to come up")
            samples(port, 5)
            pids = (reader.pid, ours.pid)
            before = [(cpu_ns(pid), switches(pid)) for pid in pids]
            samples(port, SECONDS)
            after = [(cpu_ns(pid), switches(pid)) for pid in pids]
    spent = [(then[0] - now[0]) / 1e3 / SECONDS for now, then in zip(before, after, strict=True)]
    woken = [(then[1] - now[1]) / SECONDS for now, then in zip(before, after, strict=True)]
    words = f"idle at one sample a second ({woken[0]:.1f} and {woken[1]:.1f} wake-ups a second)"
    return [at_most(words, spent[0], spent[1], 3.0, "us/s")]
