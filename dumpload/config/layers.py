"""Where settings come from: the file, the environment and `--set`, laid over each other into one nested dictionary.

Knows nothing of which settings exist: `config` judges them. Standard library only and quick to import, because the
emergency command that drives the pin off goes through here. Whatever is wrong becomes a `ConfigError`.
"""

import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from dumpload.core.printable import LINE_CHARACTERS, printable, shorten
from dumpload.files import FileKindError, is_same, read_plain

ENVIRONMENT_PREFIX = "DUMPLOAD_"
# Names the file to read; the one variable with the prefix that is no setting.
CONFIG_VARIABLE = "DUMPLOAD_CONFIG"

# The installed file first: a command run in a checkout must mean the load that is wired, not the example's.
SEARCHED = ("/etc/dumpload/dumpload.toml", "./dumpload.toml", "./config/dumpload.toml")
COMMAND_LINE = "--set"

# A settings file has a few kilobytes, some 150 settings and three levels (our choice, no source). Beyond these bounds
# lies what stopped a running service at a reload: recursion, and parsers whose time grows with the square of a line.
MAX_FILE_BYTES = 128 * 1024
MAX_DEPTH = 8
MAX_VALUES = 2000
MAX_LINES = 100

NOT_SHOWN = "(not shown)"

_SHOWN_CHARACTERS = 60
_LEAST_CHARACTERS = 40
_TOO_DEEP = f"TOML that is not nested deeper than {MAX_DEPTH} levels"
_PART = r"""(?:(?<![\w-])[\w-]++|"[^"\n]*+"|'[^'\n]*+')"""
_DEEP_KEY = rf"""{_PART}(?:[ \t]*+\.[ \t]*+(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')){{{MAX_DEPTH}}}"""


UNKNOWN = "unknown setting"
UNREADABLE = "cannot read this file"

# What is wrong, where that says more than what was expected.
SAID_PLAINLY = (UNKNOWN, UNREADABLE)


class Problem(NamedTuple):
    """One thing wrong with the settings: where, the dotted key, the value ("" if none), what was expected."""

    where: str
    key: str
    value: str
    expected: str

    @property
    def line(self) -> str:
        """The problem in one line of at most 300 printable characters, of which the longest parts are cut."""
        parts = [printable(part) for part in self]
        # The value tells least, what was expected most.
        for place in (2, 0, 1, 3):
            over = len(self._join(*parts)) - LINE_CHARACTERS
            if over > 0:
                parts[place] = shorten(parts[place], max(_LEAST_CHARACTERS, len(parts[place]) - over))
        return self._join(*parts)

    @staticmethod
    def _join(origin: str, key: str, value: str, expected: str) -> str:
        subject = f"{key} = {value}" if value else key
        text = expected if expected.startswith(SAID_PLAINLY) else f"expected {expected}"
        return ": ".join(part for part in (origin, subject, text) if part)


