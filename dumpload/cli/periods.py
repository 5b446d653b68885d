"""Days and periods as people type them: 2025-06-16, 2025-06, 2025, today, yesterday, and the last 7d or 36h.

Parses; which day is today is given.
"""

import argparse
import re
from calendar import monthrange
from datetime import date, timedelta, tzinfo
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dumpload.report.local_time import Span

EXPECTED = "a day such as 2025-06-16, a month such as 2025-06, a year, today or yesterday"

_YEARS = (1970, 2199)
_BACK = {"today": 0, "yesterday": 1}
_CALENDAR = re.compile(r"(\d{4})(?:-(\d\d))?(?:-(\d\d))?", re.ASCII)
_DURATION = re.compile(r"(?:(\d{1,9})h)?(?:(\d{1,9})m)?(?:(\d{1,9})s)?", re.ASCII)
_LAST = re.compile(r"(\d{1,5})([hdw])", re.ASCII)
_DAYS = {"d": 1, "w": 7}


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
    found = _LAST.fullmatch(text)
    if not found or not int(found[1]):
        msg = f"{text[:40]!r}: expected a number of hours, days or weeks, such as 36h, 7d or 4w"
        raise argparse.ArgumentTypeError(msg)
    return text


def days_of(text: str, today: date) -> tuple[date, date]:
    """Return the first and the last day that a text names.

    Raises:
        ValueError: it names none from 1970 to 2199.
    """
    if text in _BACK:
        day = today - timedelta(days=_BACK[text])
        return day, day
    found = _CALENDAR.fullmatch(text)
    if not found or not _YEARS[0] <= int(found[1]) <= _YEARS[1]:
        raise ValueError(text)
    year, month, day_of_month = int(found[1]), found[2], found[3]
    if month is None:
        return date(year, 1, 1), date(year, 12, 31)
    if day_of_month is None:
        return date(year, int(month), 1), date(year, int(month), monthrange(year, int(month))[1])
    day = date(year, int(month), int(day_of_month))
    return day, day


def add_period_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options that say of which time a report is."""
    parser.add_argument("period", nargs="?", metavar="PERIOD", type=named_days,
                        help="today, yesterday, a day (2025-06-16), a month (2025-06) or a year")  # fmt: skip
    parser.add_argument(
        "--last", metavar="7d", type=last, help="the last so many local days, today included (or 36h, 4w)"
    )
    parser.add_argument("--since", metavar="DAY", type=named_days, help="from this local day on; names as for PERIOD")
    parser.add_argument("--until", metavar="DAY", type=named_days, help="to this local day, which is included")


def period_of(args: argparse.Namespace, zone: tzinfo, now: float) -> "Span":
    """Return the time that is asked for (Unix s), of whole local days unless it is the last so many hours.

    Raises:
        ValueError: two options contradict each other; the text says what was expected.
    """
    from dumpload.report.local_time import Span, local_date, midnight  # late: every command has these options parsed

    if sum((args.period is not None, args.last is not None, (args.since or args.until) is not None)) > 1:
        msg = "expected one of PERIOD, --last and --since with --until"
        raise ValueError(msg)
    today = local_date(now, zone)
    if args.last is not None and args.last.endswith("h"):
        return Span(now - int(args.last[:-1]) * 3600.0, now)
    if args.last is not None:
        count = int(args.last[:-1]) * _DAYS[args.last[-1]]
        since = str(max(today - timedelta(days=count - 1), date(_YEARS[0], 1, 2)))
        until: str | None = str(today)
    else:
        since, until = args.period or args.since, args.period or args.until
    begin = -float("inf") if since is None else midnight(days_of(since, today)[0], zone)
    end = float("inf") if until is None else midnight(days_of(until, today)[1] + timedelta(days=1), zone)
    if not begin < end:
        msg = f"--since {since}: expected a day not after --until {until}"
        raise ValueError(msg)
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
