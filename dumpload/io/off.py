"""The command `dumpload off`: drive the relay's pin off and exit. The service manager runs it after every exit.

The pin first, everything else after: so only the standard library and bare lgpio, no secret, no network, and of the
settings only where the line is. Must not import gpiozero, pydantic or anything else that is slow to load.
"""

import contextlib
import os
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from dumpload.core.printable import one_line, printable
from dumpload.io.line import LineBusyError, PinSpec, RelayError, claim_off, load_lgpio, open_chip, read_record
from dumpload.layers import (
    NOT_SHOWN,
    SEARCHED,
    ConfigError,
    Layers,
    Problem,
    choice_remark,
    find_config,
    load_layers,
    show,
)

USAGE = "usage: dumpload off [--config FILE] [--set KEY=VALUE]... [--json]"
HELP = f"""{USAGE}

Drive the relay's pin off and exit, with no broker and no daemon: the line that the daemon last drove (known inside
its service only), then the one in the settings. A running daemon holds its line: ask it with `dumpload select off`.

  --config FILE     the settings (else DUMPLOAD_CONFIG, or the first that there is of
                    {", ".join(SEARCHED)})
  --set KEY=VALUE   override one setting, such as relay.pin=17
  --json            one JSON document on standard output

Exit status: 0 the pin reads off; 1 nothing was driven, or it does not read off; 2 wrong usage or settings.
"""

OUT, ERR = 1, 2
FINE, WRONG, UNUSABLE = 0, 1, 2


class UsageError(Exception):
    """The command line makes no sense."""


class Options(NamedTuple):
    """The command line, read."""

    config: str | None = None
    sets: tuple[str, ...] = ()
    json: bool = False
    help: bool = False


class Report:
    """What has been done: lines driven off, remarks, what went wrong with a line or with the settings."""

    def __init__(self) -> None:
        """Nothing done yet."""
        self.config = ""
        self.tried: set[tuple[str, int]] = set()
        self.driven: list[dict[str, Any]] = []
        self.remarks: list[str] = []
        self.line_problems: list[str] = []
        self.settings_problems: list[str] = []

    @property
    def exit_status(self) -> int:
        """A line that could not be driven weighs more than settings that could not be read."""
        if self.line_problems or not (self.driven or self.settings_problems):
            return WRONG
        return UNUSABLE if self.settings_problems else FINE


def main(argv: Sequence[str], searched: Sequence[str] = SEARCHED) -> int:
    """Run the command with the arguments after `off`; return the exit status.

    `searched`: where the settings are looked for that nobody names.
    """
    try:
        options = parse(argv)
    except UsageError as error:
        _say(ERR, one_line(f"dumpload off: {error}") + f"\n{USAGE}\n")
        return UNUSABLE
    if options.help:
        _say(OUT, HELP)
        return FINE
    report = Report()
    recorded = read_record(os.environ)
    if recorded is not None:
        drive_off(recorded, report)
    try:
        configured = read_spec(_load(options, searched, report))
    except ConfigError as error:
        report.settings_problems += str(error).splitlines()
    else:
        drive_off(configured, report)
    _print(report, as_json=options.json)
    return report.exit_status


def _load(options: Options, searched: Sequence[str], report: Report) -> Layers:
    """Return the settings; the report says which file they are from."""
    path = find_config(options.config, os.environ, searched)
    report.config = str(path.absolute())
    if remark := choice_remark(options.config, os.environ, path, searched):
        report.remarks.append(remark)
    return load_layers(path, os.environ, options.sets)


def parse(argv: Sequence[str]) -> Options:
    """Return the options.

    Raises:
        UsageError: an unknown word, or a value is missing.
    """
    options, rest = Options(), list(argv)
    while rest:
        word, equals, value = rest.pop(0).partition("=")
        if word in {"--config", "--set"}:
            if not equals:
                value = rest.pop(0) if rest else ""
            options = _with_value(options, word, value)
        elif word in {"-h", "--help"} and not equals:
            options = options._replace(help=True)
        elif word == "--json" and not equals:
            options = options._replace(json=True)
        else:
            # After --set a loose word may be what a space cut off a secret.
            raise UsageError("unknown argument " + (NOT_SHOWN if options.sets else show(word)))
    return options


