"""Every figure that a check starts from, and whether it was given, is a default or is missing."""

from collections.abc import Iterator
from functools import reduce
from typing import Any

from dumpload.config.model import Settings, known_keys

Document = dict[str, Any]

# What an installation is made of and when its load runs. No topic, no file and no user: the paper goes to a customer.
TABLES = (
    "installation",
    "battery",
    "solar",
    "load",
    "tank",
    "wiring",
    "contact",
    "driver",
    "relay",
    "control",
    "permissive",
)
# What only `dumpload simulate` asks for: on the paper it would be a list of gaps that no check has.
SIMULATED = {
    "battery.counter_full_v",
    "battery.counter_full_a",
    "battery.counter_full_s",
    "battery.counter_efficiency",
    "battery.counter_step_percent",
    "solar.latitude",
    "solar.longitude",
    "solar.altitude_m",
    "solar.strings",
    "solar.stops_when_full",
    "solar.begins_daily",
    "solar.absorption_s",
    "solar.tail_a",
    "solar.rebulk_v",
    "solar.rebulk_s",
    "tank.draws",
}
ALSO = ("telemetry.state_of_charge.max_age_s",)


def entered(settings: Settings) -> list[Document]:
    """Return the settings that a check may need, in the order of the reference."""
    return list(_entered(settings))


def _entered(settings: Settings) -> Iterator[Document]:
    for name, key in known_keys().items():
        table, _, last = name.rpartition(".")
        if name in SIMULATED or (table not in TABLES and name not in ALSO):
            continue
        above = reduce(getattr, table.split("."), settings)
        value = getattr(above, last)
        is_set = last in above.model_fields_set
        yield {
            "key": name,
            "value": list(value) if isinstance(value, tuple) else value,
            "unit": key.schema.get("x-unit", ""),
            "state": "given" if is_set else "missing" if value is None else "default",
            "meaning": key.schema["description"],
        }
