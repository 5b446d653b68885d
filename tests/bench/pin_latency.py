"""Publish to pin: how long from a message's publication to the write of the pin, and how many a second.

Both receivers run at once and get their messages in turns, so that what else the machine does disturbs both alike. The
verdict is the median, over the rounds, of the ratio within each.
"""

import json
import random
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import NamedTuple

from common import (
    HERE,
    Row,
    absolute_least,
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

FLOOR, OURS = TOPICS = ("bench/floor", "bench/ours")
MESSAGES = 600
WARM_UP = 200
RATES_PER_S = (50, 100, 150, 200)
ROUNDS = 7
FULL_SPEED_MESSAGES = 10_000
FULL_SPEED_ROUNDS = 3
LIMITS = {50: 1.3, 90: 1.3, 99: 1.4}
LEAST_PER_S = 3000.0
PATIENCE_S = 60.0


class Round(NamedTuple):
    """Delays (us) of every message of one round, and processor time (us) for each, of one receiver."""

    delays_us: list[float]
    cpu_us: float


@contextmanager
def receiver(topic: str, port: int, work: Path) -> Iterator[subprocess.Popen[str]]:
    """Run one of the two receivers; yield once it has subscribed."""
    record = work / topic.replace("/", "-")
    if topic == FLOOR:
        with script("floor_receiver.py", port, topic, "5", record, stdout=subprocess.PIPE) as child:
            assert child.stdout is not None
            assert child.stdout.readline() == "up\n"
            yield child
        return
    settings = write_settings(work / "dumpload.toml", port=port, topic=topic)
    log = work / "log"
    with log.open("w") as sink, script("our_receiver.py", settings, record, stderr=sink) as child:
        wait_until(lambda: "broker_up" in log.read_text(), "the daemon to come up")
        yield child


def alternate(topic: str, count: int) -> list[tuple[str, str]]:
    """Return messages of which each flips the relay."""
    return [(topic, "99" if number % 2 == 0 else "10") for number in range(count)]


def shuffled_plan() -> list[tuple[str, str, float]]:
    """Return messages to both receivers in random order, at random rates that change every hundred."""
    turns = [messages for topic in TOPICS for messages in [iter(alternate(topic, MESSAGES))] * MESSAGES]
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


def side_by_side() -> list[dict[str, Round]]:
    """Run both receivers at once; return what each took in each round."""
    port = free_port()
    with folder() as work, broker(port, work):
        with receiver(FLOOR, port, work) as floor, receiver(OURS, port, work) as ours:
            pids = {FLOOR: floor.pid, OURS: ours.pid}
            publish(port, [(topic, payload, 0.01) for topic in TOPICS for _, payload in alternate("", WARM_UP)])
            sent = [publish_round(port, pids) for _ in range(ROUNDS)]
        flipped = {topic: load(work / topic.replace("/", "-"))[WARM_UP:] for topic in TOPICS}
    for topic in TOPICS:
        count = len(flipped[topic])
        assert count == ROUNDS * MESSAGES, f"{topic}: {count} of {ROUNDS * MESSAGES} messages reached the pin"
    return [
        {
            topic: Round([(there - here) / 1e3 for here, there in zip(here_ns, there_ns, strict=True)], cpu_us)
            for topic, (here_ns, cpu_us) in one.items()
            for there_ns in [flipped[topic][number * MESSAGES : (number + 1) * MESSAGES]]
        }
        for number, one in enumerate(sent)
    ]


def publish_round(port: int, pids: dict[str, int]) -> dict[str, tuple[list[int], float]]:
    """Publish one round; return by topic the moments of it, and the processor time (us) for each message."""
    before = {topic: cpu_ns(pid) for topic, pid in pids.items()}
    sent = publish(port, shuffled_plan())
    wait_until(lambda: all(map(idle, pids.values())), "both receivers to have handled everything", PATIENCE_S)
    return {topic: (sent[topic], (cpu_ns(pid) - before[topic]) / 1e3 / MESSAGES) for topic, pid in pids.items()}


def full_speed(topic: str) -> float:
    """Return how many messages a second one receiver handles when there is no pause between them."""
    port = free_port()
    with folder() as work:
        record = work / topic.replace("/", "-")
        with broker(port, work), receiver(topic, port, work) as child:
            publish(port, [(*message, 0.0) for message in alternate(topic, FULL_SPEED_MESSAGES)])
            wait_until(lambda: idle(child.pid), "the receiver to have handled everything", PATIENCE_S)
        flipped = load(record)
        assert len(flipped) >= FULL_SPEED_MESSAGES, f"{topic}: {len(flipped)} messages reached the pin"
        return (FULL_SPEED_MESSAGES - 1) / (flipped[FULL_SPEED_MESSAGES - 1] - flipped[0]) * 1e9


def idle(pid: int) -> bool:
    """Return whether a process has nothing left to do."""
    before = cpu_ns(pid)
    subprocess.run(["sleep", "0.2"], check=True)
    return cpu_ns(pid) - before < 10e6


def measure() -> list[Row]:
    rounds = side_by_side()
    rows = []
    for percent, limit in LIMITS.items():
        pairs = [tuple(percentile(one[topic].delays_us, percent) for topic in TOPICS) for one in rounds]
        floor, ours = middle(pairs)
        spread = " ".join(f"{here / there:.2f}" for there, here in pairs)
        rows.append(at_most(f"publish to pin, p{percent} (rounds: {spread})", floor, ours, limit, "us"))
    floor, ours = middle([tuple(one[topic].cpu_us for topic in TOPICS) for one in rounds])
    rows.append(told("processor time a message, its relay change, log line and publications", floor, ours, "us"))
    speeds: dict[str, list[float]] = {topic: [] for topic in TOPICS}
    for topic in TOPICS * FULL_SPEED_ROUNDS:
        speeds[topic].append(full_speed(topic))
    floor, ours = (median(speeds[topic]) for topic in TOPICS)
    rows.append(absolute_least(f"messages a second at full speed (floor: {floor:.0f})", ours, LEAST_PER_S, "/s"))
    return rows


def middle(pairs: list[tuple[float, ...]]) -> tuple[float, float]:
    """Return the pair (floor, ours) of the median ratio."""
    floor, ours = sorted(pairs, key=lambda pair: pair[1] / pair[0])[len(pairs) // 2]
    return floor, ours
