"""How another logger writes its records: options that say so, and a column map that says so once, in TOML or JSON.

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
import re
from collections.abc import Callable, Mapping
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dumpload.cli import console
from dumpload.config.layers import MAX_FILE_BYTES, ConfigError, Problem, show
from dumpload.core.signals import QUANTITIES, Signal, signal_name
from dumpload.files import read_plain

if TYPE_CHECKING:
    from dumpload.config.model import Settings
    from dumpload.records.record import TableFormat

_NAMES = {signal_name(signal): signal for signal in Signal}
_NUMBER = r"\d{1,12}(?:\.\d{1,12})?(?:[eE][-+]?\d{1,2})?"
_UNIT = re.compile(rf"(?P<unit>[A-Za-z]*)(?:\*(?P<scale>[-+]?{_NUMBER}))?(?P<offset>[-+]{_NUMBER})?", re.ASCII)


def add_record_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the record's file and the options that say how it is written."""
    parser.add_argument("log", metavar="LOG", type=Path,
                        help="CSV, Parquet, message capture (JSON Lines) or history; may be gzipped")  # fmt: skip
    group = parser.add_argument_group("records from other loggers")
    group.add_argument("--column", dest="columns", action="append", default=[], type=_column, metavar="SIGNAL=NAME",
                       help="name of a column: time=NAME, relay=NAME, state_of_charge=NAME and so on")  # fmt: skip
    group.add_argument("--unit", dest="units", action="append", default=[], type=_unit, metavar="SIGNAL=UNIT",
                       help="its unit, such as state_of_charge=ratio; with scale and offset if the logger"
                       " needs them: battery_power=W*-1, tank_temperature=degC*0.1-40")  # fmt: skip
    group.add_argument("--columns", dest="column_map", type=Path, metavar="FILE",
                       help="a column map (TOML or JSON): names, units and the options below")  # fmt: skip
    group.add_argument("--time-format", metavar="FORMAT", help="such as %%d.%%m.%%Y %%H:%%M:%%S (see date(1))")
    group.add_argument("--timezone", type=_zone, metavar="NAME", help="time zone of times without an offset")
    group.add_argument("--decimal-comma", action="store_true", help="97,5 means 97.5")
    group.add_argument("--delimiter", type=_delimiter, metavar="CHARACTER",
                       help="column separator, if not comma, semicolon or tab")  # fmt: skip
    group.add_argument("--sort", action="store_true", help="sort rows by time (reads the whole file into memory)")


def recorded_settings(args: argparse.Namespace, settings: "Settings") -> "Settings":
    """Return the settings that a record was made under: those of --recorded-with, else the same.

    Raises:
        ConfigError: there are none in the file, or they are wrong.
    """
    return settings if args.recorded_with is None else console.load_file(args.recorded_with)[1]


def _own_zone(settings: "Settings") -> str | None:
    """Return the time zone, if the settings name one."""
    return settings.permissive.timezone if "timezone" in settings.permissive.model_fields_set else None


def table_format(args: argparse.Namespace, settings: "Settings | None" = None) -> "TableFormat":
    """Return how the record is written; the zone of the settings holds for times of which nobody says it.

    Raises:
        ConfigError: the column map is none.
    """
    from dumpload.records.record import TableFormat

    mapping = read_column_map(args.column_map, _MAPPED) if args.column_map else {}
    scaling = {signal: scale for signal, _unit, scale in args.units if scale is not None}
    zone, note = args.timezone or mapping.get("timezone"), ""
    timezone = None if settings is None else _own_zone(settings)
    if zone is None and timezone is not None:
        zone, note = (
            _zone(timezone),
            f"times are read as {timezone}, the settings' permissive.timezone (else --timezone)",
        )
    return TableFormat(
        {**mapping.get("columns", {}), **dict(args.columns)},
        {**mapping.get("units", {}), **{signal: unit for signal, unit, _scale in args.units if unit}},
        args.time_format or mapping.get("time_format"),
        zone,
        args.decimal_comma or mapping.get("decimal_comma", False),
        args.delimiter or mapping.get("delimiter"),
        args.sort or mapping.get("sort", False),
        {**mapping.get("scaling", {}), **scaling},
        note,
    )


def _column(text: str) -> tuple[str, str]:
    name, equals, theirs = text.partition("=")
    if not equals or not theirs.strip() or name not in ("time", "relay", *_NAMES):
        msg = f"{text!r}: expected SIGNAL=NAME, SIGNAL being time, relay, {', '.join(_NAMES)}"
        raise argparse.ArgumentTypeError(msg)
    return name, theirs.strip()


def _unit(text: str) -> tuple[Signal, str, tuple[float, float] | None]:
    """Return the signal, its unit ("": not said), and its scale and offset (None: not said)."""
    name, _equals, rest = text.partition("=")
    match = _UNIT.fullmatch(rest)
    unit = match["unit"] if match else ""
    is_scaled = bool(match and (match["scale"] or match["offset"]))
    scale, offset = (float((match and match[part]) or default) for part, default in (("scale", 1), ("offset", 0)))
    scales = QUANTITIES[_NAMES[name]].scales if name in _NAMES else {}
    if not scale or not (unit in scales or (scales and is_scaled and not unit)):
        units = ", ".join(f"{name}={unit}" for name, signal in _NAMES.items() for unit in QUANTITIES[signal].scales)
        msg = f"{text!r}: expected one of {units}; scaled as battery_power=W*-1 or tank_temperature=degC*0.1-40"
        raise argparse.ArgumentTypeError(msg)
    return _NAMES[name], unit, (scale, offset) if is_scaled else None


def _zone(text: str) -> tzinfo:
    # Loads pydantic, for the one option that needs it.
    from dumpload.config.types import find_zone

    try:
        return find_zone(text)
    except ValueError:
        msg = f"{text!r}: expected the IANA name of a time zone, such as Europe/London"
        raise argparse.ArgumentTypeError(msg) from None


def _delimiter(text: str) -> str:
    delimiter = {r"\t": "\t", "tab": "\t"}.get(text, text)
    if len(delimiter) != 1 or delimiter in '"\r\n':
        msg = f"{text!r}: expected one character"
        raise argparse.ArgumentTypeError(msg)
    return delimiter


# The options that a column map may have by name, and what reads their texts (True: a switch).
_MAPPED: "dict[str, Callable[[str], Any] | bool]" = {
    "time_format": str,
    "timezone": _zone,
    "decimal_comma": True,
    "delimiter": _delimiter,
    "sort": True,
}


# ---- the column map ----

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
        if key in _NAMES and isinstance(value, dict):
            problems += [
                Problem(str(path), f"{key}.{name}", show(it), expected)
                for name, it, expected in _take(options, key, value)
            ]
        elif key == "time" or key in _NAMES:
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
            problems.append(Problem(str(path), key, "", f"one of time, {', '.join((*_NAMES, *parse))}"))
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
    signal = _NAMES[name]
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
