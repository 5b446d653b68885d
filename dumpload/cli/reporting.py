"""The commands `replay` and `report`: what the relay would have done, and what it did."""

import argparse
import sys
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from dumpload.cli import console
from dumpload.cli.periods import add_period_arguments, period_of
from dumpload.cli.progress import Bar
from dumpload.cli.records import add_record_arguments, recorded_settings, table_format
from dumpload.cli.rerun import fail_to_read, rerun_words, without_secrets

if TYPE_CHECKING:
    from dumpload.config.model import Settings
    from dumpload.records.record import TableFormat
    from dumpload.report.day_log import DayLog
    from dumpload.report.report import Report


def add_replay_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `replay`."""
    add_record_arguments(parser)
    parser.add_argument("--compare", action="append", default=[], metavar="FILE.toml",
                        help="compare with other settings (repeatable; --set affects only the first)")  # fmt: skip
    parser.add_argument("--closed-loop", action="store_true",
                        help="forecast what these settings would really have done, including the heater's effect on"
                        " the battery (needs the extra study, and a record of the relay)")  # fmt: skip
    parser.add_argument("--recorded-with", metavar="A.toml",
                        help="settings in force during the record (with --closed-loop; default: the same)")  # fmt: skip
    parser.add_argument("--all", action="store_true", help="list every change")
    parser.add_argument("--judge-contact", action="store_true",
                        help="check recorded load power for a stuck contact")  # fmt: skip
    _add_picture_arguments(parser)


def add_report_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `report`."""
    parser.add_argument(
        "--history", metavar="FILE", type=Path, help="history database (default: history.path of the config)"
    )
    add_period_arguments(parser)
    parser.add_argument("--all", action="store_true", help="list every change")
    _add_picture_arguments(parser)


def _add_picture_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--report", metavar="FILE.html", type=Path, help="also write a page with charts and every day")
    parser.add_argument("--svg", metavar="FOLDER", type=Path, help="write each chart as an SVG file")
    parser.add_argument(
        "--png", metavar="FOLDER", type=Path, help="write each chart as a PNG file (needs the extra picture)"
    )


def run_replay(args: argparse.Namespace) -> int:
    """Play a record through the controller; 1 if no sample of it counted."""
    from dumpload.records.record import RecordError
    from dumpload.replay.compare import run_trials, trials_document, trials_text

    path, settings = console.load(args)
    if args.closed_loop:
        return _replay_closed_loop(args, table_format(args, settings), settings, recorded_settings(args, settings))
    chosen = {_with_sets(args, path): settings, **_others(args.compare)}
    day_logs = _day_logs(chosen.values()) if _wants_pictures(args) else []
    try:
        with Bar(sys.stderr, "replay") as bar:
            trials = run_trials(
                args.log, table_format(args, settings), chosen, judge_contact=args.judge_contact,
                watch=bar.watch, say=bar.say, observers=day_logs,
            )  # fmt: skip
    except RecordError as error:
        return fail_to_read(args, error)
    if day_logs:
        from dumpload.report.report import report_of_trials

        _write_pictures(args, path, settings, report_of_trials(trials, day_logs))
    console.show(args, lambda: trials_document(trials), lambda: trials_text(trials, all_changes=args.all))
    first = trials[0].result
    sys.stderr.write(rerun_words(args.words, first.log.options))
    return console.OK if first.accepted and not first.log.is_sparse else console.WRONG


def _day_logs(compared: "Iterable[Settings]") -> "list[DayLog]":
    """Return what collects a report's data, for each of the compared settings."""
    from dumpload.report.day_log import DayLog
    from dumpload.report.report import zone_of

    return [DayLog(zone_of(settings)) for settings in compared]


def _replay_closed_loop(
    args: argparse.Namespace, form: "TableFormat", settings: "Settings", recorded_with: "Settings"
) -> int:
    """Forecast and show it; return the exit code: 1 if it was refused, 2 if the record cannot be read."""
    try:
        from dumpload.forecast.closed_loop import forecast
        from dumpload.forecast.document import forecast_document, forecast_text
    except ModuleNotFoundError as error:
        return console.fail_without(args, "replay --closed-loop", "study", error)
    from dumpload.records.open import open_record
    from dumpload.records.record import ReadLog, RecordError

    try:
        with Bar(sys.stderr, "replay") as bar:
            log = ReadLog(lambda part: bar.watch(0.2 * part))
            record = open_record(args.log, form, settings)
            result = forecast(
                record, settings, recorded_with, log, watch=lambda part: bar.watch(0.2 + 0.8 * part), say=bar.say
            )
    except RecordError as error:
        return fail_to_read(args, error)
    except KeyboardInterrupt:
        console.say_error("interrupted; an incomplete run gives no result")
        return console.INTERRUPTED
    console.show(args, lambda: forecast_document(result), lambda: forecast_text(result))
    return console.WRONG if result.verdict.trust == "refused" else console.OK


def run_report(args: argparse.Namespace) -> int:
    """Report from the history what the relay did."""
    from dumpload.records.record import RecordError
    from dumpload.report.report import report_document, report_of_history, report_text, zone_of

    path, settings = console.load(args)
    file, period = console.history_file(args, settings), period_of(args, zone_of(settings), time.time())
    try:
        with Bar(sys.stderr, "report") as bar:
            outcome = report_of_history(file, settings, period, bar.watch)
    except RecordError as error:
        return fail_to_read(args, error)
    if _wants_pictures(args):
        _write_pictures(args, path, settings, outcome)
    console.show(args, lambda: report_document(outcome), lambda: report_text(outcome, all_changes=args.all))
    return console.OK


def _with_sets(args: argparse.Namespace, path: Path) -> str:
    return " ".join([str(path), *(f"--set {without_secrets(setting)}" for setting in args.sets)])


def _others(files: Sequence[str]) -> "dict[str, Settings]":
    return {str(path): settings for path, settings in map(console.load_file, files)}


def _wants_pictures(args: argparse.Namespace) -> bool:
    return any((args.report, args.svg, args.png))


def _write_pictures(args: argparse.Namespace, path: Path, settings: "Settings", outcome: "Report") -> None:
    """Write the requested files."""
    from dumpload.report.files import write_files

    write_files(outcome, page=args.report, svg=args.svg, png=args.png, protected=console.named(args, path, settings))
