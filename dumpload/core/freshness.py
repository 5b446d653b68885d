"""What is live at time t: a value together with the moment at which it stops counting.

Times are seconds on one monotonic clock that also runs during suspend. There is no clock here.
"""

import math
from typing import NamedTuple

# A deadline that is not set.
NEVER = math.inf

# A value or a moment that is not there: the core never uses None.
MISSING = math.nan


def is_missing(value: float) -> bool:
    """Return whether a number is not there: NaN is the one value unequal to itself."""
    return value != value


class Datum(NamedTuple):
    """The last accepted value of a signal, when it counts as measured, and when it stops being live."""

    value: float
    stamp: float
    expires_at: float


NO_DATUM = Datum(MISSING, MISSING, -NEVER)


def admit(value: float, stamp: float, max_age_s: float) -> Datum:
    """Return the datum for `value` measured at `stamp`; live while t < stamp + max_age_s."""
    return Datum(value, stamp, stamp + max_age_s)


def live_value(datum: Datum, t: float) -> float:
    """Return the value while it is live at `t`, else NaN. Data are lost exactly at `expires_at`."""
    return datum.value if t < datum.expires_at else MISSING
