"""A column map: a TOML or JSON file that says once how another logger writes its records.

    time = "Date"                    # what its columns are called
    time_format = "%d.%m.%Y %H:%M"   # and the other options of `replay`, by name
    timezone = "Europe/London"
    decimal_comma = true
    delimiter = ";"

    [battery_power]
    column = "P_bat"
    unit = "kW"                      # scale and offset come before the unit; -1 turns a sign
    scale = -1
    offset = 0

What the command line says goes first.
"""

import argparse
import json
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from dumpload.config.layers import MAX_FILE_BYTES, ConfigError, Problem, show
from dumpload.core.signals import QUANTITIES, Signal, signal_name
from dumpload.files import read_plain

_SIGNALS = {signal_name(signal): signal for signal in Signal}
_SIGNAL_KEYS = ("column", "unit", "scale", "offset")

Words = Callable[[str], Any]


def read_column_map(path: Path, parse: Mapping[str, Words | bool]) -> dict[str, Any]:
    """Return what a column map says: `columns`, `units`, `scaling`, and the options of the names in `parse`.

    `parse`: by option, what makes a value of its text (True: it is a switch).

    Raises:
        ConfigError: it cannot be read, or a key or a value is none that is known; all of them are named.
    """
    document = _read(path)
    options: dict[str, Any] = {"columns": {}, "units": {}, "scaling": {}}
    problems: list[Problem] = []
    for key, value in document.items():
        if key in _SIGNALS and isinstance(value, dict):
            problems += [
                Problem(str(path), f"{key}.{name}", show(it), expected)
                for name, it, expected in _take(options, key, value)
            ]
        elif key == "time" or key in _SIGNALS:
            if _is_text(value):
                options["columns"][key] = value
            else:
                problems.append(Problem(str(path), key, show(value), "the name of a column, in quotes"))
        elif key in parse:
            try:
                options[key] = _option(parse[key], value)
            except (argparse.ArgumentTypeError, ValueError) as error:
                problems.append(Problem(str(path), key, show(value), str(error).rpartition("expected ")[2]))
        else:
            problems.append(Problem(str(path), key, "", f"one of time, {', '.join((*_SIGNALS, *parse))}"))
    if problems:
        raise ConfigError(problems)
    return options


def _read(path: Path) -> dict[str, Any]:
    import tomllib

    try:
        text = read_plain(path, MAX_FILE_BYTES).decode("utf-8-sig")
        document = json.loads(text) if text.lstrip().startswith("{") else tomllib.loads(text)
    except OSError as error:
        raise ConfigError([Problem(str(path), "", "", f"a readable file: {error.strerror}")]) from None
    except (ValueError, RecursionError) as error:
        raise ConfigError([Problem(str(path), "", "", f"a column map in TOML or JSON: {error}")]) from None
    if not isinstance(document, dict):
        raise ConfigError([Problem(str(path), "", "", "a column map in TOML or JSON")])
    return document


def _take(options: dict[str, Any], name: str, table: Mapping[str, Any]) -> list[tuple[str, Any, str]]:
    """Take the table of a signal; return what is wrong in it: key, value, what was expected."""
    signal = _SIGNALS[name]
    units = QUANTITIES[signal].scales
    wrong = [
        (key, value, f"one of {', '.join(_SIGNAL_KEYS)}") for key, value in table.items() if key not in _SIGNAL_KEYS
    ]
    if "column" in table:
        if _is_text(table["column"]):
            options["columns"][name] = table["column"]
        else:
            wrong.append(("column", table["column"], "the name of a column, in quotes"))
    if "unit" in table:
        if table["unit"] in [*units]:
            options["units"][signal] = table["unit"]
        else:
            wrong.append(("unit", table["unit"], f"one of {', '.join(units)}"))
    scale, offset = table.get("scale", 1.0), table.get("offset", 0.0)
    wrong += [("scale", scale, "a number, but not 0")] if not _is_number(scale) or not scale else []
    wrong += [("offset", offset, "a number")] if not _is_number(offset) else []
    if not wrong and (scale, offset) != (1.0, 0.0):
        options["scaling"][signal] = (float(scale), float(offset))
    return wrong


def _option(parse: Words | bool, value: Any) -> Any:  # noqa: FBT001  (a table of both)
    if callable(parse):
        if not _is_text(value):
            msg = "expected text in quotes"
            raise ValueError(msg)
        return parse(value)
    if not isinstance(value, bool):
        msg = "expected true or false"
        raise ValueError(msg)  # noqa: TRY004  (bad data, not a bad program)
    return value


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
