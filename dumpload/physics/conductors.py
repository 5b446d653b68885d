"""Copper conductors: gauges and areas, resistance at a temperature, and the drop along a cable.

Metric cables follow the largest resistance that IEC 60228 allows; gauges follow their area and the resistivity of
annealed copper. Direct current only: no reactance, no skin effect.
"""

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

from dumpload.physics.ranges import above, within

Conductor = Literal["class_2_plain", "class_5_plain", "class_5_tinned"]

# Annealed copper at 20 degC: the International Annealed Copper Standard, 58 m per ohm and mm² (calculated rows of
# gauge tables agree within 0.2 %).
RESISTIVITY_OHM_MM2_PER_M = 1 / 58

# Rise of the resistance of annealed copper per kelvin, of its value at 20 degC (IACS). IEC 60228 rounds to 0.004.
COPPER_PER_K = 0.00393

MM2_PER_CIRCULAR_MIL = math.pi / 4 * 0.0254**2

# Largest resistance at 20 degC by nominal area in mm²: class 2 plain, class 5 plain, class 5 tinned.
#
# IEC 60228, as reprinted at mycableengineering.com/knowledge-base/iec-60228-dc-resistance (read).
LARGEST_OHM_PER_KM: Mapping[float, tuple[float, float, float]] = MappingProxyType(
    {
        0.5: (36.0, 39.0, 40.1),
        0.75: (24.5, 26.0, 26.7),
        1.0: (18.1, 19.5, 20.0),
        1.5: (12.1, 13.3, 13.7),
        2.5: (7.41, 7.98, 8.21),
        4.0: (4.61, 4.95, 5.09),
        6.0: (3.08, 3.30, 3.39),
        10.0: (1.83, 1.91, 1.95),
        16.0: (1.15, 1.21, 1.24),
        25.0: (0.727, 0.780, 0.795),
        35.0: (0.524, 0.554, 0.565),
        50.0: (0.387, 0.386, 0.393),
        70.0: (0.268, 0.272, 0.277),
        95.0: (0.193, 0.206, 0.210),
        120.0: (0.153, 0.161, 0.164),
        150.0: (0.124, 0.129, 0.132),
        185.0: (0.0991, 0.106, 0.108),
        240.0: (0.0754, 0.0801, 0.0817),
    }
)

_COLUMNS: tuple[Conductor, ...] = ("class_2_plain", "class_5_plain", "class_5_tinned")

# Gauges of cable sold for loads, thinnest first.
GAUGES = ("18", "16", "14", "12", "10", "8", "6", "4", "2", "1", "1/0", "2/0", "3/0", "4/0")

# Least area of boat cable by gauge, up to 12 % below that of the gauge itself (SAE areas, as reprinted by cable
# sellers: genuinedealz.com/voltage-drop-calculator and a reprint of "Table B: Conductor Sizes"; read).
BOAT_CABLE_CIRCULAR_MILS: Mapping[str, int] = MappingProxyType(
    {
        "18": 1537,
        "16": 2336,
        "14": 3702,
        "12": 5833,
        "10": 9343,
        "8": 14_810,
        "6": 24_538,
        "4": 37_360,
        "2": 62_450,
        "1": 77_790,
        "1/0": 98_980,
        "2/0": 125_100,
        "3/0": 158_600,
        "4/0": 205_500,
    }
)


def awg_diameter_mm(gauge: str) -> float:
    """Return d = 0.127 mm x 92^((36 - n) / 39), with n = 0, -1, -2, -3 for 1/0 to 4/0 (ASTM B258, from memory).

    Raises:
        ValueError: the gauge is not 4/0 to 1/0 or 1 to 36.
    """
    if gauge in ("1/0", "2/0", "3/0", "4/0"):
        number = 1 - int(gauge[0])
    elif gauge.isascii() and gauge.isdigit() and 1 <= int(gauge) <= 36:  # noqa: PLR2004  (what the formula starts from)
        number = int(gauge)
    else:
        msg = f"gauge = {gauge}: expected 4/0, 3/0, 2/0, 1/0 or 1 to 36"
        raise ValueError(msg)
    return float(0.127 * 92 ** ((36 - number) / 39))


def awg_area_mm2(gauge: str) -> float:
    """Return the area of a solid wire of this gauge: pi d² / 4.

    Raises:
        ValueError: as `awg_diameter_mm`.
    """
    return math.pi / 4 * awg_diameter_mm(gauge) ** 2


def boat_cable_area_mm2(gauge: str) -> float:
    """Return the least area of boat cable of this gauge.

    Raises:
        ValueError: boat cable is not made in it, or not listed.
    """
    if gauge not in BOAT_CABLE_CIRCULAR_MILS:
        msg = f"gauge = {gauge}: expected one of {', '.join(GAUGES)}"
        raise ValueError(msg)
    return BOAT_CABLE_CIRCULAR_MILS[gauge] * MM2_PER_CIRCULAR_MIL


def metric_ohm_per_km(area_mm2: float, conductor: Conductor) -> float:
    """Return the largest resistance at 20 degC that IEC 60228 allows the nominal area.

    Between two standard areas it is that of the smaller one; above the largest listed, that of the largest.

    Raises:
        ValueError: `area_mm2` is not within [0.5, 1000] mm².
    """
    within("area_mm2", area_mm2, min(LARGEST_OHM_PER_KM), 1000)
    column = _COLUMNS.index(conductor)
    return LARGEST_OHM_PER_KM[max(size for size in LARGEST_OHM_PER_KM if size <= area_mm2)][column]


def area_ohm_per_km(area_mm2: float) -> float:
    """Return the resistance of annealed copper of this very area at 20 degC, in ohm per km: 1000 / (58 A).

    Raises:
        ValueError: `area_mm2` is not within (0, 1000] mm².
    """
    return 1000 * RESISTIVITY_OHM_MM2_PER_M / above("area_mm2", area_mm2, 0, 1000)


def copper_factor(conductor_c: float) -> float:
    """Return the resistance at a temperature as a multiple of that at 20 degC: 1 + 0.00393 (t - 20).

    Raises:
        ValueError: `conductor_c` is not within [-50, 250] degC.
    """
    return 1 + COPPER_PER_K * (within("conductor_c", conductor_c, -50, 250) - 20)


def loop_ohm(ohm_per_km: float, length_m: float, conductor_c: float) -> float:
    """Return the resistance out and back of a cable of this length, one way: 2 L r k(t).

    Raises:
        ValueError: `ohm_per_km` is not within (0, 1e6], `length_m` not within [0, 10000] m, or the temperature as in
            `copper_factor`.
    """
    there_and_back_km = 2 * within("length_m", length_m, 0, 10_000) / 1000
    return there_and_back_km * above("ohm_per_km", ohm_per_km, 0, 1e6) * copper_factor(conductor_c)


def drop_v(current_a: float, resistance_ohm: float) -> float:
    """Return U = I R (Ohm's law).

    Raises:
        ValueError: `current_a` is not within [0, 1e9] A, or `resistance_ohm` not within [0, 1e6] ohm.
    """
    return within("current_a", current_a, 0, 1e9) * within("resistance_ohm", resistance_ohm, 0, 1e6)
