"""The command `dumpload off`: drive the relay's pin off and exit. The service manager runs it after every exit.

The pin first, everything else after: so only the standard library and bare lgpio, no secret, no network, and of the
settings only where the line is. Must not import gpiozero, pydantic or anything else that is slow to load.
"""

import contextlib
import os
import time
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from dumpload.config.layers import (
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
from dumpload.core.printable import one_line, printable
from dumpload.gpio.last_line import FOLDER_VARIABLES, LastLineError, find_records, read_record
from dumpload.gpio.line import LineBusyError, NoChipError, PinSpec, RelayError, claim_off, load_lgpio, open_chip

USAGE = "usage: dumpload off [--config FILE] [--set KEY=VALUE]... [--wait SECONDS] [--json] | dumpload off --recorded"
HELP = f"""{USAGE}

Drive the relay's pin off and exit, without broker or daemon: first the line that the daemon recorded when it last drove
one, then the one in the settings. A running daemon holds its line: use `dumpload select off` instead.

  --config FILE     config file (default: DUMPLOAD_CONFIG, or the first that exists of
                    {", ".join(SEARCHED)})
  --set KEY=VALUE   override one setting, such as relay.pin=17
  --wait SECONDS    how long to wait for a GPIO chip to appear, at most 600
  --json            one JSON document on standard output
  --recorded        without other options: only the recorded line, using only Python and the kernel

Exit status: 0 the pin reads off; 1 nothing was driven, or it does not read off; 2 usage or config error.
"""

OUT, ERR = 1, 2
FINE, WRONG, UNUSABLE = 0, 1, 2

LONGEST_WAIT_S = 600
POLL_S = 0.2


class UsageError(Exception):
    """The command line is invalid."""


class OffOptions(NamedTuple):
    """The parsed command line."""

    config: str | None = None
    sets: tuple[str, ...] = ()
    json: bool = False
    help: bool = False
    wait_s: int = 0


class LineToDrive(NamedTuple):
    """A line to drive off, and the record that names it ("": the settings do).

    `may_be_busy`: it is another load's for all that is known, whose daemon may be running.
    """

    spec: PinSpec
    recorded_in: str = ""
    may_be_busy: bool = False


class OffResult:
    """The outcome: lines driven off, lines without a chip, remarks, faults of lines and settings."""

    def __init__(self) -> None:
        self.config = ""
        self.tried: set[tuple[str, int]] = set()
        self.driven: list[dict[str, Any]] = []
        self.without_chip: list[tuple[LineToDrive, str]] = []
        self.remarks: list[str] = []
        self.line_problems: list[str] = []
        self.settings_problems: list[str] = []

    @property
    def exit_status(self) -> int:
        """Return the exit status; a line that could not be driven outranks settings that could not be read."""
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
    report = OffResult()
    drive_recorded_off(report)
    try:
        configured = read_spec(_load(options, searched, report))
    except ConfigError as error:
        report.settings_problems += str(error).splitlines()
    else:
        drive_off(LineToDrive(configured), report)
    wait_for_chips(report, options.wait_s)
    _print(report, as_json=options.json)
    return report.exit_status


def _load(options: OffOptions, searched: Sequence[str], report: OffResult) -> Layers:
    """Return the settings; the report says which file they are from."""
    path = find_config(options.config, os.environ, searched)
    report.config = str(path.absolute())
    if remark := choice_remark(options.config, os.environ, path, searched):
        report.remarks.append(remark)
    return load_layers(path, os.environ, options.sets)


def parse(argv: Sequence[str]) -> OffOptions:
    """Return the options.

    Raises:
        UsageError: an unknown word, or a value is missing.
    """
    options, rest = OffOptions(), list(argv)
    while rest:
        word, equals, value = rest.pop(0).partition("=")
        if word in {"--config", "--set", "--wait"}:
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
            origin = layers.origins.get(f"relay.{key}", str(layers.path))
            problems.append(Problem(origin, f"relay.{key}", show(value) if key in table else "", expected))
        return value

    pin = take("pin", None, "a BCM pin number", lambda value: type(value) is int and value >= 0)
    active_high = take("active_high", True, "true or false", lambda value: isinstance(value, bool))
    label = take("chip_label", None, "a text", lambda value: value is None or isinstance(value, str))
    factory = take("pin_factory", "lgpio", '"lgpio" or "mock"', lambda value: value in ("lgpio", "mock"))
    if problems:
        raise ConfigError(problems)
    return PinSpec(pin, active_high, label, factory, None)


def drive_recorded_off(report: OffResult) -> None:
    """Drive off what the daemon recorded. A record that is none of ours is a remark: the settings' line is next."""
    outside_a_service = not any(os.environ.get(name) for name in FOLDER_VARIABLES)
    for path in find_records(os.environ):
        try:
            recorded = read_record(path)
        except LastLineError as error:
            report.remarks.append(f"{error}: not driven")
            continue
        if recorded is not None:
            spec = PinSpec(recorded.pin, recorded.active_high, recorded.label, "lgpio", None)
            drive_off(LineToDrive(spec, path, outside_a_service), report)


def drive_off(target: LineToDrive, report: OffResult) -> None:
    """Drive this line off and read it back, unless it has been tried already; put the outcome into the report."""
    spec = target.spec
    if spec.pin_factory == "mock":
        report.remarks.append('nothing was driven: relay.pin_factory = "mock"')
        return
    try:
        _drive_line_off(target, report)
    except NoChipError as error:
        report.without_chip.append((target, str(error)))
    except LineBusyError as error:
        if target.may_be_busy:
            report.remarks.append(f"{error}; recorded in {target.recorded_in}, left alone")
            # The settings may name it: then it is a failure.
            report.tried.discard((str(spec.chip_label), spec.pin))
        else:
            report.line_problems.append(f"{error}; if it is the daemon, use `dumpload select off`")
    except RelayError as error:
        report.line_problems.append(str(error))
    except Exception as error:  # noqa: BLE001 - there may be another line to drive off yet
        report.line_problems.append(f"GPIO{spec.pin}: {error!r}")


def wait_for_chips(report: OffResult, wait_s: float) -> None:
    """Retry the lines whose chip is missing for this long (s); the rest then count as failed."""
    # While a computer starts, the driver's module may come seconds after everything else.
    give_up_at = time.monotonic() + wait_s
    while report.without_chip and time.monotonic() < give_up_at:
        time.sleep(POLL_S)
        again, report.without_chip = report.without_chip, []
        for target, _ in again:
            drive_off(target, report)
    report.line_problems += [text for _, text in report.without_chip]


def _drive_line_off(target: LineToDrive, report: OffResult) -> None:
    lgpio, spec = load_lgpio(), target.spec
    chip = open_chip(lgpio, spec)
    line = (chip.label, spec.pin)
    try:
        if line not in report.tried:
            report.tried.add(line)
            claim_off(lgpio, chip, spec)
            recorded = {"recorded_in": target.recorded_in} if target.recorded_in else {}
            report.driven.append({"pin": spec.pin, "chip": chip.label, "level": spec.off_level, **recorded})
    finally:
        lgpio.gpiochip_close(chip.handle)


def _with_value(options: OffOptions, word: str, value: str) -> OffOptions:
    if word == "--config" and value:
        return options._replace(config=value)
    if word == "--set" and "=" in value:
        return options._replace(sets=(*options.sets, value))
    if word == "--wait" and value.isascii() and value.isdigit() and len(value) <= 3 and int(value) <= LONGEST_WAIT_S:  # noqa: PLR2004
        return options._replace(wait_s=int(value))
    expected = {"--config": "a file", "--set": "KEY=VALUE", "--wait": f"whole seconds, at most {LONGEST_WAIT_S}"}[word]
    raise UsageError(
        f"{word} expects {expected}"
        + (f", not {NOT_SHOWN if word == '--set' else show(value)}" if word != "--config" else "")
    )


def _print(report: OffResult, *, as_json: bool) -> None:
    problems = report.line_problems + report.settings_problems
    _say(ERR, "".join(one_line(f"dumpload off: {problem}") + "\n" for problem in problems))
    if as_json:
        import json

        document: Mapping[str, Any] = {
            "config": report.config or None,
            "driven_off": report.driven,
            "remarks": report.remarks,
            "problems": problems,
        }
        _say(OUT, json.dumps(document) + "\n")
    else:
        lines = [f"GPIO{line['pin']} ({line['chip']}) driven off{_as_recorded(line)}" for line in report.driven]
        names = [f"settings: {printable(report.config)}"] if report.config else []
        _say(OUT, "".join(f"{line}\n" for line in lines + report.remarks + names))


def _as_recorded(line: Mapping[str, Any]) -> str:
    return f", as recorded in {line['recorded_in']}" if "recorded_in" in line else ""


def _say(descriptor: int, text: str) -> None:
    """Write unbuffered: a closed pipe must not turn a successful off into a failure."""
    with contextlib.suppress(OSError):
        os.write(descriptor, text.encode())