def read_spec(layers: Layers) -> PinSpec:
    """Return the line that the settings name; every other setting may be wrong.

    Raises:
        ConfigError: `relay.pin` is missing, or one of the four keys makes no sense.
    """
    relay = layers.values.get("relay")
    problems: list[Problem] = []
    table = relay if isinstance(relay, dict) else {}

    def take(key: str, default: Any, expected: str, fits: Any) -> Any:
        value = table.get(key, default)
        if not fits(value):
            where = layers.origins.get(f"relay.{key}", str(layers.path))
            problems.append(Problem(where, f"relay.{key}", show(value) if key in table else "", expected))
        return value

    pin = take("pin", None, "a BCM pin number", lambda value: type(value) is int and value >= 0)
    active_high = take("active_high", True, "true or false", lambda value: isinstance(value, bool))
    label = take("chip_label", None, "a text", lambda value: value is None or isinstance(value, str))
    factory = take("pin_factory", "lgpio", '"lgpio" or "mock"', lambda value: value in ("lgpio", "mock"))
    if problems:
        raise ConfigError(problems)
    return PinSpec(pin, active_high, label, factory, None)


def drive_off(spec: PinSpec, report: Report) -> None:
    """Drive this line off and read it back, unless it has been tried already; put the outcome into the report."""
    if spec.pin_factory == "mock":
        report.remarks.append('nothing was driven: relay.pin_factory = "mock"')
        return
    try:
        _drive_line_off(spec, report)
    except LineBusyError as error:
        report.line_problems.append(f"{error}; if it is the daemon, use `dumpload select off`")
    except RelayError as error:
        report.line_problems.append(str(error))
    except Exception as error:  # noqa: BLE001 - there may be another line to drive off yet
        report.line_problems.append(f"GPIO{spec.pin}: {error!r}")


def _drive_line_off(spec: PinSpec, report: Report) -> None:
    lgpio = load_lgpio()
    chip = open_chip(lgpio, spec)
    try:
        if (chip.label, spec.pin) not in report.tried:
            report.tried.add((chip.label, spec.pin))
            claim_off(lgpio, chip, spec)
            report.driven.append({"pin": spec.pin, "chip": chip.label, "level": spec.off_level})
    finally:
        lgpio.gpiochip_close(chip.handle)


def _with_value(options: Options, word: str, value: str) -> Options:
    if word == "--config" and value:
        return options._replace(config=value)
    if word == "--set" and "=" in value:
        return options._replace(sets=(*options.sets, value))
    raise UsageError(word + (" expects a file" if word == "--config" else f" expects KEY=VALUE, not {NOT_SHOWN}"))


def _print(report: Report, *, as_json: bool) -> None:
    problems = report.line_problems + report.settings_problems
    _say(ERR, "".join(one_line(f"dumpload off: {problem}") + "\n" for problem in problems))
    if as_json:
        import json  # noqa: PLC0415 - the pin comes first

        document: Mapping[str, Any] = {
            "config": report.config or None,
            "driven_off": report.driven,
            "remarks": report.remarks,
            "problems": problems,
        }
        _say(OUT, json.dumps(document) + "\n")
    else:
        lines = [f"GPIO{line['pin']} ({line['chip']}) driven off" for line in report.driven]
        names = [f"settings: {printable(report.config)}"] if report.config else []
        _say(OUT, "".join(f"{line}\n" for line in lines + report.remarks + names))


def _say(descriptor: int, text: str) -> None:
    """Write past Python's buffers: a closed pipe must not turn a pin driven off into a failure."""
    with contextlib.suppress(OSError):
        os.write(descriptor, text.encode())
