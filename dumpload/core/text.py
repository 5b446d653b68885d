"""How numbers, durations and local times are written, in words and in JSON. Pure, and knows no signal."""

import math
from datetime import datetime, tzinfo

# A Unix time at or above this is in milliseconds: as seconds it would be the year 5138.
MILLISECONDS_FROM = 1e11

_HOUR_S = 3600
_MINUTE_S = 60


def duration(seconds: float) -> str:
    """Return seconds as "2 h 05 min", "5 min 10 s" or "7.5 s", and as "2 h" or "5 min" where nothing is over."""
    whole_s = round(seconds)
    if whole_s >= _HOUR_S:
        minutes = whole_s % _HOUR_S // _MINUTE_S
        return f"{whole_s // _HOUR_S} h" + (f" {minutes:02d} min" if minutes else "")
    if whole_s >= _MINUTE_S:
        return f"{whole_s // _MINUTE_S} min" + (f" {whole_s % _MINUTE_S:02d} s" if whole_s % _MINUTE_S else "")
    return f"{seconds:.3g} s"


def number_or_null(value: float) -> float | None:
    """Return a number to three digits after the point, for JSON; None if it is not finite."""
    return round(float(value), 3) if math.isfinite(value) else None  # a difference of whole times is an int


def local_text(wall: float, zone: tzinfo) -> str:
    """Return Unix seconds as local date and time, to the second."""
    return datetime.fromtimestamp(wall, zone).strftime("%Y-%m-%d %H:%M:%S")
