"""Where settings come from: the file, the environment and `--set`, laid over each other into one nested dictionary.

Knows nothing of which settings exist: `config` judges them. Standard library only and quick to import, because the
emergency command that drives the pin off goes through here. Whatever is wrong becomes a `ConfigError`.
"""

import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

ENVIRONMENT_PREFIX = "DUMPLOAD_"
CONFIG_VARIABLE = "DUMPLOAD_CONFIG"
"""Names the file to read; the one variable with the prefix that is no setting."""

SEARCHED = ("./config/dumpload.toml", "/etc/dumpload/dumpload.toml")
COMMAND_LINE = "--set"
MAX_FILE_BYTES = 1024 * 1024
"""A settings file is a few kilobytes: a longer one is some other file (our choice, no source)."""

_SHOWN_CHARACTERS = 60


class Problem(NamedTuple):
    """One thing wrong with the settings: where, the dotted key, the value ("" if none), what was expected."""

    where: str
    key: str
    value: str
    expected: str

    @property
    def line(self) -> str:
        """The problem in one line of printable text."""
        subject = f"{self.key} = {self.value}" if self.value else self.key
        line = ": ".join(part for part in (self.where, subject, f"expected {self.expected}") if part)
        return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in line)


class ConfigError(Exception):
    """The settings cannot be used. `problems` has every reason; the text has one line for each."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        """Keep the problems in the order found."""
        self.problems = list(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        """Return one line per problem."""
        return "\n".join(problem.line for problem in self.problems)


class Layers(NamedTuple):
    """The settings as found, not yet judged.

    `values`: nested tables, the later layer winning. `origins`: dotted key of every value to where it was set (the
    file's path, "environment DUMPLOAD_...", "--set"). `texts`: dotted key of every value from the environment or
    the command line to its text as written. `problems`: overrides that fit nowhere, to be reported with the rest.
    """

    path: Path
    values: dict[str, Any]
    origins: dict[str, str]
    texts: dict[str, str]
    problems: list[Problem]


def find_config(explicit: str | None, environ: Mapping[str, str]) -> Path:
    """Return the settings file: the explicit one, else the one `DUMPLOAD_CONFIG` names, else the first that exists.

    Raises:
        ConfigError: the named file does not exist, or none of the usual ones does.
    """
    named = explicit if explicit is not None else environ.get(CONFIG_VARIABLE)
    if named is None:
        for candidate in SEARCHED:
            if os.path.lexists(candidate):
                return Path(candidate)
        looked_for = " or ".join(SEARCHED)
        raise ConfigError([Problem("no settings file", "", "", f"--config FILE, {CONFIG_VARIABLE}, {looked_for}")])
    source = "--config" if explicit is not None else f"environment {CONFIG_VARIABLE}"
    if not named or not os.path.lexists(named):
        raise ConfigError([Problem(source, "", "", f'the path of an existing file, not "{named}"')])
    return Path(named)


def load_layers(path: Path, environ: Mapping[str, str], sets: Iterable[str]) -> Layers:
    """Return the file's settings, overridden by the environment's, overridden by those of `sets` (KEY=VALUE each).

    An override's text is read as a TOML value, or else taken as the text it is.

    Raises:
        ConfigError: the file cannot be read, is not TOML or sets nothing.
    """
    values = _read_file(path)
    layers = Layers(path, values, {key: str(path) for key, _ in leaves(values)}, {}, [])
    for name in sorted(environ):
        if name.startswith(ENVIRONMENT_PREFIX) and name != CONFIG_VARIABLE:
            key = name.removeprefix(ENVIRONMENT_PREFIX).lower().replace("__", ".")
            _override(layers, f"environment {name}", key, environ[name])
    for assignment in sets:
        key, equals, text = assignment.partition("=")
        if equals:
            _override(layers, COMMAND_LINE, key.strip(), text)
        else:
            layers.problems.append(Problem(COMMAND_LINE, key, "", "KEY=VALUE"))
    return layers


def leaves(values: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    """Yield the dotted key and the value of everything in nested tables that is not itself a table."""
    for name, value in values.items():
        key = f"{above}.{name}" if above else name
        if isinstance(value, dict):
            yield from leaves(value, key)
        else:
            yield key, value


def show(value: object) -> str:
    """Return a value much as TOML would have it, cut to a readable length."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = '"' + value[: 2 * _SHOWN_CHARACTERS].replace("\\", "\\\\").replace('"', '\\"') + '"'
    elif isinstance(value, dict):
        text = "{" + ", ".join(f"{key} = {show(item)}" for key, item in value.items()) + "}"
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(show(item) for item in value) + "]"
    else:
        text = _show_number(value)
    return text if len(text) <= _SHOWN_CHARACTERS else text[: _SHOWN_CHARACTERS - 3] + "..."


def _show_number(value: object) -> str:
    try:
        return str(value)
    except ValueError:  # an integer of more than 4,300 digits, written in hexadecimal
        return "a very long number"


def _read_file(path: Path) -> dict[str, Any]:
    import tomllib  # noqa: PLC0415 - late, so that --help and the like do not wait for it

    text = _read_text(path)
    try:
        values = tomllib.loads(text)
    except RecursionError:
        raise _file_error(path, "TOML that is not nested so deep") from None
    except ValueError as error:
        complaint, _, place = str(error).removesuffix(")").rpartition(" (at ")
        if not place.startswith("line"):  # at the end, or a number too long to read
            complaint, place = complaint or str(error), _last_place(text)
        raise ConfigError([Problem(f"{path}, {place}", "", "", f"TOML: {complaint}")]) from None
    if not values:
        raise _file_error(path, "settings; the file has none")
    return values


def _read_text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise _file_error(path, f"a readable file: {reason}") from None
    if len(content) > MAX_FILE_BYTES:
        raise _file_error(path, f"at most {MAX_FILE_BYTES} bytes")
    if b"\0" in content:
        line = content[: content.index(b"\0")].count(b"\n") + 1
        raise _file_error(path, f"text, but line {line} has NUL bytes (was a write cut off?)")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise _file_error(path, f"UTF-8 text; line {line} is not") from None


def _last_place(text: str) -> str:
    lines = text.split("\n")
    return f"line {len(lines)}, column {len(lines[-1]) + 1}"


def _file_error(path: Path, expected: str) -> ConfigError:
    return ConfigError([Problem(str(path), "", "", expected)])


def _override(layers: Layers, origin: str, key: str, text: str) -> None:
    if not _is_unicode(key + text):
        layers.problems.append(Problem(origin, key, show(text), "UTF-8 text"))
        return
    value = read_value(text)
    if not isinstance(value, dict):
        _put(layers, origin, key, value)
        layers.texts[key] = text
        return
    below = list(leaves(value, key))  # a table adds to what is there, key by key
    if not below:
        layers.problems.append(Problem(origin, key, show(value), "at least one key"))
    for leaf, item in below:
        _put(layers, origin, leaf, item)


def _is_unicode(text: str) -> bool:
    """Return whether no byte of the environment or command line failed to decode (it is a lone surrogate then)."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _put(layers: Layers, origin: str, key: str, value: Any) -> None:
    *tables, name = key.split(".")
    table = layers.values
    for part in tables:
        table = table.setdefault(part, {})
        if not isinstance(table, dict):
            layers.problems.append(Problem(origin, key, show(value), f"a key that exists; {part} is no table"))
            return
    table[name] = value
    layers.origins[key] = origin
    layers.texts.pop(key, None)


def read_value(text: str) -> Any:
    """Return the TOML value that a text is, or else the text itself."""
    import tomllib  # noqa: PLC0415

    try:
        document = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text
    return document["value"] if len(document) == 1 else text
