"""How hot water hurts: how fast it scalds, and at which temperatures legionella lives. For cautions, not for design."""

import math
from itertools import pairwise

from dumpload.physics.ranges import within

# degC, seconds to a second-degree burn, seconds to a third-degree burn: adults; children and old people burn sooner.
# Up to 60 degC antiscald.com, "Exposure time to receive a severe burn" (read). Above, childrensal.org (read; 150 and
# 155 degF), which does not say of which degree, so both columns have it.
SCALD_S = (
    (45.0, 7200.0, 10_800.0),
    (47.0, 1200.0, 2700.0),
    (48.0, 900.0, 1200.0),
    (49.0, 480.0, 600.0),
    (51.0, 120.0, 252.0),
    (55.0, 17.0, 30.0),
    (60.0, 3.0, 5.0),
    (65.6, 1.5, 1.5),
    (68.3, 1.0, 1.0),
)

# Above this the burn takes less than the last row, and nobody has published by how much.
SCALD_ENDS_C = SCALD_S[-1][0]

# Where people are at risk, water for bath or shower must not be hotter (HSE, HSIS6; read).
BATH_C = 44.0

# Hot water is stored at least this hot (HSE, hot and cold water systems, and HSG274 Part 2; read).
STORE_C = 60.0

# Between these legionella multiplies (HSE HSG274 Part 2, as reprinted; read). The one range in the whole tool.
GROWTH_C = (20.0, 45.0)

# A heater's water must not reach this (scope of prEN 12897; read).
STORE_MOST_C = 95.0

# An energy cut-out acts at 200 degF at the latest (plumbing code of Chicago, amlegal.com; read).
CUT_OUT_MOST_C = 93.3


def scald_time_s(water_c: float, *, third_degree: bool = False) -> float:
    """Return the time to a burn of an adult's skin (s), interpolated in its logarithm.

    Above `SCALD_ENDS_C` it is that of the last row, an upper bound; below 45 degC it is infinite, which promises
    nothing.

    Raises:
        ValueError: `water_c` is not within [0, 100] degC.
    """
    within("water_c", water_c, 0, 100)
    rows = [(celsius, third if third_degree else second) for celsius, second, third in SCALD_S]
    if water_c < rows[0][0]:
        return math.inf
    for (low_c, low_s), (high_c, high_s) in pairwise(rows):
        if water_c <= high_c:
            return float(low_s * (high_s / low_s) ** ((water_c - low_c) / (high_c - low_c)))
    return rows[-1][1]
