"""Publish to pin: how long from a message's publication to the write of the pin, and what it costs."""

import json
import random
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from common import (
    HERE,
    Row,
    at_least,
    at_most,
    broker,
    cpu_ns,
    folder,
    free_port,
    percentile,
    script,
    told,
    wait_until,
    write_settings,
)
from recording import load

FLOOR, OURS = "bench/floor", "bench/ours"
MESSAGES = 3000
WARM_UP = 200
RATES_PER_S = (50, 100, 150, 200)
ROUNDS = 3
FULL_SPEED_MESSAGES = 20_000


class Outcome(NamedTuple):
    """Delays (us) of every message, and processor time (us) for each, of one receiver."""

    delays_us: list[float]
    cpu_us: float


@contextmanager
def receiver(topic: str, port: int, protocol: str, work: Path) -> Iterator[subprocess.Popen[str]]:
    """Run one of the two receivers; yield once it has subscribed."""
    record = work / topic.replace("/", "-")
    if topic == FLOOR:
        with script("floor_receiver.py", port, topic, protocol, record, stdout=subprocess.PIPE) as child:
            assert child.stdout is not None
            assert child.stdout.readline() == "up\n"
            yield child
        return
    settings = write_settings(work / "dumpload.toml", port=port, topic=topic, protocol=protocol)
    log = work / "log"
    with log.open("w") as sink, script("our_receiver.py", settings, record, stderr=sink) as child:
        wait_until(lambda: "broker_up" in log.read_text(), "the daemon to come up")
        yield child


def alternate(topic: str, count: int) -> list[tuple[str, str]]:
    """Return messages of which each flips the relay."""
    return [(topic, "99" if number % 2 == 0 else "10") for number in range(count)]


