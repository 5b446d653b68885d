"""The command line's words for a record, for how another logger writes its own, and for what to make of it.

Parses; opens nothing.
"""

import argparse
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

from dumpload.cli.periods import add_period_arguments
from dumpload.core.signals import QUANTITIES, Signal, signal_name

if TYPE_CHECKING:
    from dumpload.records.record import TableFormat

_NAMES = {signal_name(signal): signal for signal in Signal}


def add_replay_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `replay`."""
    add_record_arguments(parser)
    parser.add_argument("--compare", action="append", default=[], metavar="FILE.toml",
                        help="put other settings beside them, any number; --set does not change those")  # fmt: skip
    parser.add_argument("--all", action="store_true", help="list every change, however many")
    parser.add_argument("--judge-contact", action="store_true",
                        help="take the recorded load power as evidence of a stuck contact")  # fmt: skip
    _add_picture_arguments(parser)


def add_report_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `report`."""
    parser.add_argument("--history", metavar="FILE", type=Path, help="the database (else history.path of the config)")
    add_period_arguments(parser)
    parser.add_argument("--all", action="store_true", help="list every change, however many")
    _add_picture_arguments(parser)


def _add_picture_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--report", metavar="FILE.html", type=Path, help="write a page with pictures and every day, too"
    )
    parser.add_argument("--svg", metavar="FOLDER", type=Path, help="write each picture by itself, as SVG")
    parser.add_argument("--png", metavar="FOLDER", type=Path, help="the same as PNG (needs the extra picture)")


def add_record_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the record's file and the options that say how it is written."""
    parser.add_argument("log", metavar="LOG", type=Path,
                        help="CSV or Parquet, message capture (JSON Lines) or history; gzip too")  # fmt: skip
    group = parser.add_argument_group("records of other loggers")
    group.add_argument("--column", dest="columns", action="append", default=[], type=_column, metavar="SIGNAL=NAME",
                       help="what a column is called there: time=NAME, state_of_charge=NAME and so on")  # fmt: skip
    group.add_argument("--unit", dest="units", action="append", default=[], type=_unit, metavar="SIGNAL=UNIT",
                       help="the unit it is in, such as state_of_charge=ratio")  # fmt: skip
    group.add_argument("--time-format", metavar="FORMAT", help="such as %%d.%%m.%%Y %%H:%%M:%%S (see date(1))")
    group.add_argument("--timezone", type=_zone, metavar="NAME", help="zone of times that have no offset")
    group.add_argument("--decimal-comma", action="store_true", help="97,5 means 97.5")
    group.add_argument("--delimiter", type=_delimiter, metavar="CHARACTER",
                       help="between columns, where it is none of comma, semicolon and tab")  # fmt: skip
    group.add_argument("--sort", action="store_true", help="put rows in order of time (all of them in memory)")


def table_format(args: argparse.Namespace) -> "TableFormat":
    """Return how the record is written."""
    from dumpload.records.record import TableFormat  # late: every command has these options parsed

    return TableFormat(
        dict(args.columns),
        dict(args.units),
        args.time_format,
        args.timezone,
        args.decimal_comma,
        args.delimiter,
        args.sort,
    )


def _column(text: str) -> tuple[str, str]:
    name, equals, theirs = text.partition("=")
    if not equals or not theirs.strip() or name not in ("time", *_NAMES):
        msg = f"{text!r}: expected SIGNAL=NAME, SIGNAL being time, {', '.join(_NAMES)}"
        raise argparse.ArgumentTypeError(msg)
    return name, theirs.strip()


def _unit(text: str) -> tuple[Signal, str]:
    name, _equals, unit = text.partition("=")
    if name not in _NAMES or unit not in QUANTITIES[_NAMES[name]].scales:
        units = ", ".join(f"{name}={unit}" for name, signal in _NAMES.items() for unit in QUANTITIES[signal].scales)
        msg = f"{text!r}: expected one of {units}"
        raise argparse.ArgumentTypeError(msg)
    return _NAMES[name], unit


def _zone(text: str) -> tzinfo:
    from dumpload.config.types import find_zone  # late: every command has these options parsed

    try:
        return find_zone(text)
    except ValueError:
        msg = f"{text!r}: expected the IANA name of a time zone, such as Europe/London"
        raise argparse.ArgumentTypeError(msg) from None


def _delimiter(text: str) -> str:
    one = {r"\t": "\t", "tab": "\t"}.get(text, text)
    if len(one) != 1 or one in '"\r\n':
        msg = f"{text!r}: expected one character"
        raise argparse.ArgumentTypeError(msg)
    return one
