"""How numbers, durations and local times are written, in words and in JSON. Pure."""

import math
from datetime import UTC, datetime, tzinfo

# A Unix time at or above this is in milliseconds: as seconds it would be the year 5138.
MILLISECONDS_FROM = 1e11


def duration(seconds: float) -> str:
    """Return seconds as "2 h 05 min", "5 min 10 s" or "7.5 s", and as "2 h" or "5 min" where nothing is over."""
    minutes, over_s = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h" + (f" {minutes:02d} min" if minutes else "")
    if minutes:
        return f"{minutes} min" + (f" {over_s:02d} s" if over_s else "")
    return f"{seconds:.3g} s"


def number_or_null(value: float) -> float | None:
    """Return a number to three digits after the point, for JSON; None if it is not finite."""
    # A difference of whole times is an int.
    return round(float(value), 3) if math.isfinite(value) else None


def local_text(wall: float, zone: tzinfo) -> str:
    """Return Unix seconds as local date and time, to the second."""
    return datetime.fromtimestamp(wall, zone).strftime("%Y-%m-%d %H:%M:%S")


def utc_text(wall: float) -> str:
    """Return Unix seconds as RFC 3339 in UTC with milliseconds."""
    moment = datetime.fromtimestamp(round(wall, 3), UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