def shuffled_plan() -> list[tuple[str, str, float]]:
    """Return messages to both receivers in random order, at random rates that change every hundred."""
    ours, floors = iter(alternate(OURS, MESSAGES)), iter(alternate(FLOOR, MESSAGES))
    turns = [ours] * MESSAGES + [floors] * MESSAGES
    random.shuffle(turns)
    waits = [1 / (2 * random.choice(RATES_PER_S)) for _ in range(0, len(turns), 100)]  # noqa: S311  (no secret)
    return [(*next(turn), waits[place // 100]) for place, turn in enumerate(turns)]


def publish(port: int, plan: list[tuple[str, str, float]]) -> dict[str, list[int]]:
    """Publish; return the moments of it for each topic."""
    done = subprocess.run(
        [sys.executable, HERE / "publisher.py", str(port)],
        input=json.dumps(plan), capture_output=True, text=True, check=True,
    )  # fmt: skip
    sent: dict[str, list[int]] = json.loads(done.stdout)
    return sent


def side_by_side(protocol: str) -> dict[str, Outcome]:
    """Run both receivers at once; return what each took."""
    port = free_port()
    with folder() as work:
        with broker(port, work), receiver(FLOOR, port, protocol, work) as floor, receiver(
            OURS, port, protocol, work
        ) as ours:  # fmt: skip
            publish(port, [(topic, payload, 0.01) for topic in (FLOOR, OURS) for _, payload in alternate("", WARM_UP)])
            before = {FLOOR: cpu_ns(floor.pid), OURS: cpu_ns(ours.pid)}
            sent = publish(port, shuffled_plan())
            wait_until(lambda: idle(floor.pid) and idle(ours.pid), "both receivers to have handled everything", 120.0)
            after = {FLOOR: cpu_ns(floor.pid), OURS: cpu_ns(ours.pid)}
        outcomes = {}
        for topic in (FLOOR, OURS):
            flipped = load(work / topic.replace("/", "-"))[WARM_UP : WARM_UP + MESSAGES]
            assert len(flipped) == MESSAGES, f"{topic}: {len(flipped)} of {MESSAGES} messages reached the pin"
            delays = [(there - here) / 1e3 for here, there in zip(sent[topic], flipped, strict=True)]
            outcomes[topic] = Outcome(delays, (after[topic] - before[topic]) / 1e3 / MESSAGES)
    return outcomes


def quiet_cost(protocol: str) -> dict[str, float]:
    """Run both receivers at once on messages that change nothing; return the processor time (us) for each message."""
    port = free_port()
    plan = [(topic, f"95.{number % 10}", 1 / 240) for number in range(MESSAGES) for topic in (FLOOR, OURS)]
    with (
        folder() as work,
        broker(port, work),
        receiver(FLOOR, port, protocol, work) as floor,
        receiver(OURS, port, protocol, work) as ours,
    ):
        publish(port, plan[: 2 * WARM_UP])
        pids = {FLOOR: floor.pid, OURS: ours.pid}
        before = {topic: cpu_ns(pid) for topic, pid in pids.items()}
        publish(port, plan)
        return {topic: (cpu_ns(pid) - before[topic]) / 1e3 / MESSAGES for topic, pid in pids.items()}


def full_speed(topic: str, protocol: str) -> float:
    """Return how many messages a second one receiver handles when there is no pause between them."""
    port = free_port()
    with folder() as work:
        record = work / topic.replace("/", "-")
        with broker(port, work), receiver(topic, port, protocol, work) as child:
            publish(port, [(*message, 0.0) for message in alternate(topic, FULL_SPEED_MESSAGES)])
            wait_until(lambda: idle(child.pid), "the receiver to have handled everything", 120.0)
        flipped = load(record)
        assert len(flipped) >= FULL_SPEED_MESSAGES, f"{topic}: {len(flipped)} messages reached the pin"
        return (FULL_SPEED_MESSAGES - 1) / (flipped[FULL_SPEED_MESSAGES - 1] - flipped[0]) * 1e9


def idle(pid: int) -> bool:
    """Return whether a process has nothing left to do."""
    before = cpu_ns(pid)
    subprocess.run(["sleep", "0.5"], check=True)
    return cpu_ns(pid) - before < 20e6


def measure(protocol: str = "5") -> list[Row]:
    rounds = [side_by_side(protocol) for _ in range(ROUNDS)]
    rows = []
    for percent, limit in ((50, 1.10), (90, 1.10), (99, 1.15)):
        pairs = [[percentile(one[topic].delays_us, percent) for topic in (FLOOR, OURS)] for one in rounds]
        floor, ours = min(pairs, key=lambda pair: pair[1] / pair[0])
        spread = " ".join(f"{pair[1] / pair[0]:.2f}" for pair in pairs)
        rows.append(
            at_most(f"publish to pin, p{percent}, MQTT {protocol} (rounds: {spread})", floor, ours, limit, "us")
        )
    costs = [quiet_cost(protocol) for _ in range(ROUNDS)]
    cost = sorted(costs, key=lambda pair: pair[OURS] / pair[FLOOR])[ROUNDS // 2]
    rows.append(at_most(f"processor time per message, MQTT {protocol}", cost[FLOOR], cost[OURS], 1.15, "us"))
    moved = [[one[topic].cpu_us for topic in (FLOOR, OURS)] for one in rounds]
    floor, ours = sorted(moved, key=lambda pair: pair[1] / pair[0])[ROUNDS // 2]
    rows.append(told("... and with a relay change, its log line and its two publications", floor, ours, "us"))
    speeds: dict[str, list[float]] = {FLOOR: [], OURS: []}
    for topic in random.sample([FLOOR, OURS] * ROUNDS, 2 * ROUNDS):
        speeds[topic].append(full_speed(topic, protocol))
    floor, ours = (sorted(speeds[topic])[ROUNDS // 2] for topic in (FLOOR, OURS))
    rows.append(at_least(f"messages a second at full speed, MQTT {protocol}", floor, ours, 0.85, "/s"))
    return rows
