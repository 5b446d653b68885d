"""What the settings are called and must be, read off their tables; and every fault put into words.

Generic: each setting is defined in `model`, how they must fit together in `rules`.
"""

import copy
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, NamedTuple, Union, get_args, get_origin

from pydantic import BaseModel

from dumpload.config.layers import COMMAND_LINE, NOT_SHOWN, UNKNOWN, Layers, Problem, leaves, show
from dumpload.config.rules import Conflict, ValidSettings
from dumpload.config.types import NAME_PATTERN

# Settings under `mqtt` of which no value is a secret, as long as it is of their kind.
_HARMLESS = ("port", "tls", "keepalive_s")
# Finding the likely name costs milliseconds for each: a file with thousands of wrong names must not hold up a reload.
_LONGEST_COMPARED, _MOST_COMPARED = 80, 20


class Key(NamedTuple):
    """One setting: its dotted name, the type of its value, its default, and whether it and its table must be there.

    `schemas` makes the JSON schemas of all settings, which takes long and is wanted only for words.
    """

    name: str
    type: Any
    default: Any
    required: bool
    table_required: bool
    schemas: Callable[[], Mapping[str, Mapping[str, Any]]]

    @property
    def schema(self) -> Mapping[str, Any]:
        """The JSON schema, without references."""
        return self.schemas()[self.name]

    @property
    def is_text(self) -> bool:
        """Whether it takes text."""
        return self.type in (str, Path)

    @property
    def is_path(self) -> bool:
        """Whether it names a file."""
        return self.type is Path

    @property
    def kind(self) -> str:
        """Return what a value must be, in words."""
        if "x-expected" in self.schema:
            return str(self.schema["x-expected"])
        if "enum" in self.schema:
            return " or ".join(show(item) for item in self.schema["enum"])
        if "const" in self.schema:
            return show(self.schema["const"])
        kinds = {"boolean": "true or false", "integer": "a whole number", "number": "a number", "string": "text"}
        return kinds[self.schema["type"]] + self.bounds

    @property
    def bounds(self) -> str:
        """Return the bounds of a number, in words."""
        if "minimum" in self.schema:
            return f" from {self.schema['minimum']:g} to {self.schema['maximum']:g}"
        if "exclusiveMinimum" in self.schema:
            return f" above {self.schema['exclusiveMinimum']:g} and at most {self.schema['maximum']:g}"
        return ""


# What pydantic adds to a place where a value may be of either kind.
_ALTERNATIVES = ("float", "str")


class Invalid(NamedTuple):
    """Where a value is wrong (table names, key, position in a list), in what way, and the value."""

    where: tuple[int | str, ...]
    what: str
    value: Any


def list_keys(
    table: type[BaseModel],
    schemas: Callable[[], Mapping[str, Mapping[str, Any]]],
    above: str = "",
    *,
    needed: bool = True,
) -> Iterator[Key]:
    """Yield every setting of a table, and of those in it. `schemas` gives the JSON schema of each dotted name."""
    for name, field in table.model_fields.items():
        plain = _plain_type(field.annotation)
        required = field.is_required()
        if isinstance(plain, type) and issubclass(plain, BaseModel):
            yield from list_keys(plain, schemas, f"{above}{name}.", needed=needed and required)
        else:
            yield Key(f"{above}{name}", plain, None if required else field.default, required, needed, schemas)


