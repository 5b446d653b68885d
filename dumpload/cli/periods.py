"""The options that name a period, and durations as people type them. Parses; which day is today is given."""

import argparse
import re
from datetime import UTC, date, timedelta, tzinfo

from dumpload.cli.console import CallError
from dumpload.report.local_time import Span, local_date, midnight
from dumpload.report.period import days_of, last_span

EXPECTED = "a day such as 2025-06-16, a month such as 2025-06, a year, today or yesterday"

_DURATION = re.compile(r"(?:(\d{1,9})h)?(?:(\d{1,9})m)?(?:(\d{1,9})s)?", re.ASCII)


def named_days(text: str) -> str:
    """Return the text if it names a day, a month or a year.

    Raises:
        argparse.ArgumentTypeError: it names none.
    """
    try:
        days_of(text, date(2000, 1, 2))
    except ValueError:
        msg = f"{text[:40]!r}: expected {EXPECTED}"
        raise argparse.ArgumentTypeError(msg) from None
    return text


def last(text: str) -> str:
    """Return the text if it is a length of time such as 7d.

    Raises:
        argparse.ArgumentTypeError: it is none.
    """
    try:
        last_span(text, UTC, 0.0)
    except ValueError:
        msg = f"{text[:40]!r}: expected a number of hours, days or weeks, such as 36h, 7d or 4w"
        raise argparse.ArgumentTypeError(msg) from None
    return text


def add_period_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options that say of which time a report is."""
    parser.add_argument("period", nargs="?", metavar="PERIOD", type=named_days,
                        help="today, yesterday, a day (2025-06-16), a month (2025-06) or a year")  # fmt: skip
    parser.add_argument("--last", metavar="7d", type=last, help="the last local days, including today (or 36h, 4w)")
    parser.add_argument(
        "--since", metavar="DAY", type=named_days, help="first local day; takes the same forms as PERIOD"
    )
    parser.add_argument("--until", metavar="DAY", type=named_days, help="last local day, inclusive")


def period_of(args: argparse.Namespace, zone: tzinfo, now: float) -> "Span":
    """Return the time that is asked for (Unix s), of whole local days unless it is a number of hours.

    Raises:
        CallError: two options contradict each other.
    """
    if sum((args.period is not None, args.last is not None, (args.since or args.until) is not None)) > 1:
        msg = "expected one of PERIOD, --last and --since with --until"
        raise CallError(msg)
    if args.last is not None:
        return last_span(args.last, zone, now)
    today = local_date(now, zone)
    since, until = args.period or args.since, args.period or args.until
    begin = -float("inf") if since is None else midnight(days_of(since, today)[0], zone)
    end = float("inf") if until is None else midnight(days_of(until, today)[1] + timedelta(days=1), zone)
    if not begin < end:
        msg = f"--since {since}: expected a day not after --until {until}"
        raise CallError(msg)
    return Span(begin, end)


def duration(text: str) -> float:
    """Return seconds for texts such as 45m, 1h30m, 90s.

    Raises:
        argparse.ArgumentTypeError: the text is not a duration above zero.
    """
    match = _DURATION.fullmatch(text)
    parts = [int(part or 0) for part in match.groups()] if match else [0, 0, 0]
    seconds = parts[0] * 3600 + parts[1] * 60 + parts[2]
    if not seconds:
        msg = f"{text[:40]!r}: expected a duration such as 45m, 1h30m or 90s"
        raise argparse.ArgumentTypeError(msg)
    return float(seconds)
