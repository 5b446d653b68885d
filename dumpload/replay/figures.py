"""Figures derived from a replay: tanks of hot water and life of the contact. Formulas are those of `physics`."""

from typing import NamedTuple

from dumpload.config.model import Settings
from dumpload.config.to_core import controller_setup
from dumpload.core.freshness import MISSING, is_missing
from dumpload.physics.contacts import contact_life_years
from dumpload.physics.element import element_resistance_ohm
from dumpload.physics.water import heat_j
from dumpload.replay.replayer import Scenario
from dumpload.replay.totals import LoadRating, Summary

# Water from a tank or a main in a temperate climate, where it is not configured (common practice, no source).
USUAL_COLD_C = 10.0

# Electrical endurance of a power relay at its rated load, where it is not configured (common practice, no source).
USUAL_OPERATIONS = 100_000.0

# Mixed for washing (common practice, no source).
SHOWER_C = 40.0

_JOULES_PER_WH = 3600.0


class Derived(NamedTuple):
    """How often the energy heats the tank (NaN: no tank, or no energy known), and the life of a contact in years.

    `cold_c`, `target_c`, `volume_l`: what was heated. `operations`: what the contact was taken to be good for.
    `litres`: what it makes of water at 40 degC. `capacity_wh`: what the battery holds. `throttle_percent`: the charge
    from which the charger is taken to throttle. NaN: not known.
    """

    hot_tanks: float
    volume_l: float
    cold_c: float
    target_c: float
    operations: float
    contact_life_years: float
    litres: float
    capacity_wh: float
    throttle_percent: float


def scenario(settings: Settings, *, judge_contact: bool = False) -> Scenario:
    """Return the scenario of these settings."""
    load = settings.load
    rated_w = MISSING if load.rated_w is None else load.rated_w
    known = load.rated_w is not None and load.rated_v is not None
    ohm = element_resistance_ohm(load.rated_w, load.rated_v) if known else MISSING  # type: ignore[arg-type]
    return Scenario(controller_setup(settings), LoadRating(rated_w, ohm), judge_contact, throttle_percent(settings))


def throttle_percent(settings: Settings) -> float:
    """Return the charge from which the charger is taken to throttle: as configured, else the cut-in."""
    seen = settings.battery.throttle_percent
    return settings.control.cut_in_percent if seen is None else seen


def capacity_wh(settings: Settings) -> float:
    """Return the battery's capacity, Wh; NaN where not configured."""
    battery = settings.battery
    if battery.capacity_ah is None or battery.nominal_v is None:
        return MISSING
    return battery.capacity_ah * battery.nominal_v


def litres_at_40(energy_wh: float, cold_c: float) -> float:
    """Return how many litres of water at 40 degC this heat makes of cold water: energy over rho c (40 - cold)."""
    return energy_wh * _JOULES_PER_WH / heat_j(1.0, cold_c, SHOWER_C) if cold_c < SHOWER_C else MISSING


def figures(settings: Settings, summary: Summary) -> Derived:
    """Return the figures derived from a summary for this installation."""
    tank = settings.tank
    cold_c = USUAL_COLD_C if tank.cold_c is None else tank.cold_c
    volume_l = MISSING if tank.volume_l is None else tank.volume_l
    target_c = MISSING if tank.target_c is None else tank.target_c
    tanks = MISSING
    if not is_missing(volume_l) and target_c > cold_c and not is_missing(summary.energy_wh):
        tanks = summary.energy_wh * _JOULES_PER_WH / heat_j(volume_l, cold_c, target_c)
    operations = settings.contact.operations or USUAL_OPERATIONS
    per_day = summary.switch_ons_per_day
    years = contact_life_years(operations, per_day) if per_day > 0 else MISSING
    litres = litres_at_40(summary.energy_wh, cold_c)
    known = (capacity_wh(settings), throttle_percent(settings))
    return Derived(tanks, volume_l, cold_c, target_c, operations, years, litres, *known)


def energy_source(summary: Summary) -> str | None:
    """Return the main source of the energy figure: "measured", "voltage", "rating", or None."""
    parts = {"measured": summary.measured, "voltage": summary.by_voltage, "rating": summary.by_rating}
    source = max(parts, key=lambda name: parts[name].seconds)
    return source if parts[source].seconds else None
