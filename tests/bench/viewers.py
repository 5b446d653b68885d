"""Two hundred viewers of the live page: what they cost the daemon, in processor time and in the delay of the relay."""

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from common import (
    Row,
    at_most,
    broker,
    cpu_ns,
    folder,
    free_port,
    percentile,
    process,
    script,
    told,
    wait_until,
    write_settings,
)
from pin_latency import OURS, WARM_UP, alternate, publish
from recording import load

VIEWERS = 200
MESSAGES = 1500
ROUNDS = 3


class Cost(NamedTuple):
    """Processor time (us) of daemon and page for each message, and delays (us) from publication to the pin."""

    cpu_us: float
    page_us: float
    delays_us: list[float]


@contextlib.contextmanager
def page(settings: Path, work: Path, port: int) -> Iterator[subprocess.Popen[str]]:
    """Run the live page as its unit does: behind the daemon when the computer is busy."""
    log = work / "page.log"
    command = [sys.executable, "-m", "dumpload", "serve", "--config", settings, "--listen", f"127.0.0.1:{port}"]
    with log.open("w") as sink, process("nice", "-n", "10", *command, stderr=sink, env=environ(work)) as child:
        wait_until(lambda: "the daemon answers" in log.read_text(), "the page to hear the daemon")
        yield child


def environ(work: Path) -> dict[str, str]:
    return {**os.environ, "RUNTIME_DIRECTORY": str(work)}


@contextlib.contextmanager
def viewers(count: int, port: int) -> Iterator[None]:
    """Have so many look; one thread reads for all."""
    reader = Path(__file__).with_name("viewer_reader.py")
    with process(sys.executable, reader, f"{port}", f"{count}", stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "looking\n"
        yield


def cost(count: int) -> Cost:
    """Return what the daemon's messages cost while so many look."""
    port, page_port = free_port(), free_port()
    with folder() as work, broker(port, work):
        settings, record, log = (
            write_settings(work / "dumpload.toml", port=port, topic=OURS),
            work / "pin",
            work / "log",
        )
        with log.open("w") as sink, script(
            "our_receiver.py", settings, record, stderr=sink, env=environ(work)
        ) as daemon:  # fmt: skip
            wait_until(lambda: "broker_up" in log.read_text(), "the daemon to come up")
            with page(settings, work, page_port) as server, viewers(count, page_port):
                publish(port, [(OURS, payload, 0.01) for _, payload in alternate("", WARM_UP)])
                before, page_before = cpu_ns(daemon.pid), cpu_ns(server.pid)
                sent = publish(port, [(OURS, payload, 0.01) for _, payload in alternate("", MESSAGES)])[OURS]
                spent = [cpu_ns(daemon.pid) - before, cpu_ns(server.pid) - page_before]
        flipped = load(record)[WARM_UP : WARM_UP + MESSAGES]
    assert len(flipped) == MESSAGES, f"{len(flipped)} of {MESSAGES} messages reached the pin"
    each = (ns / 1e3 / MESSAGES for ns in spent)
    return Cost(*each, [(there - here) / 1e3 for here, there in zip(sent, flipped, strict=True)])


def measure() -> list[Row]:
    one, many = [], []
    for _ in range(ROUNDS):
        one.append(cost(1))
        many.append(cost(VIEWERS))
    rows = []
    for words, of, limit in (
        ("processor time of the daemon per message", lambda cost: cost.cpu_us, 1.10),
        ("publish to pin, p50", lambda cost: percentile(cost.delays_us, 50), 1.10),
        ("publish to pin, p99", lambda cost: percentile(cost.delays_us, 99), 1.25),
    ):
        floor, ours = (min(map(of, costs)) for costs in (one, many))
        rows.append(at_most(f"{words}, with {VIEWERS} viewers against one", floor, ours, limit, "us"))
    pages = (min(cost.page_us for cost in costs) for costs in (one, many))
    return [*rows, told("... and processor time of the page itself", *pages, "us")]
