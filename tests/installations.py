"""Random installations: any keys, any values within their bounds, many of them at the bounds or absurd together."""

from collections.abc import Iterator
from random import Random
from typing import Any

from judged import settings

from dumpload.config.errors import Key
from dumpload.config.layers import ConfigError
from dumpload.config.model import Settings, known_keys
from dumpload.config.rules import ASCENDING

TABLES = ("installation", "battery", "solar", "load", "tank", "wiring", "contact", "driver", "control")
FURTHER = (
    "relay.active_high",
    "relay.feedback_pin",
    "relay.feedback_s",
    "permissive.voltage_cut_out",
    "permissive.voltage_cut_in",
    "telemetry.state_of_charge.max_age_s",
    "telemetry.state_of_charge.timestamp_pointer",
)
# Lists (strings of panels, draws of water) are the simulation's: no check looks at them.
KEYS = {
    name: key
    for name, key in known_keys().items()
    if (name.partition(".")[0] in TABLES or name in FURTHER) and key.schema.get("type") != "array"
}


def value(random: Random, key: Key) -> Any:
    """Return a random value of a key: mostly ordinary, now and then at a bound."""
    schema = key.schema
    if "enum" in schema:
        return random.choice(schema["enum"])
    if schema["type"] == "boolean":
        return random.random() < 0.5
    if schema["type"] == "string":
        return {"timestamp_pointer": "/taken_at", "date": "2026-05-02"}.get(key.name.rpartition(".")[2], "words")
    low = schema.get("minimum", schema.get("exclusiveMinimum", 0))
    high = schema["maximum"]
    if schema["type"] == "integer":
        return random.choice((int(low), int(high), random.randint(int(low), min(int(high), int(low) + 60))))
    if random.random() < 0.1:
        return float(random.choice((schema.get("minimum", 1e-9), high)))
    small = max(low, 1e-3)
    number = small * (high / small) ** random.random() if random.random() < 0.7 else random.uniform(low, high)
    return float(f"{min(high, max(small, number)):.{random.choice((1, 2, 3, 17))}g}")


def draw(random: Random, base: dict[str, Any]) -> dict[str, Any]:
    """Return keys: those of `base` with some changed, or random ones with some left out."""
    likelihood = random.choice((0.03, 0.2, 0.6, 0.95))
    keys = dict(base) if random.random() < 0.5 else {}
    for name, key in KEYS.items():
        if random.random() < likelihood:
            keys[name] = value(random, key)
        elif random.random() < 0.05:
            keys.pop(name, None)
    return keys


def fitting(keys: dict[str, Any]) -> dict[str, Any]:
    """Return the keys made to fit together, as the rules of the settings ask."""
    keys = {"telemetry.battery_voltage.topic": "barge/bank/voltage", "control.min_off_s": 300.0, **keys}
    for key, other in (
        ("wiring.gauge", "wiring.area_mm2"),
        ("driver.pull_down_ohm", "driver.pull_up_ohm"),
        ("driver.input_floats", "driver.pull_down_ohm"),
        ("driver.input_floats", "driver.pull_up_ohm"),
    ):
        if keys.get(key) and other in keys:
            del keys[other]
    if ("permissive.voltage_cut_in" in keys) != ("permissive.voltage_cut_out" in keys):
        keys.pop("permissive.voltage_cut_in", None)
        keys.pop("permissive.voltage_cut_out", None)
    if keys.get("relay.feedback_pin") == 17:
        del keys["relay.feedback_pin"]
    for _ in range(4):
        for low, high, may_be_equal in ASCENDING:
            if low in keys and high in keys and keys[low] > keys[high]:
                keys[low], keys[high] = keys[high], keys[low]
            if low in keys and high in keys and keys[low] == keys[high] and not may_be_equal:
                del keys[low]
    return keys


def installations(seed: int, count: int, base: dict[str, Any]) -> Iterator[tuple[dict[str, Any], Settings]]:
    """Yield this many random installations, as keys and as settings."""
    random = Random(seed)  # noqa: S311  (the same examples on every run)
    while count:
        keys = fitting(draw(random, base))
        try:
            fit = settings(keys)
        except ConfigError:  # they do not fit together after all
            continue
        yield keys, fit
        count -= 1
