"""Relay contacts and their drive: endurance, coil, transistor, clamp.

Whether a contact can break a direct current at all is the maker's to say, never a formula's: the arc of a direct
current has no zero crossing to go out at.
"""

import math

from dumpload.physics.ranges import above, within

DAYS_PER_YEAR = 365.25
SECONDS_PER_DAY = 86_400.0

# Base to emitter of a silicon transistor that conducts, and a diode's forward voltage (common practice, no source).
BASE_V = 0.7

# Base current as a multiple of what the least gain asks, so that the transistor saturates (common practice).
OVERDRIVE = 2.0

# Pull-in voltage of a coil 60 K warmer, as a multiple: copper rises by 0.00393 per K, 1.236 at 60 K (IACS).
HOT_COIL = 1.25

# Forward voltage of an opto-coupler's LED (common practice, no source).
LED_V = 1.2

# Part of its rated voltage at which a DC relay must have let go (relay maker's glossary, omron-ap.com; read).
RELEASE_PART = 0.1


def most_operations_per_day(least_on_s: float, least_off_s: float) -> float:
    """Return the most operations a day that two dwells allow: 86400 / (on + off); infinite without dwells.

    Raises:
        ValueError: a dwell is not within [0, 1e7] s.
    """
    cycle_s = within("least_on_s", least_on_s, 0, 1e7) + within("least_off_s", least_off_s, 0, 1e7)
    return SECONDS_PER_DAY / cycle_s if cycle_s else math.inf


def contact_life_years(operations: float, per_day: float) -> float:
    """Return N / (n x 365.25) of a rated electrical endurance, which counts only at the load it was rated for.

    Raises:
        ValueError: `operations` is not within [0, 1e10], or `per_day` not within (0, 1e6].
    """
    rated = within("operations", operations, 0, 1e10)
    return rated / (above("per_day", per_day, 0, 1e6) * DAYS_PER_YEAR)


def coil_current_a(coil_v: float, coil_ohm: float) -> float:
    """Return I = V / R of a coil that has settled.

    Raises:
        ValueError: `coil_v` is not within [0, 1000] V, or `coil_ohm` not within (0, 1e6] ohm.
    """
    return within("coil_v", coil_v, 0, 1000) / above("coil_ohm", coil_ohm, 0, 1e6)


def base_current_a(pin_v: float, base_ohm: float, pull_down_ohm: float = math.inf) -> float:
    """Return the base current: (V - 0.7) / Rb - 0.7 / Rpd, with the pull-down from base to ground.

    Raises:
        ValueError: `pin_v` is not within [0, 50] V, or a resistor is not above 0.
    """
    above("pull_down_ohm", pull_down_ohm, 0, math.inf)
    into_a = max(0.0, within("pin_v", pin_v, 0, 50) - BASE_V) / above("base_ohm", base_ohm, 0, 1e9)
    return max(0.0, into_a - BASE_V / pull_down_ohm)


def divided_v(pin_v: float, series_ohm: float, pull_down_ohm: float = math.inf) -> float:
    """Return the gate voltage behind a resistor, with a pull-down: V Rpd / (R + Rpd).

    Raises:
        ValueError: `pin_v` is not within [0, 50] V, or a resistor is not above 0.
    """
    within("pin_v", pin_v, 0, 50)
    above("series_ohm", series_ohm, 0, 1e9)
    return pin_v / (1 + series_ohm / above("pull_down_ohm", pull_down_ohm, 0, math.inf))


def pin_current_a(pin_v: float, series_ohm: float, held_v: float) -> float:
    """Return a pin's current into a resistor whose other end is at a fixed voltage: (V - Vh) / R, never below 0.

    `held_v` is 0.7 V for a base, and 0 V for a gate that has yet to charge.

    Raises:
        ValueError: a voltage is not within [0, 50] V, or `series_ohm` not within (0, 1e9] ohm.
    """
    across_v = within("pin_v", pin_v, 0, 50) - within("held_v", held_v, 0, 50)
    return max(0.0, across_v) / above("series_ohm", series_ohm, 0, 1e9)


def largest_base_ohm(pin_v: float, coil_a: float, least_gain: float, pull_down_ohm: float = math.inf) -> float:
    """Return the base resistor that still saturates the transistor: (V - 0.7) / (2 Ic / h + 0.7 / Rpd).

    Raises:
        ValueError: `pin_v` is not within (0.7, 50] V, `coil_a` not within (0, 1e5] A, `least_gain` not within
            [1, 1e6], or `pull_down_ohm` not above 0.
    """
    above("pull_down_ohm", pull_down_ohm, 0, math.inf)
    wanted_a = OVERDRIVE * above("coil_a", coil_a, 0, 1e5) / within("least_gain", least_gain, 1, 1e6)
    return (above("pin_v", pin_v, BASE_V, 50) - BASE_V) / (wanted_a + BASE_V / pull_down_ohm)


def release_time_s(henry: float, coil_ohm: float, coil_v: float, clamp_v: float, part: float = RELEASE_PART) -> float:
    """Return how long the coil's current takes to fall to a part of its value, against a clamp of constant voltage.

    t = (L / R) ln((V + Vc) / (p V + Vc)): 0.7 V is a plain diode, more is faster. The coil's inductance is taken as
    constant; the armature's own travel is not in it.

    Raises:
        ValueError: `henry` is not within [0, 1000] H, `coil_ohm` not within (0, 1e6] ohm, `coil_v` not within
            (0, 1000] V, `clamp_v` not within [0, 10000] V, or `part` not within (0, 1].
    """
    above("coil_v", coil_v, 0, 1000)
    within("clamp_v", clamp_v, 0, 10_000)
    constant_s = within("henry", henry, 0, 1000) / above("coil_ohm", coil_ohm, 0, 1e6)
    return constant_s * math.log((coil_v + clamp_v) / (above("part", part, 0, 1) * coil_v + clamp_v))
