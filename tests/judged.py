"""Settings judged without a file: the fewest that run, with keys changed, and the complaints in words."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from dumpload.config.layers import ConfigError, Layers, leaves
from dumpload.config.model import Settings, judge

FILE = Path("/barge/dumpload.toml")
FEWEST: dict[str, Any] = {"telemetry.state_of_charge.topic": "barge/bank/charge", "relay.pin": 17}

# In place of a value: the key is not set.
LEAVE_OUT = object()


def nested(keys: Mapping[str, Any]) -> dict[str, Any]:
    """Return dotted keys as nested tables."""
    values: dict[str, Any] = {}
    for key, value in keys.items():
        *tables, name = key.split(".")
        table = values
        for part in tables:
            table = table.setdefault(part, {})
        if value is not LEAVE_OUT:
            table[name] = value
    return values


def layers(keys: Mapping[str, Any]) -> Layers:
    values = nested({**FEWEST, **keys})
    return Layers(FILE, values, {key: str(FILE) for key, _ in leaves(values)}, {}, [])


def settings(keys: Mapping[str, Any] | None = None) -> Settings:
    """Return the settings that the fewest, with these keys changed, amount to."""
    return judge(layers(keys or {}), {})


def complaints(keys: Mapping[str, Any]) -> list[str]:
    """Return what is wrong with them, a line each, without the name of the file."""
    try:
        settings(keys)
    except ConfigError as error:
        return [problem.line.removeprefix(f"{FILE}: ") for problem in error.problems]
    return []
