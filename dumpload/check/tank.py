"""What follows from the settings of the tank and more than one check of the water needs."""

import math

from dumpload.check.facts import element_ohm, has, series_ohm
from dumpload.check.table import Known
from dumpload.physics.element import element_power_w
from dumpload.physics.water import (
    BOILING_C,
    equilibrium_c,
    heat_capacity_j_k,
    heat_j,
    loss_w_k,
    time_to_s,
)

HEATED = ("tank.volume_l", "tank.target_c", "tank.cold_c")
LOSS = ("tank.loss_kwh_per_day", "tank.loss_difference_k", "tank.around_c")


def has_other_heater(known: Known) -> bool:
    """Return whether something else is known to heat this tank, too."""
    return known.get("tank.other_heat", "none") in {"mains", "engine"}


def stored_c(known: Known) -> float:
    """Return how hot surplus makes the water: the thermostat's target, or less if the permissive stops earlier."""
    return float(min(known["tank.target_c"], known.get("permissive.tank_cut_out_c", math.inf)))


def hottest_c(known: Known) -> float:
    """Return how hot the water gets in service: to the hotter thermostat's target, whatever the program does."""
    other_c = known.get("tank.other_c", 0.0) if has_other_heater(known) else 0.0
    return float(max(known["tank.target_c"], other_c))


def nominal_w(known: Known) -> float:
    """Return the element's power at the nominal bus voltage, with the cable in series where it is known."""
    return element_power_w(known["battery.nominal_v"], element_ohm(known), series_ohm(known))


def tank_loss_w_k(known: Known) -> float:
    """Return UA of the tank."""
    return loss_w_k(known["tank.loss_kwh_per_day"], known["tank.loss_difference_k"])


def heating_s(known: Known, watts: float, from_c: float, to_c: float) -> float:
    """Return how long this power takes; infinite if it never gets there. Without the loss, if that is not known."""
    if not has(known, LOSS):
        return heat_j(known["tank.volume_l"], from_c, to_c) / watts
    loss = tank_loss_w_k(known)
    end_c = equilibrium_c(watts, loss, known["tank.around_c"])
    return time_to_s(from_c, to_c, end_c, heat_capacity_j_k(known["tank.volume_l"], from_c, to_c), loss)


def boiling_s(known: Known, watts: float) -> float:
    """Return how long power that never stops takes from the thermostat's temperature until the tank boils."""
    return heating_s(known, watts, hottest_c(known), BOILING_C)
