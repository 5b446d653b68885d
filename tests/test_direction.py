"""A battery power of the wrong sign is seen by the charge that rises all the same, and not by less."""

import math

import pytest

from dumpload.core.direction import Direction, observe

MINUTE = 60.0


def after(*rows: tuple[float, float, float]) -> bool:
    """Whether the sign looks wrong after these (minutes, percent, W)."""
    seen = Direction()
    for minutes, charge, power in rows:
        seen = observe(seen, minutes * MINUTE, charge, power)
    return seen.wrong


RISING = [(2.0 * n, 80.0 + 0.5 * n, -400.0) for n in range(8)]  # 3.5 % in 14 minutes


@pytest.mark.parametrize(
    ("rows", "is_wrong"),
    [
        (RISING, True),
        ([(t, charge, 400.0) for t, charge, _power in RISING], False),
        ([(t, 160.0 - charge, -400.0) for t, charge, _power in RISING], False),
        ([(t / 4, charge, power) for t, charge, power in RISING], False),  # too quick for a battery
        ([(t, 80.0 + (charge - 80.0) / 4, power) for t, charge, power in RISING], False),  # no clear rise
        ([(0, 95.0, -5.0), (11, 95.0, -5.0), (12, 100.0, -5.0)], False),  # a meter that jumps to full
        ([*RISING[:4], (7.0, 81.5, 50.0), *RISING[4:]], False),  # not negative all the time
        ([*RISING[:4], (7.0, math.nan, -400.0), *RISING[4:]], False),  # lost in between
        ([*RISING, (20.0, 84.0, 300.0)], True),  # it stays until the charge moves with the power
        ([*RISING, (20.0, 83.5, -300.0), (25.0, 82.5, -300.0), (30.0, 81.4, -300.0)], True),
        ([*RISING, (19.0, 83.5, 9.0), (20.0, 83.5, -9.0), (25.0, 82.5, -9.0), (30.0, 81.4, -9.0)], False),
    ],
)
def test_the_sign_is_wrong_when_charge_rises_clearly_and_slowly_while_power_is_negative(
    rows: list[tuple[float, float, float]], is_wrong: bool
) -> None:
    assert after(*rows) is is_wrong
