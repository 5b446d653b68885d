"""Position of the sun and clear-sky irradiance, good enough to scale measurements, not to predict panel power.

Formulas: equation of time and declination as Fourier series (Spencer 1971), clear-sky irradiance on the level after
Haurwitz (1945); both also in pvlib, to which a test holds them.
"""

from typing import NamedTuple

import numpy as np

from dumpload.core.window import DAY_S
from dumpload.forecast.evidence import Floats

YEAR_DAYS = 365.2425


class SunAt(NamedTuple):
    """The sun at some moments: sine of its height, and hours from true noon."""

    height: Floats
    hours: Floats


def sun_at(unix_s: Floats, latitude_deg: float, longitude_deg: float) -> SunAt:
    """Return where the sun is at Unix times (s), seen from a place (degrees north and east)."""
    angle = 2.0 * np.pi * ((unix_s / DAY_S) % YEAR_DAYS) / YEAR_DAYS  # 1970 began on January 1
    declination = (
        0.006918 - 0.399912 * np.cos(angle) + 0.070257 * np.sin(angle) - 0.006758 * np.cos(2 * angle)
        + 0.000907 * np.sin(2 * angle) - 0.002697 * np.cos(3 * angle) + 0.00148 * np.sin(3 * angle)
    )  # fmt: skip
    late_min = 229.18 * (
        0.0000075 + 0.001868 * np.cos(angle) - 0.032077 * np.sin(angle) - 0.014615 * np.cos(2 * angle)
        - 0.040849 * np.sin(2 * angle)
    )  # fmt: skip
    hours = ((unix_s % DAY_S) / 3600.0 + longitude_deg / 15.0 + late_min / 60.0) % 24.0 - 12.0
    latitude, turned = np.radians(latitude_deg), np.radians(15.0 * hours)
    height = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(turned)
    return SunAt(height, hours)


def clear_sky(height: Floats) -> Floats:
    """Return the irradiance (W/m2) of a clear sky on the level, by the sine of the sun's height."""
    up = np.maximum(height, 1e-3)
    return np.where(height > 0.0, 1098.0 * up * np.exp(-0.057 / up), 0.0)
