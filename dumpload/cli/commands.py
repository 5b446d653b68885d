"""The parser of the command line, and the commands that are a line or two; the others are in modules of their own.

Exit codes: 0 fine; 1 the check or the run found something wrong; 2 usage, config or input error; 130 interrupted.
Every command imports only what it needs.
"""

import argparse
import gc
import os
import sys
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

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
    except WriteError as error:
        console.fail(args, str(error))
        return console.USAGE
    except KeyboardInterrupt:
        return console.INTERRUPTED
    except BrokenPipeError:  # whoever read our output has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return console.WRONG


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are short, printable and repeat no loose word: it may be a secret that a space cut off."""

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


def build_parser(command: str = "") -> argparse.ArgumentParser:
    """Return the parser for the whole command line, or for `run` alone, which must not wait for the others."""
    from dumpload.cli.completion import add_completion

    parser = _Parser(
        prog="dumpload", description="Switch a heater relay so that surplus solar power becomes hot water."
    )
    parser.add_argument("--version", action="version", version=f"dumpload {__version__}")
    add_completion(parser)
    commands = parser.add_subparsers(metavar="COMMAND", required=True)

    _add(commands, "run", run, "run the daemon (the service manager starts this)")
    if command != "run":
        _add_desk_commands(commands)
        _add_boat_commands(commands)
    return parser


def _add_desk_commands(commands: Any) -> None:
    """Add what works on paper, on records and on weather."""
    from dumpload.cli import checking, export, reporting, simulating, tuning

    help_text = "check the config and the installation, before the first switch-on"
    _add(commands, "check", checking.run_check, help_text, checking.add_check_arguments)
    help_text = "simulate the relay on logged data"
    _add(commands, "replay", reporting.run_replay, help_text, reporting.add_replay_arguments)
    help_text = "say which settings would serve better, by a search in the closed loop"
    _add(commands, "tune", tuning.run_tune, help_text, tuning.add_tune_arguments)
    help_text = "show what the relay did and why, from the daemon's own history"
    _add(commands, "report", reporting.run_report, help_text, reporting.add_report_arguments)
    help_text = "write the history as tables for other programs"
    _add(commands, "export", export.run_export, help_text, export.add_export_arguments)
    help_text = "estimate the hot water that the sun would give in a year"
    _add(commands, "simulate", simulating.run_simulation, help_text, simulating.add_simulate_arguments)


def _add_boat_commands(commands: Any) -> None:
    """Add what deals with a broker, a running daemon or its pin."""
    from dumpload.cli import commissioning, forget, live, metrics, serving

    help_text = "ask for the first settings and write them into a new file"
    commissioning.add_init_arguments(_add_bare(commands, "init", commissioning.run_init, help_text))
    help_text = "listen at the broker and say what arrives for each signal"
    _add(commands, "listen", commissioning.run_listen, help_text, commissioning.add_listen_arguments)
    help_text = "show what the heater is doing, why, and what comes next"
    _add(commands, "status", live.run_status, help_text, live.add_status_arguments)
    help_text = "print the status as OpenMetrics text"
    _add(commands, "metrics", metrics.run_metrics, help_text, metrics.add_metrics_arguments, json_too=False)
    help_text = "run by hand, switch off, return to automatic, or clear a lockout"
    _add(commands, "select", live.run_select, help_text, live.add_select_arguments)
    # `__main__` runs it before this parser is made; it is here so that the help names it.
    _add(commands, "off", off, "drive the pin off and exit (needs no broker and no secrets)")
    _add_bare(commands, "reload", reload, "have the service read its settings again (systemctl reload)")
    serving.add_page_commands(commands, _add)
    help_text = "clear what an instance that is gone left at the broker"
    _add(commands, "forget", forget.run_forget, help_text, forget.add_forget_arguments)
    _add_bare(commands, "demo", demo, "watch a simulated barge through a cloud and a lost connection")


def _add(
    commands: Any,
    name: str,
    command: Callable[[argparse.Namespace], int],
    help_text: str,
    add_arguments: Callable[[argparse.ArgumentParser], None] | None = None,
    *,
    json_too: bool = True,
) -> argparse.ArgumentParser:
    """Add a command that reads settings, with the options that all of those have, and its own."""
    parser = _add_bare(commands, name, command, help_text)
    parser.add_argument("--config", metavar="FILE", help=f"config file (else DUMPLOAD_CONFIG, {', '.join(SEARCHED)})")
    parser.add_argument("--set", dest="sets", action="append", default=[], metavar="KEY=VALUE",
                        help="override one key, such as control.cut_in_percent=98")  # fmt: skip
    if json_too:
        parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    if add_arguments is not None:
        add_arguments(parser)
    return parser


def _add_bare(
    commands: Any, name: str, command: Callable[[argparse.Namespace], int], help_text: str
) -> argparse.ArgumentParser:
    """Add a command without the options of those that read settings."""
    parser: argparse.ArgumentParser = commands.add_parser(name, help=help_text, description=help_text)
    parser.set_defaults(run_command=command)
    return parser


def run(args: argparse.Namespace) -> int:
    """Run the daemon until a signal ends it."""
    gc.disable()  # there is no garbage yet, and looking for it would take a tenth of the start; `run_daemon` enables it
    path, settings = console.load(args)
    from dumpload.daemon.bootstrap import run_daemon

    return run_daemon(path, settings, args.sets)


def off(args: argparse.Namespace) -> int:
    """Drive the pin off."""
    from dumpload.cli.off import main as drive_off

    return drive_off(args.words[1:])


def reload(_args: argparse.Namespace) -> int:
    """Have the service's daemon read its settings again; 1 with the reason if it does not take them."""
    from dumpload.daemon.reload_answer import NotTakenError, ask

    try:
        ask(os.environ, RELOAD_S)
    except NotTakenError as error:
        console.say_error(f"dumpload reload: {error}")
        return console.WRONG
    return console.OK


def demo(_args: argparse.Namespace) -> int:
    """Run the demo."""
    from dumpload.demo import run_demo

    return run_demo()
