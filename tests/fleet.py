"""Histories of boats that differ a little, for the tests and the bench of the export."""

import json
import random
from collections.abc import Iterator
from pathlib import Path

from histories import DAY_S, NOON, fill

from dumpload.core.law import Cause
from dumpload.core.signals import Signal
from dumpload.history.schema import Entry, RowKind

EVERY_S = 300.0
SIGNALS = (Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE, Signal.LOAD_POWER)

SETTINGS = """
name = "{name}"
[telemetry.state_of_charge]
topic = "barge/bank/charge"
[telemetry.battery_voltage]
topic = "barge/bank/voltage"
[telemetry.load_power]
topic = "barge/heater/power"
max_age_s = 600
[relay]
pin = 17
pin_factory = "mock"
[permissive]
window = []
timezone = "{timezone}"
[load]
rated_w = 300
rated_v = 24
[history]
path = "{history}"
"""


def boat(folder: Path, name: str = "barge", *, days: int = 3, seed: int = 1, timezone: str = "UTC") -> Path:
    """Write a boat's history, and settings beside it whose path is returned."""
    history = folder / f"{name}.db"
    fill(history, entries(days, seed), boot_id=f"start-{name}-{seed}")
    settings = folder / f"{name}.toml"
    settings.write_text(SETTINGS.format(name=name, timezone=timezone, history=history))
    return settings


def entries(days: int, seed: int) -> Iterator[Entry]:
    """Yield rows from noon on: every five minutes three signals, and from 13:00 a run of some hours on most days."""
    draw = random.Random(seed)  # noqa: S311
    sequence, ends_at = 0, 0.0
    for step in range(int(days * DAY_S / EVERY_S)):
        t = step * EVERY_S
        hour = (12 + t / 3600) % 24
        is_on = t < ends_at
        if hour == 13 and draw.random() < 0.9:
            ends_at, is_on = t + 3600.0 * draw.choice((1.5, 3.0, 12.0)), True
            sequence += 1
            yield _change(sequence, t, Cause.SURPLUS)
        elif ends_at and not is_on:
            ends_at = 0.0
            sequence += 1
            yield _change(sequence, t, Cause.BELOW_CUT_OUT)
        values = (round(draw.uniform(90, 100), 1), round(draw.uniform(26, 28), 2), 330.0 if is_on else 0.0)
        for signal, value in zip(SIGNALS, values, strict=True):
            sequence += 1
            yield Entry(sequence, NOON + t, RowKind.SAMPLE, t, t, t + 240.0, signal, value)


def _change(sequence: int, t: float, cause: Cause) -> Entry:
    on = cause == Cause.SURPLUS
    text = json.dumps({"state_of_charge": 98.0 if on else 92.5})
    return Entry(sequence, NOON + t, RowKind.CHANGE, t, t, t, value=float(on), cause=cause, text=text)
