"""Start: how long until the daemon is ready and what it then occupies, against an interpreter with its libraries.

Both run in a virtual environment that has the wheel and its dependencies only, without a broker.
"""

import os
import random
import socket
import statistics
import subprocess
import time
from pathlib import Path

from common import Row, at_most, folder, free_port, light_environment, memory_kib, process, write_settings

RUNS = 15
SETTLE_S = 1.0
IMPORTS = "import paho.mqtt.client, pydantic_settings, gpiozero, structlog"
SAY_READY = "import os, socket; socket.socket(1, 2).sendto(b'READY=1', os.environ['NOTIFY_SOCKET'])"
STAY = "import time; time.sleep(60)"


def start(command: list[str | Path], work: Path) -> tuple[float, int]:
    """Run a program until it says that it is ready; return how long that took (s) and its memory after (KiB)."""
    address = work / "notify"
    address.unlink(missing_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(20)
        began = time.monotonic()
        environ = {**os.environ, "NOTIFY_SOCKET": str(address)}
        with process(*command, env=environ, stderr=subprocess.DEVNULL) as child:
            while b"READY=1" not in manager.recv(4096):
                pass
            took = time.monotonic() - began
            time.sleep(SETTLE_S)
            return took, memory_kib(child.pid)


def measure() -> list[Row]:
    python = light_environment()
    with folder() as work:
        settings = write_settings(work / "dumpload.toml", port=free_port())
        floor: list[str | Path] = [python, "-c", f"{IMPORTS}; {SAY_READY}; {STAY}"]
        ours: list[str | Path] = [python.with_name("dumpload"), "run", "--config", settings]
        outcomes: dict[str, list[tuple[float, int]]] = {"floor": [], "ours": []}
        for name in random.sample(["floor", "ours"] * RUNS, 2 * RUNS):
            outcomes[name].append(start(floor if name == "floor" else ours, work))
    times, memory = ({name: statistics.median(column) for name, column in pick.items()} for pick in (
        {name: [one[0] * 1e3 for one in rows] for name, rows in outcomes.items()},
        {name: [one[1] / 1024 for one in rows] for name, rows in outcomes.items()},
    ))  # fmt: skip
    return [
        at_most(f"exec to READY=1 (median of {RUNS})", times["floor"], times["ours"], 1.15, "ms"),
        at_most("resident memory when ready", memory["floor"], memory["ours"], 1.10, "MiB"),
    ]
