"""Whether the sign of the battery power contradicts the state of charge.

A gateway that publishes charging as negative disarms the drain limit without anything else looking wrong. Pure.
"""

from typing import NamedTuple

from dumpload.core.freshness import MISSING, is_missing

# Minimum rise of charge, minimum duration and maximum single step (our choice, no source): meters that count
# charge jump to 100 % when the battery is full, whatever flows.
RISE_PERCENT = 2.0
RISE_S = 600.0
STEP_PERCENT = 2.0


class Direction(NamedTuple):
    """A stretch of negative battery power: when it began (s), the charge then and last (percent).

    `wrong`: in a stretch, the charge has risen; it holds until the charge moves with the power.
    """

    since: float = MISSING
    first: float = MISSING
    last: float = MISSING
    wrong: bool = False


def observe(direction: Direction, t: float, charge: float, power: float) -> Direction:
    """Return what is seen of the sign at `t` (s), with charge in percent and battery power in W, NaN if not live."""
    if is_missing(charge) or is_missing(power) or power >= 0.0:
        return Direction(wrong=direction.wrong)
    if is_missing(direction.since) or abs(charge - direction.last) > STEP_PERCENT:
        return Direction(t, charge, charge, direction.wrong)
    if charge <= direction.first - RISE_PERCENT:
        return Direction(t, charge, charge)
    rose = charge >= direction.first + RISE_PERCENT and t >= direction.since + RISE_S
    return direction._replace(last=charge, wrong=direction.wrong or rose)
