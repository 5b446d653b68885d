"""The bank: energy between states of charge, run time of a load, drift, and where a charger throttles.

Energy is capacity times nominal voltage; ageing, temperature and the rate of discharge are not in it.
"""

from itertools import pairwise

from dumpload.physics.ranges import above, within

SECONDS_PER_HOUR = 3600.0

# State of charge (0 to 1) and volts of one LiFePO4 cell at rest. Every row is a point of CLFP_Sony_US26650_OCV.csv in
# the package simses 1.3.12 (BSD-3-Clause, Technical University of Munich; read), chosen so that between them the file's
# 9,000 other points lie within 1.1 mV. One maker's cell, which others of this chemistry resemble but do not equal.
LIFEPO4_OCV = (
    (0.1, 3.1894), (0.1038, 3.1946), (0.1131, 3.2016), (0.1665, 3.2150), (0.1966, 3.2291), (0.2, 3.2307),
    (0.2582, 3.2543), (0.3, 3.2672), (0.3358, 3.2765), (0.4, 3.2897), (0.4279, 3.2950), (0.5, 3.2994), (0.6, 3.3031),
    (0.6915, 3.3080), (0.7, 3.3087), (0.7668, 3.3167), (0.8041, 3.3262), (0.8369, 3.3371), (0.8852, 3.3411),
    (0.9, 3.3417), (0.95, 3.3440), (0.9752, 3.3464), (0.98, 3.3479), (0.983, 3.3505), (0.9873, 3.3584),
    (0.99, 3.3686), (0.9903, 3.3702), (0.9924, 3.3850), (0.994, 3.4032), (0.995, 3.4189), (0.9953, 3.4242),
    (0.9965, 3.4500), (0.997, 3.4630), (0.9975, 3.4777), (0.998, 3.4943), (0.9984, 3.5093), (0.999, 3.5352),
    (0.9991, 3.5399), (0.9995, 3.5611), (0.9996, 3.5671), (0.9999, 3.5884), (1, 3.6000),
)  # fmt: skip

# Most that a LiFePO4 cell is charged to, constant voltage (a general note on LFP charging, m.tradetang.com; read).
LIFEPO4_MOST_V = 3.65


def energy_wh(capacity_ah: float, nominal_v: float, percent: float = 100.0) -> float:
    """Return E = Q V s / 100, the energy in a share (percent) of the bank.

    Raises:
        ValueError: `capacity_ah` is not within (0, 1e6] Ah, `nominal_v` not within (0, 1000] V, or `percent` not
            within [0, 100].
    """
    whole_wh = above("capacity_ah", capacity_ah, 0, 1e6) * above("nominal_v", nominal_v, 0, 1000)
    return whole_wh * within("percent", percent, 0, 100) / 100


def crossing_time_s(band_wh: float, net_w: float) -> float:
    """Return t = E / P, the time a net drain takes to use an energy.

    Raises:
        ValueError: `band_wh` is not within [0, 1e12] Wh, or `net_w` not within (0, 1e12] W.
    """
    return SECONDS_PER_HOUR * within("band_wh", band_wh, 0, 1e12) / above("net_w", net_w, 0, 1e12)


def shortest_cycle_s(band_wh: float, load_w: float) -> float:
    """Return 4 E / P, the shortest time of a fall through the band with the load on and a rise without it.

    With a surplus S they take E (1/S + 1/(P - S)), which is least at half the load's power.

    Raises:
        ValueError: as `crossing_time_s`.
    """
    return 4 * crossing_time_s(band_wh, load_w)


def counter_drift_percent(offset_a: float, capacity_ah: float, days: float = 1.0) -> float:
    """Return 100 I 24 d / Q: what a constant error of a counter's current adds up to between full charges.

    Raises:
        ValueError: `offset_a` is not within [0, 1000] A, `capacity_ah` not within (0, 1e6] Ah, or `days` not within
            [0, 3660].
    """
    lost_ah = within("offset_a", offset_a, 0, 1000) * 24 * within("days", days, 0, 3660)
    return 100 * lost_ah / above("capacity_ah", capacity_ah, 0, 1e6)


def reaction_energy_wh(load_w: float, reaction_s: float) -> float:
    """Return P t / 3600, the energy a load takes until it is off.

    Raises:
        ValueError: `load_w` is not within [0, 1e12] W, or `reaction_s` not within [0, 1e9] s.
    """
    return within("load_w", load_w, 0, 1e12) * within("reaction_s", reaction_s, 0, 1e9) / SECONDS_PER_HOUR


def lifepo4_rest_v(charge: float) -> float:
    """Return the voltage at rest of one cell, interpolated in `LIFEPO4_OCV`.

    Raises:
        ValueError: `charge` is not within [0.1, 1].
    """
    within("charge", charge, LIFEPO4_OCV[0][0], 1)
    (low, low_v), (high, high_v) = next(pair for pair in pairwise(LIFEPO4_OCV) if charge <= pair[1][0])
    return low_v + (high_v - low_v) * (charge - low) / (high - low)


def lifepo4_throttle_charge(charger_v: float, charge_a: float, bank_ohm: float, cells: int) -> float:
    """Return the state of charge (0 to 1) from which a charger holds its voltage and gives less than it could.

    It is where voltage at rest + I R reaches the charger's. The slow part of a cell's own resistance is not in it, so
    the charger may throttle somewhat earlier; within the model an answer of 1 means never before full.

    Raises:
        ValueError: `charger_v` is not within (0, 1000] V, `charge_a` not within [0, 1e5] A, `bank_ohm` not within
            [0, 1000] ohm, `cells` not within [1, 400], or the charger would throttle below 10 percent.
    """
    lost_v = within("charge_a", charge_a, 0, 1e5) * within("bank_ohm", bank_ohm, 0, 1000)
    cell_v = (above("charger_v", charger_v, 0, 1000) - lost_v) / within("cells", cells, 1, 400)
    if cell_v < LIFEPO4_OCV[0][1]:
        msg = f"charger_v = {charger_v:g}: expected enough to charge above 10 percent with {charge_a:g} A"
        raise ValueError(msg)
    for (low, low_v), (high, high_v) in pairwise(LIFEPO4_OCV):
        if cell_v <= high_v:
            return low + (high - low) * (cell_v - low_v) / (high_v - low_v)
    return 1.0
