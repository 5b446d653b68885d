"""The command line's words for a record, and for how another logger writes its own. Parses; opens nothing."""

import argparse
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

from dumpload.core.signals import QUANTITIES, Signal, signal_name

if TYPE_CHECKING:
    from dumpload.study.records import Form

_NAMES = {signal_name(signal): signal for signal in Signal}


def add_record_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the record's file and the options that say how it is written."""
    parser.add_argument("log", metavar="LOG", type=Path,
                        help="CSV with a header, message capture (JSON Lines) or history; gzip too")  # fmt: skip
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


def record_form(args: argparse.Namespace) -> "Form":
    """Return how the record is written."""
    from dumpload.study.records import Form  # noqa: PLC0415  (late: every command has these options parsed)

    return Form(
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
    from dumpload.config.kinds import find_zone  # noqa: PLC0415  (late: every command has these options parsed)

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
