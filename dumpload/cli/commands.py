"""The commands: parses the line, calls what does the work, turns the outcome into text and an exit code.

Exit codes: 0 fine; 1 the check or the run found something wrong; 2 usage, config or input error; 130 interrupted.
Every command imports only what it needs.
"""

import argparse
import gc
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from dumpload import __version__
from dumpload.cli.periods import duration
from dumpload.cli.rerun import rerun_words, without_secrets
from dumpload.config.layers import NOT_SHOWN, SEARCHED, ConfigError, choice_remark, find_config
from dumpload.core.printable import LINE_CHARACTERS, one_line, printable, shorten
from dumpload.files import Named, Output, WriteError, with_database_files, write_outputs

if TYPE_CHECKING:
    from dumpload.config.model import Settings
    from dumpload.report.report import Report

OK, WRONG, USAGE, INTERRUPTED = 0, 1, 2, 130

# Settings are read within a second or two, on a slow core as well (our choice, no source).
RELOAD_S = 60.0


def main(argv: Sequence[str], searched: Sequence[str] = SEARCHED) -> int:
    """Run one command; return its exit code. `searched`: where settings are looked for that nobody names."""
    args = build_parser(*argv[:1]).parse_args(argv, argparse.Namespace(searched=searched, words=argv))
    command: Callable[[argparse.Namespace], int] = args.run_command
    try:
        return command(args)
    except ConfigError as error:
        _print_error(str(error))
        return USAGE
    except WriteError as error:
        _fail(args, str(error))
        return USAGE
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:  # whoever read our output has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return WRONG


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are short, printable and repeat no loose word: it may be a secret that a space cut off."""

    def parse_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Return the arguments, all of which must be known."""
        found, rest = self.parse_known_args(args, namespace)
        if rest:
            words = (word.partition("=")[0] if word.startswith("-") else NOT_SHOWN for word in rest)
            self.error(f"unrecognized arguments: {' '.join(words)}")
        return found

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
        _add_others(commands)
    return parser


def _add_others(commands: Any) -> None:
    """Add every command but `run`."""
    from dumpload.cli.commissioning import add_init_arguments, add_listen_arguments
    from dumpload.cli.export import add_export_arguments
    from dumpload.cli.records import add_replay_arguments, add_report_arguments
    from dumpload.cli.simulating import add_simulate_arguments

    check_parser = _add(commands, "check", check, "check the config and the installation, before the first switch-on")
    check_parser.add_argument("--report", metavar="FILE.html", type=Path, help="write the check as a page, too")
    replay_parser = _add(commands, "replay", replay, "say what the relay would have done over a record of telemetry")
    add_replay_arguments(replay_parser)
    report_parser = _add(commands, "report", report, "say what the relay did and why, from the daemon's own history")
    add_report_arguments(report_parser)
    add_export_arguments(_add(commands, "export", export, "write the history as tables for other programs"))
    add_simulate_arguments(_add(commands, "simulate", simulate, "say what hot water the sun would give in a year"))
    init_parser = commands.add_parser("init", help="ask for the first settings and write them into a new file")
    init_parser.set_defaults(run_command=init)
    add_init_arguments(init_parser)
    listen_parser = _add(commands, "listen", listen, "listen at the broker and say what arrives for each signal")
    add_listen_arguments(listen_parser)
    _add_live(commands)


def _add_live(commands: Any) -> None:
    """Add the commands that deal with a running daemon, or with its pin."""
    from dumpload.cli.forget import add_forget_arguments
    from dumpload.cli.metrics import add_metrics_arguments
    from dumpload.cli.serving import add_page_commands

    status_parser = _add(commands, "status", status, "show what the heater is doing, why, and what comes next")
    whose = status_parser.add_mutually_exclusive_group()
    whose.add_argument(
        "--follow", action="store_true", help="keep watching; one line per change when not on a terminal"
    )
    whose.add_argument("--all", action="store_true", help="show every instance on this computer (needs no config)")
    status_parser.add_argument("--brief", action="store_true", help="one line")
    add_metrics_arguments(_add(commands, "metrics", metrics, "print the status as OpenMetrics text", json_too=False))
    select_parser = _add(commands, "select", select, "run by hand, switch off, return to automatic, or clear a lockout")
    select_parser.add_argument("position", nargs="?", choices=["hand", "off", "auto"])
    select_parser.add_argument(
        "--for", dest="for_s", type=duration, metavar="45m", help="how long to run, such as 45m or 1h30m"
    )
    select_parser.add_argument(
        "--reset", action="store_true", help="clear the lockout, once the fault is found and mended"
    )
    # `off` is run before this parser is made, see __main__; it is here so that the help names it.
    _add(commands, "off", check, "drive the pin off and exit (needs no broker and no secrets)")
    reload_parser = commands.add_parser("reload", help="have the service read its settings again (systemctl reload)")
    reload_parser.set_defaults(run_command=reload)
    add_page_commands(commands, _add, _settings, _fail)
    forget_parser = _add(commands, "forget", forget, "clear what an instance that is gone left at the broker")
    add_forget_arguments(forget_parser)
    demo_parser = commands.add_parser("demo", help="watch a simulated barge through a cloud and a lost connection")
    demo_parser.set_defaults(run_command=demo)


