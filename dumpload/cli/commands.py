"""The commands: their table, the parser made from it, and those that are a line or two.

Exit codes: 0 fine; 1 the check or the run found something wrong; 2 usage, config or input error; 130 interrupted.
Every command imports only what it needs.
"""

import argparse
import gc
import importlib
import os
import sys
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, NoReturn

from dumpload import __version__
from dumpload.cli import console
from dumpload.config.layers import NOT_SHOWN, SEARCHED, ConfigError
from dumpload.core.printable import LINE_CHARACTERS, one_line
from dumpload.files import WriteError

# Settings are read within a second or two, on a slow core as well (our choice, no source).
RELOAD_S = 60.0


def main(argv: Sequence[str], searched: Sequence[str] = SEARCHED) -> int:
    """Run one command; return its exit code. `searched`: where settings are looked for that nobody names."""
    args = build_parser(*argv[:1]).parse_args(argv, argparse.Namespace(searched=searched, words=argv))
    command: Callable[[argparse.Namespace], int] = args.run_command
    try:
        return command(args)
    except ConfigError as error:
        console.say_error(str(error))
        return console.USAGE
    except (WriteError, console.CallError) as error:
        console.fail(args, str(error))
        return console.USAGE
    except KeyboardInterrupt as interrupted:
        if text := str(interrupted):
            console.say_error(text)
        return console.INTERRUPTED
    except BrokenPipeError:  # whoever read our output has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return console.WRONG


class _Parser(argparse.ArgumentParser):
    """A parser with short, printable errors that never repeat a stray word, since it may be part of a secret."""

    def parse_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Return the arguments, all of which must be known."""
        parsed, rest = self.parse_known_args(args, namespace)
        if rest:
            rejects = (word.partition("=")[0] if word.startswith("-") else NOT_SHOWN for word in rest)
            self.error(f"unrecognized arguments: {' '.join(rejects)}")
        return parsed

    def error(self, message: str) -> NoReturn:
        """Print the usage and the reason, and exit with 2."""
        super().error(one_line(message, LINE_CHARACTERS - len(self.prog) - len(": error: ")))


class _Command(NamedTuple):
    """One command: its line in the help, its module in this folder, and which of the shared options it has.

    The module has `run_NAME`, and `add_NAME_arguments` if the command has options of its own.
    """

    summary: str
    home: str
    reads_settings: bool = True
    json_too: bool = True


COMMANDS = {
    "run": _Command("run the daemon (the service manager starts this)", "commands"),
    # What works on paper, on records and on weather.
    "check": _Command("check the config and the installation, before the first switch-on", "checking"),
    "replay": _Command("simulate the relay on logged data", "reporting"),
    "tune": _Command("search for better settings by closed-loop replay of a record", "tuning"),
    "report": _Command("show what the relay did and why, from the daemon's own history", "reporting"),
    "export": _Command("export the history as Parquet or CSV tables", "export"),
    "simulate": _Command("estimate a year of hot water from surplus sun", "simulating"),
    # What deals with a broker, a running daemon or its pin.
    "init": _Command(
        "ask for the essential settings and write a new config file", "commissioning", reads_settings=False
    ),
    "listen": _Command("listen at the broker and show what arrives for each signal", "commissioning"),
    "status": _Command("show what the heater is doing, why, and what comes next", "live"),
    "metrics": _Command("print the status as OpenMetrics text", "metrics", json_too=False),
    "select": _Command("run by hand, switch off, return to automatic, or clear a lockout", "live"),
    # `__main__` runs it before this parser is made; it is here so that the help names it.
    "off": _Command("drive the pin off and exit (needs no broker and no secrets)", "commands"),
    "reload": _Command(
        "reload the settings of the running service (systemctl reload runs this)", "commands", reads_settings=False
    ),
    "serve": _Command("serve a read-only web page with the heater's state and reports", "serving"),
    "password": _Command(
        "write the password file for a page that other computers can reach", "serving", reads_settings=False
    ),
    "forget": _Command("clear a removed instance's retained messages from the broker", "forget"),
    "demo": _Command("watch a simulated barge through a cloud and a lost connection", "commands", reads_settings=False),
}


def build_parser(command: str = "") -> argparse.ArgumentParser:
    """Return the parser for the whole command line, or for one command, which must not wait for the others."""
    parser = _Parser(
        prog="dumpload", description="Switch a heater relay so that surplus solar power becomes hot water."
    )
    parser.add_argument("--version", action="version", version=f"dumpload {__version__}")
    add_completion(parser)
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for name in [command] if command in COMMANDS else COMMANDS:
        _add(commands, name, COMMANDS[name])
    return parser


def _add(commands: Any, name: str, command: _Command) -> None:
    """Add one command, with the options that all of those that read settings have, and its own."""
    home = importlib.import_module(f"dumpload.cli.{command.home}")
    parser: argparse.ArgumentParser = commands.add_parser(name, help=command.summary, description=command.summary)
    parser.set_defaults(run_command=getattr(home, f"run_{name}"))
    if command.reads_settings:
        searched = ", ".join(SEARCHED)
        parser.add_argument("--config", metavar="FILE", help=f"config file (default: DUMPLOAD_CONFIG, {searched})")
        parser.add_argument("--set", dest="sets", action="append", default=[], metavar="KEY=VALUE",
                            help="override one setting, such as control.cut_in_percent=98")  # fmt: skip
    if command.reads_settings and command.json_too:
        parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    if add_arguments := getattr(home, f"add_{name}_arguments", None):
        add_arguments(parser)


def run_run(args: argparse.Namespace) -> int:
    """Run the daemon until a signal ends it."""
    # There is no garbage yet, and looking for it would take a tenth of the start; `run_daemon` enables it.
    gc.disable()
    path, settings = console.load(args)
    from dumpload.daemon.bootstrap import run_daemon

    return run_daemon(path, settings, args.sets)


def run_off(args: argparse.Namespace) -> int:
    """Drive the pin off."""
    from dumpload.cli.off import main as drive_off

    return drive_off(args.words[1:])


def run_reload(_args: argparse.Namespace) -> int:
    """Make the service's daemon reload its settings; return 1 with the reason if it does not take them."""
    from dumpload.daemon.reload_answer import NotTakenError, ask

    try:
        ask(os.environ, RELOAD_S)
    except NotTakenError as error:
        console.say_error(f"dumpload reload: {error}")
        return console.WRONG
    return console.OK


def run_demo(_args: argparse.Namespace) -> int:
    """Run the demo."""
    from dumpload.demo import run_demo

    return run_demo()


SHELLS = ("bash", "zsh", "tcsh")


class _Print(argparse.Action):
    """Print a shell's completion script and exit."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        _namespace: object,
        values: str | Sequence[Any] | None,
        _option: Any = None,
    ) -> None:
        """Print it, or say what is missing."""
        try:
            import shtab
        except ImportError:
            parser.error("--print-completion needs pip install 'dumpload[completion]'")
        sys.stdout.write(shtab.complete(parser, shell=str(values)) + "\n")
        parser.exit(0)


def add_completion(parser: argparse.ArgumentParser) -> None:
    """Add the option that prints completion for a shell."""
    parser.add_argument("--print-completion", action=_Print, choices=SHELLS, help="print shell completion and exit")
