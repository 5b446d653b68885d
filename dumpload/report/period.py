"""Days and periods as people name them: 2025-06-16, 2025-06, 2025, today, yesterday, and the last 7d or 36h.

Parses; which day is today is given.
"""

import re
from calendar import monthrange
from datetime import date, timedelta, tzinfo

from dumpload.core.window import HOUR_S
from dumpload.report.local_time import Span, local_date, midnight

_YEARS = (1970, 2199)
_BACK = {"today": 0, "yesterday": 1}
_CALENDAR = re.compile(r"(\d{4})(?:-(\d\d))?(?:-(\d\d))?", re.ASCII)
_LAST = re.compile(r"(\d{1,5})([hdw])", re.ASCII)
_DAYS = {"d": 1, "w": 7}


def days_of(text: str, today: date) -> tuple[date, date]:
    """Return the first and the last day that a text names.

    Raises:
        ValueError: it names none from 1970 to 2199.
    """
    if text in _BACK:
        day = today - timedelta(days=_BACK[text])
        return day, day
    match = _CALENDAR.fullmatch(text)
    if not match or not _YEARS[0] <= int(match[1]) <= _YEARS[1]:
        raise ValueError(text)
    year, month, day_of_month = int(match[1]), match[2], match[3]
    if month is None:
        return date(year, 1, 1), date(year, 12, 31)
    if day_of_month is None:
        return date(year, int(month), 1), date(year, int(month), monthrange(year, int(month))[1])
    day = date(year, int(month), int(day_of_month))
    return day, day


def last_span(text: str, zone: tzinfo, now: float) -> Span:
    """Return the last hours, or local days or weeks including today: 36h, 7d, 4w.

    Raises:
        ValueError: the text is no such length of time.
    """
    match = _LAST.fullmatch(text)
    if not match or not int(match[1]):
        raise ValueError(text)
    count, unit = int(match[1]), match[2]
    if unit == "h":
        return Span(now - count * HOUR_S, now)
    today = local_date(now, zone)
    since = max(today - timedelta(days=count * _DAYS[unit] - 1), date(_YEARS[0], 1, 2))
    return Span(midnight(since, zone), midnight(today + timedelta(days=1), zone))


def span_of(text: str, zone: tzinfo, now: float) -> Span:
    """Return the time that a name of either kind means, Unix s.

    Raises:
        ValueError: it names none.
    """
    if _LAST.fullmatch(text):
        return last_span(text, zone, now)
    first, last = days_of(text, local_date(now, zone))
    return Span(midnight(first, zone), midnight(last + timedelta(days=1), zone))