def _plain_type(annotation: Any) -> Any:
    """Return what a value is, without the None that stands for "not set", bounds and choices."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _plain_type(get_args(annotation)[0])
    if origin in (Union, UnionType):
        return next(_plain_type(option) for option in get_args(annotation) if option is not type(None))
    return type(get_args(annotation)[0]) if origin is Literal else origin or annotation


def list_schemas(schema: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """Return the schema of every setting by its dotted name, from the JSON schema of a table of tables."""
    return dict(_walk(schema, schema["$defs"], ""))


def _walk(table: Mapping[str, Any], tables: Mapping[str, Any], above: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    for name, described in table["properties"].items():
        schema = _resolve(described, tables)
        if "properties" in schema:
            yield from _walk(schema, tables, f"{above}{name}.")
        else:
            yield f"{above}{name}", schema


def _resolve(schema: Mapping[str, Any], tables: Mapping[str, Any]) -> dict[str, Any]:
    """Return a schema without references, and without the null that stands for "not set"."""
    merged = dict(schema)
    alternatives = merged.pop("anyOf", ())
    for option in alternatives:
        if option != {"type": "null"}:
            merged = {**_resolve(option, tables), **merged}
    reference = merged.pop("$ref", None)
    return {**tables[reference.rpartition("/")[2]], **merged} if reference else merged


def prepare(layers: Layers, keys: Mapping[str, Key]) -> dict[str, Any]:
    """Return a copy of the values to judge: with all tables that must be there, and with what the name implies."""
    values = copy.deepcopy(layers.values)
    values.setdefault("mqtt", {})
    for name, text in layers.texts.items():
        table = _table_of(values, name)
        # Text settings have the text as written, not the number it looks like: 1e3 would be 1000.0.
        if name in keys and keys[name].is_text and table is not None and not isinstance(table[_last(name)], str):
            table[_last(name)] = text
    folder = layers.path.absolute().parent
    for name, key in keys.items():
        table = _table_of(values, name, create=key.table_required)
        # Files are named from the folder of the settings file: the service runs in another than whoever tries the
        # settings.
        if key.is_path and table is not None and isinstance(table.get(_last(name)), str):
            table[_last(name)] = _from_folder(folder, table[_last(name)])
    own = values.get("name", keys["name"].default)
    mqtt = _table_of(values, "mqtt.client_id")
    if isinstance(own, str) and re.fullmatch(NAME_PATTERN, own) and mqtt is not None:
        mqtt.setdefault("client_id", f"dumpload-{own}")
        mqtt.setdefault("base_topic", f"dumpload/{own}")
    return values


def _from_folder(folder: Path, name: str) -> str:
    return str(folder / name) if name else name


def _last(key: str) -> str:
    return key.rpartition(".")[2]


def _table_of(values: dict[str, Any], key: str, *, create: bool = False) -> dict[str, Any] | None:
    """Return the table of a dotted key, or None."""
    table: Any = values
    for part in key.split(".")[:-1]:
        table = table.setdefault(part, {}) if create else table.get(part)
        if not isinstance(table, dict):
            return None
    return table if isinstance(table, dict) else None


def explain(faults: Iterable[Invalid], layers: Layers, keys: Mapping[str, Key]) -> list[Problem]:
    """Return the faults as problems, once per key."""
    problems: dict[str, Problem] = {}
    for fault in faults:
        key, position = _name(fault.where)
        if fault.what == "extra_forbidden" and position:
            problem = Problem(_origin(layers, key), key + position, NOT_SHOWN, UNKNOWN)
            problems.setdefault(problem.key, problem)
            continue
        if fault.what == "extra_forbidden":
            hints_from = keys if len(problems) < _MOST_COMPARED else {}
            for problem in _unknown(key, fault.value, layers, hints_from):
                problems.setdefault(problem.key, problem)
            continue
        entry = keys.get(key)
        expected = entry.kind if entry else "a table"
        if fault.what == "missing":
            problem = Problem(_origin(layers, key), key + position, "", f"{expected}; it must be set")
        else:
            problem = Problem(
                _origin(layers, key), key + position, _shown(key, fault.value), expected + _hint(key, fault)
            )
        problems.setdefault(problem.key, problem)
    return list(problems.values())


def _hint(key: str, fault: Invalid) -> str:
    is_name = isinstance(fault.value, str) and re.fullmatch(r"[A-Za-z0-9_]{1,40}", fault.value)
    return f' (did you mean "/{fault.value}"?)' if key.endswith("pointer") and is_name else ""


def _name(location: Sequence[int | str]) -> tuple[str, str]:
    """Return the dotted key and, in a list, the position in it such as "[2]" or "[2].tilt_deg"."""
    for place, part in enumerate(location):
        if isinstance(part, int):
            below = "".join(f".{name}" for name in location[place + 1 :] if name not in _ALTERNATIVES)
            return ".".join(map(str, location[:place])), f"[{part}]{below}"
    return ".".join(map(str, location)), ""


def _unknown(key: str, value: Any, layers: Layers, keys: Mapping[str, Key]) -> Iterator[Problem]:
    for place, (name, _item) in enumerate([*leaves({key: value})] or [(key, value)]):
        origin, close = _origin(layers, name), _closest(name, keys) if place < _MOST_COMPARED else ""
        hint = f" (did you mean {close}?)" if close else ""
        # Without "KEY" in front of its "=", a secret itself may have been taken for a key.
        is_loose = origin == COMMAND_LINE and not close and "." not in name
        yield Problem(origin, NOT_SHOWN if is_loose else name, NOT_SHOWN, f"{UNKNOWN}{hint}")


def _closest(name: str, keys: Mapping[str, Key]) -> str:
    import difflib  # only for those who mistype

    if len(name) > _LONGEST_COMPARED:
        return ""
    return next(iter(difflib.get_close_matches(name, keys, n=1)), "")


def find_valid(values: Mapping[str, Any], faults: Iterable[Invalid], keys: Mapping[str, Key]) -> ValidSettings:
    """Return what is valid by itself, defaults included."""
    bad = {_name(fault.where)[0] for fault in faults}
    leaf = dict(leaves(values))
    set_keys = frozenset(above for name in leaf for above in _with_tables(name))
    valid = {
        name: leaf.get(name, key.default) for name, key in keys.items() if not bad.intersection(_with_tables(name))
    }
    return ValidSettings(valid, set_keys)


def _with_tables(name: str) -> list[str]:
    """Return a dotted key and the tables above it."""
    parts = name.split(".")
    return [".".join(parts[:length]) for length in range(1, len(parts) + 1)]


def complain(conflicts: Iterable[Conflict], settings: ValidSettings, layers: Layers) -> list[Problem]:
    """Return the complaints of the rules as problems."""
    problems = []
    for key, expected, other in conflicts:
        origin = _origin(layers, key)
        elsewhere = _origin(layers, other) if other else origin
        text = expected if elsewhere == origin else f"{expected} ({elsewhere})"
        value = _shown(key, settings.valid[key]) + ("" if key in settings.given else " (default)")
        problems.append(Problem(origin, key, value, text))
    return problems


def _origin(layers: Layers, key: str) -> str:
    """Return where a key, or the first one below it, was set; the file if it was not."""
    below = (origin for name, origin in layers.origins.items() if name.startswith(f"{key}."))
    return layers.origins.get(key) or next(below, str(layers.path))


def _shown(key: str, value: Any) -> str:
    """Return the value of a known key in words, unless a secret may have been put there by mistake."""
    # Under `mqtt` only a number or a truth that is in a number's or a truth's place is shown: a password may have been
    # put into any of its keys. What looks like an address with a user or a query in it, or has keys that nobody knows,
    # is shown nowhere.
    is_plain = isinstance(value, bool | int | float) and key.rpartition(".")[2] in _HARMLESS
    if isinstance(value, dict) or (key.partition(".")[0] == "mqtt" and not is_plain):
        return NOT_SHOWN
    text = show(value)
    return NOT_SHOWN if any(mark in text for mark in ("@", "://", "?")) else text
