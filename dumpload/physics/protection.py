"""What a conductor may carry, the fuse that protects it, and the current of a short circuit."""

import math
from bisect import bisect_right
from collections.abc import Mapping
from types import MappingProxyType

from dumpload.physics.conductors import GAUGES, awg_area_mm2
from dumpload.physics.ranges import above, within

INSULATION_C = (60, 75, 80, 90, 105, 125, 200)

# Allowable amperage by gauge, for insulation of `INSULATION_C`, at 30 degC, at most two conductors together.
#
# 33 CFR 183.425, Table 5, as reprinted at federal.elaws.us/cfr/title-33/section-183.425 (read).
TABLE_5_A: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "18": (10, 10, 15, 20, 20, 25, 25),
        "16": (15, 15, 20, 25, 25, 30, 35),
        "14": (20, 20, 25, 30, 35, 40, 45),
        "12": (25, 25, 35, 40, 45, 50, 55),
        "10": (40, 40, 50, 55, 60, 70, 70),
        "8": (55, 65, 70, 70, 80, 90, 100),
        "6": (80, 95, 100, 100, 120, 125, 135),
        "4": (105, 125, 130, 135, 160, 170, 180),
        "2": (140, 170, 175, 180, 210, 225, 240),
        "1": (165, 195, 210, 210, 245, 265, 280),
        "1/0": (195, 230, 245, 245, 285, 305, 325),
        "2/0": (225, 265, 285, 285, 330, 355, 370),
        "3/0": (260, 310, 330, 330, 385, 410, 430),
        "4/0": (300, 360, 385, 385, 445, 475, 510),
    }
)

# What an engine space, at 50 degC, leaves of Table 5.
#
# 105 degC: reprint of note 1 of that table by a cable seller (jamestowndistributors.com, "Wire Heat Ratings"; read).
# 60, 75, 90: ambient correction at 46-50 degC of the National Electrical Code (wiresizecalculator.net; read). 125,
# 200: the same of the Canadian code (read as data in a public program). 80: calculated, sqrt((80 - 50) / (80 - 30)),
# rounded down; the others follow the same formula within 0.01.
ENGINE_SPACE: Mapping[int, float] = MappingProxyType(
    {60: 0.58, 75: 0.75, 80: 0.77, 90: 0.82, 105: 0.85, 125: 0.89, 200: 0.94}
)

# (most conductors that carry current together, what is left of Table 5), 25 and more: 0.4.
#
# Correction factors of the same rule's guideline, as reprinted by cable makers (cableyutai.com.tw/tech-02.htm,
# delzer.com catalogue page 212; read). The rule demands them from 50 V only; heat does not ask for the voltage.
BUNDLES: tuple[tuple[int, float], ...] = ((2, 1.0), (3, 0.7), (6, 0.6), (24, 0.5))

_CROWD = 0.4

# Amperes by mm², PVC at 30 degC, three loaded conductors: method B2 (cable in conduit) and C (on a surface).
#
# IEC 60364-5-52, as printed in two compressor makers' manuals (easymanua.ls; read). Three loaded conductors are the
# more careful reading for the two of a direct current.
IEC_PVC_A: Mapping[str, Mapping[float, float]] = MappingProxyType(
    {
        "iec_b2": MappingProxyType({1.5: 15, 2.5: 20, 4.0: 27, 6.0: 34, 10.0: 46, 16.0: 62}),
        "iec_c": MappingProxyType({1.5: 17, 2.5: 24, 4.0: 32, 6.0: 41, 10.0: 57, 16.0: 76}),
    }
)

# Temperature of the conductor that those rows are for (common practice, no source).
PVC_C = 70.0

ENGINE_SPACE_C, TABLE_C = 50.0, 30.0

# (cold cranking current up to, least breaking capacity of a main fuse, of a branch fuse), 12 and 24 V.
#
# ABYC E-11, table V.A, as printed at pacergroup.net (read).
INTERRUPTS_BY_CRANKING: tuple[tuple[float, int, int], ...] = (
    (650.0, 1500, 750),
    (1100.0, 3000, 1500),
    (math.inf, 5000, 2500),
)

# What a fuse at a large lithium bank must break, at 125 V DC (read with the table above).
INTERRUPTS_LITHIUM_A = 20_000

# From here on the fuse of a battery is one of class T (an inverter maker's manual: class T, at least 10 kA; read).
CURRENT_LIMITING_A = 10_000

# A fuse for a load that lasts three hours or more is at least 125 % of it (NEC 210.20(A)).
CONTINUOUS = 1.25

# Largest fuse below 50 V as a multiple of Table 5: 33 CFR 183.455(c)(1) (read at self-law.org).
CEILING_BELOW_50_V = 1.5

# How far along the conductor the fuse may be from the source: 33 CFR 183.455(b)(1) (read).
BARE_DISTANCE_M = 7 * 0.0254

# The same for a conductor in a sheath or an enclosure all the way: 33 CFR 183.455(b)(2) (read).
SHEATHED_DISTANCE_M = 40 * 0.0254

# Standard ratings: NEC 240.6(A), as reprinted at callout.app/codes/nec-2023-240-6 (read).
FUSES_A = (1, 3, 6, 10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100, 110, 125, 150, 175, 200, 225, 250, 300,
           350, 400, 450, 500, 600)  # fmt: skip


