"""A boat of `voyages` as files, for the tests of `tune`: its record, and the settings under which it was made."""

import json
from pathlib import Path
from typing import Any, NamedTuple

from voyages import World, chosen, sail_on, write_csv

from dumpload.config.model import flat


class Files(NamedTuple):
    """The record, and the settings; `days`: how long it is."""

    log: Path
    config: Path
    days: int

    def words(self, *more: str) -> list[str]:
        """Return the words of a command for them."""
        return ["tune", str(self.log), "--config", str(self.config), *more]


def as_toml(values: dict[str, Any]) -> str:
    """Return dotted keys as a settings file."""
    tables: dict[str, list[str]] = {}
    for key, value in values.items():
        table, _, name = key.rpartition(".")
        tables.setdefault(table, []).append(f"{name} = {json.dumps(value)}")
    top = tables.pop("", [])
    return "\n".join([*top, *(line for name, lines in tables.items() for line in (f"[{name}]", *lines))]) + "\n"


def write_boat(folder: Path, world: World, keys: dict[str, Any]) -> Files:
    """Write both files."""
    rows, _truth, began = sail_on(world, keys)
    log, config = folder / "record.csv", folder / "boat.toml"
    write_csv(log, rows, began, world.row_s)
    config.write_text(as_toml(flat(chosen(world, keys))))
    return Files(log, config, world.days)
