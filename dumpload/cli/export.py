"""The command `export`: write the history as Parquet or CSV tables."""

import argparse
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dumpload.cli import console
from dumpload.cli.periods import add_period_arguments

if TYPE_CHECKING:
    from dumpload.config.model import Settings
    from dumpload.export.folder import ExportFolder
    from dumpload.files import Named
    from dumpload.report.local_time import Span

FORMATS = ("parquet", "csv")


def add_export_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `export`."""
    parser.add_argument(
        "--history", metavar="FILE", type=Path, help="history database (default: history.path of the config)"
    )
    parser.add_argument("--output", metavar="FOLDER", type=Path, required=True,
                        help="folder to write to; may hold earlier exports, also of other boats")  # fmt: skip
    parser.add_argument("--format", choices=FORMATS, default=FORMATS[0],
                        help="parquet (needs the extra study) or csv; default parquet")  # fmt: skip
    add_period_arguments(parser)


def run_export(args: argparse.Namespace) -> int:
    """Write the tables and say what came of it; return the exit code.

    Raises:
        WriteError: a part cannot be written, or would replace what is not ours.
    """
    import time

    from dumpload.cli.periods import period_of
    from dumpload.history.reader import HistoryError
    from dumpload.records.record import RecordError
    from dumpload.replay.replay import ReplayInterrupted
    from dumpload.report.report import zone_of

    path, settings = console.load(args)
    file, period = console.history_file(args, settings), period_of(args, zone_of(settings), time.time())
    try:
        folder = _export(args, file, settings, period, console.named(args, path, settings))
    except (HistoryError, RecordError) as error:
        console.fail(args, str(error))
        return console.USAGE
    except ReplayInterrupted:
        console.fail(
            args, f"interrupted; the parts in {args.output} are complete; the next export continues from there"
        )
        return console.INTERRUPTED
    console.show(args, lambda: _document(args, folder), lambda: _text(args, folder))
    return console.OK


def _export(
    args: argparse.Namespace, file: Path, settings: "Settings", period: "Span", protected: "Iterable[Named]"
) -> "ExportFolder":
    import sys

    from dumpload.cli.progress import Bar
    from dumpload.export.folder import ExportFolder, HistoryOrigin
    from dumpload.export.from_history import export_history
    from dumpload.history.reader import read_starts
    from dumpload.records.record import ReadLog

    source = HistoryOrigin(settings.name, settings.permissive.timezone, read_starts(file))
    folder = ExportFolder(args.output, args.format, source, protected)
    with Bar(sys.stderr, "export") as bar:
        export_history(file, settings, period, folder, ReadLog(bar.watch))
    return folder


def _document(args: argparse.Namespace, folder: "ExportFolder") -> dict[str, Any]:
    tables = {name: counts._asdict() for name, counts in folder.counts.items()}
    return {"folder": str(args.output), "format": args.format, "tables": tables}


def _text(args: argparse.Namespace, folder: "ExportFolder") -> str:
    lines = []
    for name, counts in folder.counts.items():
        days = counts.written + counts.same
        kept_text = f", {counts.kept} kept that the history no longer has" if counts.kept else ""
        lines.append(f"{name + ':':9} {counts.rows} rows of {days} days ({counts.written} new or changed{kept_text})")
    return "\n".join([f"Exported to {args.output}:", *(f"  {line}" for line in lines)])
