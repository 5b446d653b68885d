"""Replay and the daemon are one: a random record through both changes the relay alike, to the millisecond."""

import csv
import io
import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from judged import settings
from recorded import Recorded, write
from staging import BANK, USUAL, Stage, Staging
from world import NOON

from dumpload.config.to_core import controller_setup
from dumpload.core.controller import Decision, Kind
from dumpload.core.law import Selector
from dumpload.core.signals import Signal, signal_name
from dumpload.core.text import utc_text
from dumpload.history.schema import RowKind
from dumpload.records.record import TableFormat
from dumpload.replay.compare import run_trials

pytest_plugins = ["stage_fixtures"]

OTHERS = {
    Signal.BATTERY_VOLTAGE: "barge/bank/voltage",
    Signal.BATTERY_POWER: "barge/bank/power",
    Signal.LOAD_POWER: "barge/heater/power",
    Signal.TANK_TEMPERATURE: "barge/heater/temperature",
}
TOPICS = {Signal.STATE_OF_CHARGE: BANK, **OTHERS}
KEYS: dict[str, Any] = {
    **USUAL,
    **{f"telemetry.{signal_name(signal)}.topic": topic for signal, topic in OTHERS.items()},
    "telemetry.state_of_charge.unknown": [255, "null"],
    "telemetry.presence_topic": "barge/gateway/presence",
    "telemetry.absent_payload": "gone",
    "control.min_on_s": 60.0,
    "control.min_off_s": 45.0,
    "control.confirm_s": 20.0,
    "permissive.window": ["12:10-14:00"],
    "permissive.voltage_cut_out": 26.0,
    "permissive.voltage_cut_in": 26.5,
    "permissive.tank_cut_out_c": 65.0,
    "permissive.tank_cut_in_c": 60.0,
    "permissive.drain_limit_w": 150.0,
    "permissive.drain_limit_s": 30.0,
    "permissive.drain_rest_s": 90.0,
    "permissive.max_on_s": 400.0,
}
SPAN_S = 9000.0


class Heard(NamedTuple):
    """One message: seconds after noon, topic, payload, retained."""

    t: float
    topic: str
    payload: str
    retained: bool = False


