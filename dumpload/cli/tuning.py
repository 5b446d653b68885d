"""The command `tune`: search for better settings by closed-loop replay."""

import argparse
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from dumpload.cli import console
from dumpload.cli.numbers import number, whole
from dumpload.cli.progress import Bar
from dumpload.cli.records import add_record_arguments, recorded_settings, table_format
from dumpload.cli.rerun import fail_to_read

if TYPE_CHECKING:
    from dumpload.config.model import Settings
    from dumpload.tune.tune import Tuning

MOST_SETTINGS, MOST_MEMBERS, MOST_OPERATIONS, FULL_PERCENT = 5000, 64, 1000.0, 100.0
# As `tune.tune.SETTINGS` and `forecast.model.MEMBERS` have them; those load numpy, and every command builds the parser.
SETTINGS, MEMBERS = 200, 16


def add_tune_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `tune`."""
    add_record_arguments(parser)
    parser.add_argument("--recorded-with", metavar="A.toml",
                        help="settings in force during the record (default: today's)")  # fmt: skip
    parser.add_argument("--lowest-charge", type=number(0.0, FULL_PERCENT, "percent"), default=0.0, metavar="PERCENT",
                        help="hard limit: never heat below this true state of charge")  # fmt: skip
    parser.add_argument("--operations-per-day", type=number(0.0, MOST_OPERATIONS, "switch-ons"), default=math.inf,
                        metavar="N", help="hard limit: average switch-ons per day")  # fmt: skip
    parser.add_argument("--settings", type=whole(2, MOST_SETTINGS), default=SETTINGS, metavar="N",
                        help=f"number of settings to try (default {SETTINGS})")  # fmt: skip
    parser.add_argument("--members", type=whole(1, MOST_MEMBERS), default=MEMBERS, metavar="N",
                        help=f"size of the ensemble behind the intervals (default {MEMBERS})")  # fmt: skip
    parser.add_argument("--write", metavar="FOLDER", type=Path,
                        help="write each proposal's [control] and [permissive] tables to a file there")  # fmt: skip
    parser.add_argument("--report", metavar="FILE.html", type=Path, help="also write a page with chart and table")
    parser.add_argument("--svg", metavar="FOLDER", type=Path, help="write the trade-off chart as SVG")


def run_tune(args: argparse.Namespace) -> int:
    """Search, show and write; return 1 if the record is refused or no settings keep the limits, 130 if interrupted."""
    path, settings = console.load(args)
    recorded_with = recorded_settings(args, settings)
    _refuse_written(args)
    try:
        tuning = _search(args, settings, recorded_with)
    except ModuleNotFoundError as error:
        return console.fail_without(args, "dumpload tune", "study", error)
    except KeyboardInterrupt:
        console.say_error("interrupted; no result yet")
        return console.INTERRUPTED
    if tuning is None:
        return console.USAGE
    from dumpload.tune.document import tuning_document, tuning_text

    if tuning.now is not None:
        _write(args, path, settings, tuning)
    console.show(args, lambda: tuning_document(tuning), lambda: tuning_text(tuning))
    if not tuning.whole:
        return console.INTERRUPTED
    return console.OK if tuning.within else console.WRONG


def _search(args: argparse.Namespace, settings: "Settings", recorded_with: "Settings") -> "Tuning | None":
    """Return the result of the search; None if the record cannot be read, after reporting that."""
    from dumpload.records.open import open_record
    from dumpload.records.record import ReadLog, RecordError
    from dumpload.tune.aims import SearchLimits
    from dumpload.tune.tune import READ, tune

    limits = SearchLimits(args.lowest_charge, args.operations_per_day)
    try:
        with Bar(sys.stderr, "tune") as bar:
            return tune(
                open_record(args.log, table_format(args, settings), settings), settings, recorded_with,
                ReadLog(lambda part: bar.watch(READ * part)), limits=limits,
                count=args.settings, members=args.members, watch=bar.watch, say=bar.say,
            )  # fmt: skip
    except RecordError as error:
        fail_to_read(args, error)
        return None


def _refuse_written(args: argparse.Namespace) -> None:
    """Refuse a folder that already has proposals before the search starts.

    Raises:
        WriteError: there are some.
    """
    if args.write is not None and any(args.write.glob("proposal-*.toml")):
        from dumpload.files import WriteError

        message = f"--write {args.write}: expected a folder without proposals; those in it were not changed"
        raise WriteError(message)


def _write(args: argparse.Namespace, path: Path, settings: "Settings", tuning: "Tuning") -> None:
    """Write the requested files, all or none."""
    from dumpload.files import Named, Output, write_outputs
    from dumpload.tune.page import tuning_page
    from dumpload.tune.parts import outputs
    from dumpload.tune.picture import trade_off

    files = outputs(tuning, args.write) if args.write is not None else []
    if args.svg is not None:
        picture = trade_off(tuning)
        files.append(Output("--svg", args.svg / f"{picture.name}.svg", picture.file().encode()))
    if args.report is not None:
        files.append(Output("--report", args.report, tuning_page(tuning).encode()))
    protected = list(console.named(args, path, settings))
    if args.recorded_with is not None:
        protected.append(Named("--recorded-with", Path(args.recorded_with)))
    write_outputs(files, protected)