def gauge_within(area_mm2: float) -> str:
    """Return the thickest gauge whose own area is not above this one: how a metric cable is looked up in Table 5.

    Raises:
        ValueError: the area is below that of the thinnest listed gauge, 18, or above 1000 mm².
    """
    within("area_mm2", area_mm2, awg_area_mm2(GAUGES[0]), 1000)
    return max((gauge for gauge in GAUGES if awg_area_mm2(gauge) <= area_mm2), key=GAUGES.index)


def ampacity_a(gauge: str, insulation_c: float, conductors: int = 2, *, engine_space: bool = False) -> float:
    """Return the ampacity of a conductor (continuous): Table 5 x factor of the space x factor of the bundle.

    An insulation between two columns counts as the lower one.

    Raises:
        ValueError: the gauge is not listed, `insulation_c` is not within [60, 300] degC, or `conductors` not within
            [1, 1000].
    """
    if gauge not in TABLE_5_A:
        msg = f"gauge = {gauge}: expected one of {', '.join(TABLE_5_A)}"
        raise ValueError(msg)
    column = bisect_right(INSULATION_C, within("insulation_c", insulation_c, INSULATION_C[0], 300)) - 1
    space = ENGINE_SPACE[INSULATION_C[column]] if engine_space else 1.0
    return TABLE_5_A[gauge][column] * space * bundle_factor(conductors)


def iec_row_mm2(area_mm2: float) -> float | None:
    """Return the row of `IEC_PVC_A` for an area: the largest not above it; None below the smallest."""
    return max((row for row in IEC_PVC_A["iec_b2"] if row <= area_mm2), default=None)


def iec_ampacity_a(
    rules: str, row_mm2: float, insulation_c: float = PVC_C, conductors: int = 2, *, engine_space: bool = False
) -> float:
    """Return what a PVC cable may carry continuously: `IEC_PVC_A` x factor of the heat x factor of the bundle.

    Heat: sqrt((T - Ta) / (70 - 30)), calculated, with T the insulation's temperature, at most 70 degC. Up to three
    conductors are in the table; for more, the factors of `BUNDLES` stand in.

    Raises:
        ValueError: `rules` or `row_mm2` is not in the table, `insulation_c` is not within [60, 300] degC, or
            `conductors` not within [1, 1000].
    """
    if rules not in IEC_PVC_A or row_mm2 not in IEC_PVC_A[rules]:
        msg = f"row_mm2 = {row_mm2:g}: expected a row of {rules}"
        raise ValueError(msg)
    hottest_c = min(PVC_C, within("insulation_c", insulation_c, INSULATION_C[0], 300))
    around_c = ENGINE_SPACE_C if engine_space else TABLE_C
    heat = math.sqrt((hottest_c - around_c) / (PVC_C - TABLE_C))
    crowd = 1.0 if conductors <= 3 else bundle_factor(conductors)  # noqa: PLR2004  (loaded conductors of the table)
    return IEC_PVC_A[rules][row_mm2] * heat * crowd


def needed_breaking_a(cranking_a: float) -> tuple[int, int]:
    """Return what a main and a branch fuse must break, by the bank's cold cranking current (`INTERRUPTS_BY_CRANKING`).

    Raises:
        ValueError: `cranking_a` is not within (0, 1e6] A.
    """
    above("cranking_a", cranking_a, 0, 1e6)
    return next((main_a, branch_a) for up_to_a, main_a, branch_a in INTERRUPTS_BY_CRANKING if cranking_a <= up_to_a)


def bundle_factor(conductors: int) -> float:
    """Return what is left of Table 5 for a number of current-carrying conductors bundled together.

    Raises:
        ValueError: `conductors` is not within [1, 1000].
    """
    within("conductors", conductors, 1, 1000)
    return next((factor for most, factor in BUNDLES if conductors <= most), _CROWD)


def fuse_for_a(current_a: float) -> int:
    """Return the smallest standard fuse of at least 125 % of a lasting current.

    Raises:
        ValueError: `current_a` is not above 0, or the largest listed fuse, 600 A, is too small.
    """
    least_a = above("current_a", current_a, 0, FUSES_A[-1] / CONTINUOUS) * CONTINUOUS
    return next(size for size in FUSES_A if size >= least_a * (1 - 1e-12))


def largest_fuse_a(limit_a: float) -> int | None:
    """Return the largest standard fuse that is not above a limit; None if the smallest is.

    Raises:
        ValueError: `limit_a` is not within [0, 1e6] A.
    """
    within("limit_a", limit_a, 0, 1e6)
    return max((size for size in FUSES_A if size <= limit_a), default=None)


def short_circuit_a(source_v: float, bank_ohm: float, cable_ohm: float = 0.0) -> float:
    """Return I = V / (Rb + Rc) into a dead short, with the bank's internal resistance and that of the loop.

    Raises:
        ValueError: `source_v` is not within [0, 1000] V, `bank_ohm` not within (0, 1000] ohm, or `cable_ohm` not
            within [0, 1e6] ohm.
    """
    whole_ohm = above("bank_ohm", bank_ohm, 0, 1000) + within("cable_ohm", cable_ohm, 0, 1e6)
    return within("source_v", source_v, 0, 1000) / whole_ohm