def _add(commands: Any, name: str, command: Any, words: str, *, json_too: bool = True) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(name, help=words, description=words)
    parser.add_argument("--config", metavar="FILE", help=f"config file (else DUMPLOAD_CONFIG, {', '.join(SEARCHED)})")
    parser.add_argument("--set", dest="sets", action="append", default=[], metavar="KEY=VALUE",
                        help="override one key, such as control.cut_in_percent=98")  # fmt: skip
    if json_too:
        parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    parser.set_defaults(run_command=command)
    return parser


def _settings(args: argparse.Namespace) -> "tuple[Path, Settings]":
    from dumpload.config.model import load_settings

    found = find_config(args.config, os.environ, args.searched)
    if remark := choice_remark(args.config, os.environ, found, args.searched):
        _print_error(remark)
    path = found.resolve()
    return path, load_settings(path, os.environ, args.sets)


def _print(text: str) -> None:
    sys.stdout.write(printable(text, lines=True) + "\n")
    sys.stdout.flush()


def _print_error(text: str) -> None:
    sys.stderr.write("".join(shorten(line, LINE_CHARACTERS) + "\n" for line in printable(text, lines=True).split("\n")))


def run(args: argparse.Namespace) -> int:
    """Run the daemon until a signal ends it."""
    gc.disable()  # there is no garbage yet, and looking for it would take a tenth of the start; `run_daemon` enables it
    path, settings = _settings(args)
    from dumpload.daemon.bootstrap import run_daemon

    return run_daemon(path, settings, args.sets)


def check(args: argparse.Namespace) -> int:
    """Check config and installation; 1 if anything fails, or a question of safety is not answered."""
    from dumpload.check.document import check_document, is_wrong
    from dumpload.check.text import check_text
    from dumpload.config.instances import other_instances

    path, settings = _settings(args)
    document = check_document(path, settings, other_instances(path, args.searched[0]))
    if args.report:
        from dumpload.check.page import check_page

        output = Output("--report", args.report, check_page(document).encode())
        write_outputs([output], _named(args, path, settings))
    _print(json.dumps(document, indent=2) if args.json else check_text(document))
    return WRONG if is_wrong(document) else OK


def replay(args: argparse.Namespace) -> int:
    """Play a record through the controller; 1 if no sample of it counted."""
    from dumpload.cli.progress import Bar
    from dumpload.cli.records import table_format
    from dumpload.records.record import RecordError
    from dumpload.replay.compare import run_trials, trials_document, trials_text
    from dumpload.replay.replay import ReplayInterrupted
    from dumpload.report.day_log import DayLog
    from dumpload.report.report import report_of_trials, zone_of

    path, settings = _settings(args)
    chosen = {_with_sets(args, path): settings, **_others(args.compare)}
    day_logs = [DayLog(zone_of(one)) for one in chosen.values()] if _wants_pictures(args) else []
    try:
        with Bar(sys.stderr, "replay") as bar:
            trials = run_trials(
                args.log, table_format(args, _zone_of(settings)), chosen, judge_contact=args.judge_contact,
                watch=bar.watch, say=bar.say, observers=day_logs,
            )  # fmt: skip
    except RecordError as error:
        _fail(args, str(error))
        sys.stderr.write(rerun_words(args.words, error.options))
        return USAGE
    except ReplayInterrupted as interrupted:
        _print_error(str(interrupted))
        return INTERRUPTED
    if day_logs:
        _write_pictures(args, path, settings, report_of_trials(trials, day_logs))
    _show(args, lambda: trials_document(trials), lambda: trials_text(trials, all_changes=args.all))
    first = trials[0].result
    sys.stderr.write(rerun_words(args.words, first.log.options))
    return OK if first.accepted and not first.log.is_sparse else WRONG


def report(args: argparse.Namespace) -> int:
    """Say from the history what the relay did."""
    import time

    from dumpload.cli.periods import period_of
    from dumpload.cli.progress import Bar
    from dumpload.records.record import RecordError
    from dumpload.replay.replay import ReplayInterrupted
    from dumpload.report.report import report_document, report_of_history, report_text, zone_of

    path, settings = _settings(args)
    file = args.history or settings.history.path
    if file is None:
        _fail(args, "history.path: expected the file of a history, in the config or as --history FILE; none is kept")
        return USAGE
    try:
        period = period_of(args, zone_of(settings), time.time())
    except ValueError as error:
        _fail(args, str(error))
        return USAGE
    try:
        with Bar(sys.stderr, "report") as bar:
            told = report_of_history(file, settings, period, bar.watch)
    except RecordError as error:
        _fail(args, str(error))
        return USAGE
    except ReplayInterrupted as interrupted:
        _print_error(str(interrupted))
        return INTERRUPTED
    if _wants_pictures(args):
        _write_pictures(args, path, settings, told)
    _show(args, lambda: report_document(told), lambda: report_text(told, all_changes=args.all))
    return OK


