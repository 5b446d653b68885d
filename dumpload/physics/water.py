"""Water and the tank it is in: density, heat, standing loss, mixing, expansion.

The tank is one well-mixed lump, as a tank heated from below nearly is while it heats. Fresh water near atmospheric
pressure, from 0 to 100 degC.
"""

import math

from dumpload.physics.ranges import above, within

_DENSITY = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
_DENSITY_BELOW = 16.879850e-3
_SCALE_OF_1968 = 1.00024
_HEAT = (4219.30186, -3.35178137, 0.112319552, -2.05434891e-3, 2.29173592e-5, -1.37876402e-7, 3.49819243e-10)

ATMOSPHERE_BAR = 1.01325

# J/kg at 100 degC (IAPWS-95, computed with the package iapws 1.5.5).
EVAPORATION_J_KG = 2_256_470.0

BOILING_C = 100.0


def _celsius(name: str, value: float) -> float:
    return within(name, value, 0, 100)


def density_kg_m3(water_c: float) -> float:
    """Return the density of water (Kell 1975, on the temperature scale of 1990).

    Coefficients as reprinted at vividexamples.com/water-density-calculator (read). Within 0.01 kg/m³ of IAPWS-95.

    Raises:
        ValueError: `water_c` is not within [0, 100] degC.
    """
    t = _SCALE_OF_1968 * _celsius("water_c", water_c)
    return sum(factor * t**power for power, factor in enumerate(_DENSITY)) / (1 + _DENSITY_BELOW * t)


# J/(kg K) against degC: a polynomial fitted to IAPWS-95 (computed with the package iapws 1.5.5) at 101.325 kPa, within
# 0.2 J/(kg K). Only its integral is needed.
def _heat_j_kg(water_c: float) -> float:
    return sum(factor * water_c ** (power + 1) / (power + 1) for power, factor in enumerate(_HEAT))


def heat_j(volume_l: float, cold_c: float, hot_c: float) -> float:
    """Return the heat that takes a tank, filled cold, from one temperature to the other: rho(cold) V times integral cp.

    About 1.163 Wh per litre and kelvin. Negative when it cools.

    Raises:
        ValueError: `volume_l` is not within [0, 1e9] l, or a temperature not within [0, 100] degC.
    """
    mass_kg = within("volume_l", volume_l, 0, 1e9) / 1000 * density_kg_m3(cold_c)
    return mass_kg * (_heat_j_kg(_celsius("hot_c", hot_c)) - _heat_j_kg(cold_c))


def heat_capacity_j_k(volume_l: float, cold_c: float, hot_c: float) -> float:
    """Return the mean heat capacity of that tank between two temperatures.

    Raises:
        ValueError: as `heat_j`, or the temperatures are equal.
    """
    if cold_c == hot_c:
        msg = f"hot_c = {hot_c:g}: expected other than cold_c"
        raise ValueError(msg)
    return heat_j(volume_l, cold_c, hot_c) / (hot_c - cold_c)


def equilibrium_c(heater_w: float, loss_w_k: float, ambient_c: float) -> float:
    """Return where a heater that never stops takes a tank: Ta + P / UA. Above 100 degC it boils instead.

    Raises:
        ValueError: `heater_w` is not within [0, 1e12] W, `loss_w_k` not within (0, 1e4] W/K, or `ambient_c` not within
            [-50, 100] degC.
    """
    rise_k = within("heater_w", heater_w, 0, 1e12) / above("loss_w_k", loss_w_k, 0, 1e4)
    return within("ambient_c", ambient_c, -50, 100) + rise_k


def steam_kg_h(heater_w: float) -> float:
    """Return the steam that a heater makes of boiling water (kg/h): what a relief valve must be able to let out.

    Raises:
        ValueError: `heater_w` is not within [0, 1e12] W.
    """
    return within("heater_w", heater_w, 0, 1e12) * 3600 / EVAPORATION_J_KG


def time_to_s(start_c: float, target_c: float, end_c: float, capacity_j_k: float, loss_w_k: float) -> float:
    """Return how long the tank takes to a temperature: (C / UA) ln((Te - T0) / (Te - T)); infinite if never.

    For cooling, `end_c` is the temperature around the tank.

    Raises:
        ValueError: `capacity_j_k` is not within (0, 1e12] J/K, or `loss_w_k` not within (0, 1e4] W/K.
    """
    constant_s = above("capacity_j_k", capacity_j_k, 0, 1e12) / above("loss_w_k", loss_w_k, 0, 1e4)
    if start_c == target_c:
        return 0.0
    remains = (end_c - start_c) / (end_c - target_c) if end_c != target_c else -1.0
    return constant_s * math.log(remains) if remains >= 1 else math.inf


def loss_w_k(loss_kwh_per_day: float, difference_k: float) -> float:
    """Return UA of a tank from its plate: the loss of a day at a difference of temperature.

    Raises:
        ValueError: `loss_kwh_per_day` is not within [0, 1000] kWh, or `difference_k` not within (0, 100] K.
    """
    loss_w = within("loss_kwh_per_day", loss_kwh_per_day, 0, 1000) * 1000 / 24
    return loss_w / above("difference_k", difference_k, 0, 100)


def mixed_l(volume_l: float, hot_c: float, cold_c: float, mixed_c: float = 40.0) -> float:
    """Return the litres of mixed water in a tank: V (Th - Tc) / (Tm - Tc). None are gained below `mixed_c`: 0 then.

    Raises:
        ValueError: `volume_l` is not within [0, 1e9] l, a temperature not within [0, 100] degC, or `mixed_c` not above
            `cold_c`.
    """
    above("mixed_c", mixed_c, _celsius("cold_c", cold_c), 100)
    if _celsius("hot_c", hot_c) < mixed_c:
        return 0.0
    return within("volume_l", volume_l, 0, 1e9) * (hot_c - cold_c) / (mixed_c - cold_c)


def expansion_l(volume_l: float, cold_c: float, hot_c: float) -> float:
    """Return by how much the water of a full tank grows: V (rho(cold) / rho(hot) - 1).

    Raises:
        ValueError: `volume_l` is not within [0, 1e9] l, or a temperature not within [0, 100] degC.
    """
    return within("volume_l", volume_l, 0, 1e9) * (density_kg_m3(cold_c) / density_kg_m3(hot_c) - 1)


def vessel_l(growth_l: float, supply_bar: float, most_bar: float) -> float:
    """Return the expansion vessel (l) that takes a growth between two gauge pressures: dV / (1 - (p0 + 1) / (p1 + 1)).

    Boyle's law, with the vessel charged to the supply's pressure; plumbers' tables do the same (plumbrevise.co.uk,
    "Expansion Vessel Sizing"; read).

    Raises:
        ValueError: `growth_l` is not within [0, 1e9] l, or not 0 <= `supply_bar` < `most_bar` <= 100.
    """
    above("most_bar", most_bar, within("supply_bar", supply_bar, 0, 100), 100)
    accepts = 1 - (supply_bar + ATMOSPHERE_BAR) / (most_bar + ATMOSPHERE_BAR)
    return within("growth_l", growth_l, 0, 1e6) / accepts