def random_messages(seed: int, *, garbage: bool) -> Iterator[Heard]:
    """A bank near full with clouds, a tank that heats, gaps, and (`garbage`) what a broker may bring besides."""
    draw = random.Random(seed)  # noqa: S311
    t, charge = 0.0, 97.0
    while t < SPAN_S:
        charge = min(100.0, max(90.0, charge + draw.uniform(-0.6, 0.6) + 0.02 * (98.0 - charge)))
        values = {
            Signal.STATE_OF_CHARGE: charge,
            Signal.BATTERY_VOLTAGE: 26.8 - (draw.random() < 0.05) * draw.choice([0.5, 1.0]),
            Signal.BATTERY_POWER: -200.0 if (t // 100.0) % 8 == 0 else 300.0,
            Signal.LOAD_POWER: 0.0,
            Signal.TANK_TEMPERATURE: 58.0 + 8.0 * abs((t / 900.0) % 2.0 - 1.0),
        }
        for signal, value in values.items():
            t += 1 / 1024  # no two messages at the very same moment: those would be taken for one
            if draw.random() < 0.9:
                yield Heard(t, TOPICS[signal], f"{value:.2f}", retained=garbage and draw.random() < 0.02)
        if garbage and draw.random() < 0.02:
            yield Heard(t, BANK, draw.choice(["255", "null", "NaN", "101", "{}", "", "98 %"]))
        if garbage and draw.random() < 0.005:
            yield Heard(t, "barge/gateway/presence", "gone")
        # Never a whole number of anything: which comes first, a message or a deadline at its moment, is chance live.
        t += draw.randrange(2048, 10240) / 1024 + (draw.random() < 0.02) * 64.5


def live_changes(stage: Stage, messages: list[Heard]) -> list[dict[str, Any]]:
    """Let the service hear them, and return the changes it published."""
    begin = stage.clock()
    for message in messages:
        stage.wait(begin + message.t - stage.clock())
        stage.hear(message.topic, message.payload, retained=message.retained)
    return [json.loads(payload) for payload in stage.published("change")]


def replayed_changes(path: Path, keys: dict[str, Any], *, judge_contact: bool = True) -> list[dict[str, Any]]:
    trial = run_trials(path, TableFormat(), {"barge": settings(keys)}, judge_contact=judge_contact)[0]
    return [
        {
            "at": utc_text(change.wall),
            "relay": change.position.name.lower(),
            "cause": change.cause.name.lower(),
            "state_of_charge": None if change.state_of_charge != change.state_of_charge else change.state_of_charge,
        }
        for change in trial.result.changes
    ]


def alike(document: dict[str, Any]) -> dict[str, Any]:
    return {name: document[name] for name in ("at", "relay", "cause", "state_of_charge")}


@pytest.mark.parametrize("seed", range(4))
def test_a_capture_of_what_the_service_heard_gives_the_changes_it_made(
    staging: Staging, tmp_path: Path, seed: int
) -> None:
    messages = list(random_messages(seed, garbage=True))
    live = live_changes(staging(KEYS), messages)
    path = tmp_path / "capture.jsonl"
    rows = (
        {"time": NOON + message.t, "topic": message.topic, "payload": message.payload, "retain": message.retained}
        for message in messages
    )
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    changes = replayed_changes(path, KEYS)
    assert len(changes) > 10
    assert changes == [alike(document) for document in live]


@pytest.mark.parametrize("seed", range(12, 15))
def test_messages_of_several_values_are_taken_whole(staging: Staging, tmp_path: Path, seed: int) -> None:
    draw = random.Random(seed)  # noqa: S311
    keys = dict(KEYS)
    for signal in TOPICS:
        keys[f"telemetry.{signal_name(signal)}.topic"] = BANK
        keys[f"telemetry.{signal_name(signal)}.pointer"] = f"/{signal_name(signal)}"
    messages, latest = [], {}
    names = {topic: signal_name(signal) for signal, topic in TOPICS.items()}
    for message in random_messages(seed, garbage=False):
        latest[names[message.topic]] = float(message.payload)
        if draw.random() < 0.3:
            messages.append(Heard(message.t, BANK, json.dumps(latest)))
    live = live_changes(staging(keys), messages)
    path = tmp_path / "capture.jsonl"
    rows = ({"time": NOON + message.t, "topic": message.topic, "payload": message.payload} for message in messages)
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    changes = replayed_changes(path, keys)
    assert len(changes) > 5
    assert changes == [alike(document) for document in live]


@pytest.mark.parametrize("seed", range(4, 8))
def test_a_table_of_what_the_service_heard_gives_the_changes_it_made(
    staging: Staging, tmp_path: Path, seed: int
) -> None:
    messages = list(random_messages(seed, garbage=False))
    live = live_changes(staging(KEYS), messages)
    names = [signal_name(signal) for signal in TOPICS]
    columns = {topic: signal_name(signal) for signal, topic in TOPICS.items()}
    text = io.StringIO()
    table = csv.DictWriter(text, ["time", *names], restval="", lineterminator="\n")
    table.writeheader()
    for message in messages:
        table.writerow({"time": f"{NOON + message.t}", columns[message.topic]: message.payload})
    path = tmp_path / "log.csv"
    path.write_text(text.getvalue())
    changes = replayed_changes(path, KEYS)
    assert len(changes) > 10
    assert changes == [alike(document) for document in live]


def recorded(seed: int) -> Recorded:
    """A controller that lives through random messages and commands, and is recorded."""
    draw = random.Random(seed)  # noqa: S311
    world = Recorded(controller_setup(settings(KEYS)))
    for message in random_messages(seed, garbage=False):
        world.wait(world_time(world, message))
        signal = next(signal for signal, topic in TOPICS.items() if topic == message.topic)
        world.measure(signal, float(message.payload))
        if draw.random() < 0.004:
            world.send(draw.choice([Kind.UNKNOWN, Kind.ABSENT, Kind.EVIDENCE_RESET]))
        if draw.random() < 0.01:
            world.select(Selector.AUTO)
        if draw.random() < 0.002:
            world.select(draw.choice([Selector.HAND, Selector.AUTO, Selector.OFF]), for_s=200.0)
    return world


def world_time(world: Recorded, message: Heard) -> float:
    return max(0.0, NOON + message.t - (world.t + world.ahead))


def written(decision: Decision) -> tuple[str, str, str]:
    return utc_text(decision.wall), decision.position.name.lower(), decision.cause.name.lower()


@pytest.mark.parametrize("seed", range(8, 12))
def test_the_history_of_a_controller_gives_the_changes_it_made(tmp_path: Path, seed: int) -> None:
    world = recorded(seed)
    path = tmp_path / "history.sqlite3"
    write(path, world)
    changes = replayed_changes(path, KEYS)
    assert len(changes) > 10
    assert [(change["at"], change["relay"], change["cause"]) for change in changes] == [
        written(row) for row in world.rows if row.changed
    ]


@pytest.mark.parametrize("seed", range(8, 12))
def test_the_history_keeps_every_sample_that_moved_the_relay(seed: int) -> None:
    world = recorded(seed)
    rows = world.notebook.rows
    samples = {(row.t, row.signal) for row in rows if row.kind == RowKind.SAMPLE}
    by_sample = [row for row in world.rows if row.changed and row.accepted]
    assert len(by_sample) > 5
    for sample in by_sample:
        assert any(t == sample.t for t, _signal in samples), written(sample)
        change = [row for row in rows if row.kind == RowKind.CHANGE and row.t == sample.t]
        assert [bool(row.value) for row in change] == [sample.position == 1]