class ConfigError(Exception):
    """The settings cannot be used. `problems` has every reason; the text has one line for each."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = list(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        """Return one line per problem, up to a hundred."""
        lines = [problem.line for problem in self.problems[:MAX_LINES]]
        more = len(self.problems) - len(lines)
        return "\n".join([*lines, f"... and {more} more"] if more > 0 else lines)


class Layers(NamedTuple):
    """The settings as read, before validation.

    `values`: nested tables, the later layer winning. `origins`: dotted key of every value to where it was set (the
    file's path, "environment DUMPLOAD_...", "--set"). `texts`: dotted key of every value from the environment or
    the command line to its text as written. `problems`: overrides that fit nowhere, to be reported with the rest.
    """

    path: Path
    values: dict[str, Any]
    origins: dict[str, str]
    texts: dict[str, str]
    problems: list[Problem]


def find_config(explicit: str | None, environ: Mapping[str, str], searched: Sequence[str] = SEARCHED) -> Path:
    """Return the settings file: the explicit one, else the one `DUMPLOAD_CONFIG` names, else the first that exists.

    Raises:
        ConfigError: the named file does not exist, or none of the usual ones does.
    """
    name = explicit if explicit is not None else environ.get(CONFIG_VARIABLE)
    if name is None:
        for candidate in searched:
            if os.path.lexists(candidate):
                return Path(candidate)
        looked_for = " or ".join(searched)
        raise ConfigError([Problem("no settings file", "", "", f"--config FILE, {CONFIG_VARIABLE}, {looked_for}")])
    source = "--config" if explicit is not None else f"environment {CONFIG_VARIABLE}"
    if not name or not os.path.lexists(name):
        raise ConfigError([Problem(source, "", "", f'the path of an existing file, not "{name}"')])
    return Path(name)


def others_that_differ(chosen: Path, searched: Sequence[str] = SEARCHED) -> list[Path]:
    """Return the usual settings files that exist beside the one taken and do not say the same."""
    others = [Path(name) for name in searched if os.path.lexists(name) and not is_same(Path(name), chosen)]
    return [other for other in others if not _say_the_same(other, chosen)]


def _say_the_same(first: Path, second: Path) -> bool:
    try:
        return read_plain(first, MAX_FILE_BYTES) == read_plain(second, MAX_FILE_BYTES)
    except (OSError, ValueError):
        return False


def choice_remark(
    explicit: str | None, environ: Mapping[str, str], chosen: Path, searched: Sequence[str] = SEARCHED
) -> str:
    """Return which settings file was used, if nobody named it and another one differs; else ""."""
    is_named = explicit is not None or CONFIG_VARIABLE in environ
    others = [] if is_named else others_that_differ(chosen, searched)
    if not others:
        return ""
    names = " and ".join(str(other.absolute()) for other in others)
    return printable(f"settings from {chosen.absolute()}; ignored, although different: {names} (choose with --config)")


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
            layers.problems.append(Problem(COMMAND_LINE, NOT_SHOWN, "", "KEY=VALUE"))
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
    except ValueError:
        # An integer of more than 4,300 digits, written in hexadecimal.
        return "a very long number"


def _read_file(path: Path) -> dict[str, Any]:
    text = _read_text(path)
    try:
        values = _parse(text)
    except _BoundError as error:
        raise _file_error(path, str(error)) from None
    except ValueError as error:
        complaint, _, place = str(error).removesuffix(")").rpartition(" (at ")
        # At the end, or a number too long to read.
        if not place.startswith("line"):
            complaint, place = complaint or str(error), _last_place(text)
        raise ConfigError([Problem(f"{path}, {place}", "", "", _in_plain_words(complaint, text, place))]) from None
    if not values:
        raise _file_error(path, "settings; the file has none")
    return values


class _BoundError(ValueError):
    """The text goes beyond a bound."""


def _parse(text: str) -> dict[str, Any]:
    """Return what TOML says.

    Raises:
        ValueError: it is none, or too deep or too much.
    """
    import tomllib

    # Before it is parsed: the parser takes the cube of a dotted key's length.
    if re.search(_DEEP_KEY, text, re.ASCII):
        raise _BoundError(_TOO_DEEP)
    try:
        values = tomllib.loads(text)
    except RecursionError:
        raise _BoundError(_TOO_DEEP) from None
    _check_bounds(values)
    return values


def _check_bounds(values: dict[str, Any]) -> None:
    level: list[Any] = [values]
    count = 0
    for _depth in range(MAX_DEPTH):
        items = [item for holder in level for item in (holder.values() if isinstance(holder, dict) else holder)]
        count += len(items)
        if count > MAX_VALUES:
            message = f"at most {MAX_VALUES} values"
            raise _BoundError(message)
        level = [item for item in items if isinstance(item, dict | list)]
        if not level:
            return
    raise _BoundError(_TOO_DEEP)


# The usual slips: what the parser says, what then follows the "=", and what was expected in a person's words.
_SLIPS = (
    (r".* twice$", "", "each table once; this one is defined twice"),
    (r"Cannot overwrite a value", "", "each key once; this one is defined twice"),
    (r"Expected newline", r"[-+]?\d+,\d+\s*(#|$)", "a decimal point, not a comma (such as 97.5)"),
    (r"Expected newline", r"[-+]?[\d.]+\s*[A-Za-z%\u00b0]+\s*(#|$)", "a number without its unit"),
    (r"Invalid value", r"[Tt][Rr][Uu][Ee]\b|[Ff][Aa][Ll][Ss][Ee]\b|yes\b|no\b", "true or false, in small letters"),
    (r"Invalid value", r"[-+]?\.\d", "a digit before the decimal point"),
    (r"Invalid value", r"[\u2018-\u201f\u00ab]", 'straight quotes (")'),
    (r"Invalid value", r"[A-Za-z/$]", 'text in quotes (such as "text")'),
    (r"Expected newline", r"[^\s\"'\[{]*([A-Za-z:/]|\.\d+\.)", 'text in quotes (such as "text")'),
    (r"Illegal character '\\n'|Unterminated string", "", "the closing quote in the same line"),
    (r"Expected '=' after a key", "", "KEY = VALUE"),
)


def _in_plain_words(complaint: str, text: str, place: str) -> str:
    """Return what was expected where the usual slips are made; no value is repeated, for it may be a secret."""
    line = text.split("\n")[int(re.findall(r"\d+", place)[0]) - 1]
    value = line.partition("=")[2].strip()
    hints = (hint for message, begin, hint in _SLIPS if re.match(message, complaint) and re.match(begin, value))
    return next(hints, f"TOML: {complaint}")


def _read_text(path: Path) -> str:
    try:
        content = read_plain(path, MAX_FILE_BYTES)
    except FileKindError as error:
        raise _file_error(path, str(error.strerror)) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise _file_error(path, f"a readable file: {reason}") from None
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
        layers.problems.append(Problem(origin, key, NOT_SHOWN, "UTF-8 text"))
        return
    if key.count(".") >= MAX_DEPTH:
        layers.problems.append(Problem(origin, key, "", UNKNOWN))
        return
    value = read_value(text)
    if not isinstance(value, dict):
        _put(layers, origin, key, value)
        layers.texts[key] = text
        return
    # A table adds to what is there, key by key.
    below = list(leaves(value, key))
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
            layers.problems.append(Problem(origin, key, NOT_SHOWN, f"{UNKNOWN}; {part} is not a table"))
            return
    table[name] = value
    layers.origins[key] = origin
    layers.texts.pop(key, None)


def read_value(text: str) -> Any:
    """Return the TOML value that a text is, or else the text itself."""
    try:
        document = _parse(f"value = {text}")
    except ValueError:
        return text
    return document["value"] if len(document) == 1 else text
