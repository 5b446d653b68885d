"""Current and power of a resistive element. Assumes the same resistance hot and cold, as heating alloys nearly have."""

from dumpload.physics.ranges import above, within

MAX_V = 1000.0
MAX_W = 1_000_000.0
MAX_OHM = 1_000_000.0


def element_resistance_ohm(rated_w: float, rated_v: float) -> float:
    """Return R = V² / P of the element's plate (Ohm's law).

    Raises:
        ValueError: `rated_w` is not within (0, 1e6] W, or `rated_v` not within (0, 1000] V.
    """
    return above("rated_v", rated_v, 0, MAX_V) ** 2 / above("rated_w", rated_w, 0, MAX_W)


def element_current_a(source_v: float, element_ohm: float, series_ohm: float = 0.0) -> float:
    """Return I = V / (R + Rs), with the resistance of the cable in series (Ohm's law).

    Raises:
        ValueError: `source_v` is not within [0, 1000] V, `element_ohm` not within (0, 1e6] ohm, or `series_ohm` not
            within [0, 1e6] ohm.
    """
    whole_ohm = above("element_ohm", element_ohm, 0, MAX_OHM) + within("series_ohm", series_ohm, 0, MAX_OHM)
    return within("source_v", source_v, 0, MAX_V) / whole_ohm


def element_power_w(source_v: float, element_ohm: float, series_ohm: float = 0.0) -> float:
    """Return P = I² R, the heat in the element itself; what the cable turns into heat is not in it.

    Raises:
        ValueError: as `element_current_a`.
    """
    return element_current_a(source_v, element_ohm, series_ohm) ** 2 * element_ohm