def export(args: argparse.Namespace) -> int:
    """Write the history as tables for other programs."""
    from dumpload.cli.export import run_export

    path, settings = _settings(args)
    return run_export(args, settings, _named(args, path, settings), _print, lambda reason: _fail(args, reason))


def simulate(args: argparse.Namespace) -> int:
    """Simulate the boat of the settings through a year of weather, and through others like it."""
    from dumpload.cli.simulating import run_simulation

    return run_simulation(args, _settings(args)[1], say=_print_error, show=_show, fail=_fail)


def _show(args: argparse.Namespace, document: Callable[[], Any], text: Callable[[], str]) -> None:
    _print(json.dumps(document(), indent=2) if args.json else text())


def _wants_pictures(args: argparse.Namespace) -> bool:
    return any((args.report, args.svg, args.png))


def _write_pictures(args: argparse.Namespace, path: Path, settings: "Settings", told: "Report") -> None:
    """Write what files are wanted."""
    from dumpload.report.files import write_files

    write_files(told, page=args.report, svg=args.svg, png=args.png, named=_named(args, path, settings))


def _named(args: argparse.Namespace, path: Path, settings: "Settings") -> Iterator[Named]:
    """Yield the files that no output may replace: those that the call and the settings name, and all usual settings."""
    from dumpload.config.model import load_settings
    from dumpload.config.named_files import named_files

    yield from named_files(path, settings, os.environ)
    for what, name in (("LOG", "log"), ("--history", "history")):
        if file := getattr(args, name, None):
            yield from with_database_files(Named(what, file))
    for name in getattr(args, "compare", ()):
        yield from named_files(Path(name), load_settings(Path(name), os.environ), os.environ)
    yield from (Named("settings", Path(name)) for name in args.searched)


def _with_sets(args: argparse.Namespace, path: Path) -> str:
    return " ".join([str(path), *(f"--set {without_secrets(one)}" for one in args.sets)])


def _zone_of(settings: "Settings") -> str | None:
    """Return the time zone, if the settings name one."""
    return settings.permissive.timezone if "timezone" in settings.permissive.model_fields_set else None


def _others(files: Sequence[str]) -> "dict[str, Settings]":
    from dumpload.config.model import load_settings

    found = [find_config(file, os.environ).resolve() for file in files]
    return {str(path): load_settings(path, os.environ) for path in found}


def listen(args: argparse.Namespace) -> int:
    """Say what arrives at the broker; 1 if a configured signal has no live value."""
    from dumpload.cli.commissioning import run_listen

    return run_listen(args, lambda: _settings(args)[1], show=_show, say=_print, fail=_fail)


def init(args: argparse.Namespace) -> int:
    """Ask for the first settings and write them into a new file."""
    from dumpload.cli.commissioning import run_init

    return run_init(args, _print, _print_error)


def status(args: argparse.Namespace) -> int:
    """Show what the heater is doing."""
    from dumpload.cli.live import run_status

    return run_status(args, lambda: _settings(args), lambda reason: _fail(args, reason))


def metrics(args: argparse.Namespace) -> int:
    """Print what the daemons on this computer do, for a collector."""
    from dumpload.cli.metrics import run_metrics

    return run_metrics(args, lambda: _settings(args), _print_error)


def select(args: argparse.Namespace) -> int:
    """Send a request and wait for its effect or its refusal."""
    import asyncio

    from dumpload.cli import client, nearby
    from dumpload.daemon.screen import brief

    wanted: dict[str, Any] = {"selector": args.position} if args.position else {}
    if args.reset:
        wanted["reset"] = True
    if args.for_s is not None:
        wanted["for_s"] = args.for_s
    if not (args.position or args.reset) or (args.for_s is not None and args.position != "hand"):
        _print_error("dumpload select: expected hand, off or auto, or --reset; --for goes with hand only")
        return USAGE
    path, settings = _settings(args)
    try:
        document = asyncio.run(nearby.select(path, settings, wanted))
    except (client.NoAnswerError, client.RefusedError) as error:
        _fail(args, str(error))
        return WRONG
    _print(json.dumps(document) if args.json else brief(document))
    return OK


def reload(_args: argparse.Namespace) -> int:
    """Have the service's daemon read its settings again; 1 with the reason if it does not take them."""
    from dumpload.daemon.reload_answer import NotTakenError, ask

    try:
        ask(os.environ, RELOAD_S)
    except NotTakenError as error:
        _print_error(f"dumpload reload: {error}")
        return WRONG
    return OK


def forget(args: argparse.Namespace) -> int:
    """Clear what an instance left at the broker."""
    from dumpload.cli.forget import run_forget

    return run_forget(args, _settings(args)[1], _print, lambda reason: _fail(args, reason))


def _fail(args: argparse.Namespace, reason: str) -> None:
    reason = one_line(reason)
    _print_error(reason)
    if getattr(args, "json", False):
        _print(json.dumps({"error": reason}))


def demo(_args: argparse.Namespace) -> int:
    """Run the demo."""
    from dumpload.demo import run_demo

    return run_demo()
