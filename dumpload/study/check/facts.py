"""What follows from the settings and more than one check needs: the load at the highest voltage, and the cable.

Everything is sized at the highest bus voltage and without the cable's own resistance, which is the larger current.
"""

from collections.abc import Iterator

from dumpload.physics.bank import CELL_V, energy_wh, lifepo4_throttle_charge
from dumpload.physics.conductors import (
    GAUGES,
    LARGEST_OHM_PER_KM,
    area_ohm_per_km,
    awg_area_mm2,
    boat_cable_area_mm2,
    loop_ohm,
    metric_ohm_per_km,
)
from dumpload.physics.element import element_current_a, element_power_w, element_resistance_ohm
from dumpload.physics.protection import ampacity_a, gauge_within
from dumpload.study.check.lines import Known

ELEMENT = ("load.rated_w", "load.rated_v")
HIGHEST = (*ELEMENT, "battery.highest_v")
SIZE = "wiring.area_mm2 or wiring.gauge"
CABLE_RUN = ("wiring.length_m", SIZE)
CARRIES = (SIZE, "wiring.insulation_c", "wiring.engine_space", "wiring.bundled")
ENERGY = ("battery.capacity_ah", "battery.nominal_v")


def has(known: Known, needs: tuple[str, ...]) -> bool:
    """Return whether all of these are known."""
    return all(any(key in known for key in need.split(" or ")) for need in needs)


def element_ohm(known: Known) -> float:
    """Return the element's resistance."""
    return element_resistance_ohm(known["load.rated_w"], known["load.rated_v"])


def highest_a(known: Known) -> float:
    """Return the load's current at the highest bus voltage, without any cable."""
    return element_current_a(known["battery.highest_v"], element_ohm(known))


def highest_w(known: Known) -> float:
    """Return the load's power at the highest bus voltage, without any cable."""
    return element_power_w(known["battery.highest_v"], element_ohm(known))


def bank_wh(known: Known, percent: float = 100.0) -> float:
    """Return the energy in so many percent of the bank."""
    return energy_wh(known["battery.capacity_ah"], known["battery.nominal_v"], percent)


def band_wh(known: Known) -> float:
    """Return the energy between cut-out and cut-in."""
    return bank_wh(known, known["control.cut_in_percent"] - known["control.cut_out_percent"])


def cable_name(known: Known) -> str:
    """Return how a person would call the cable."""
    gauge = known.get("wiring.gauge")
    if gauge is not None:
        return f"{gauge} AWG{' boat cable' if known['wiring.boat_cable'] else ''}"
    return f"{known['wiring.area_mm2']:g} mm2 {known['wiring.conductor'].replace('_', ' ')}"


def cable_ohm(known: Known) -> float:
    """Return the resistance of the cable, out and back, at the temperature set."""
    return loop_ohm(_ohm_per_km(known), known["wiring.length_m"], known["wiring.conductor_c"])


def _ohm_per_km(known: Known) -> float:
    gauge = known.get("wiring.gauge")
    if gauge is not None:
        area = boat_cable_area_mm2(gauge) if known["wiring.boat_cable"] else awg_area_mm2(gauge)
        return area_ohm_per_km(area)
    area = known["wiring.area_mm2"]
    if area < min(LARGEST_OHM_PER_KM):
        return area_ohm_per_km(area)
    return metric_ohm_per_km(area, known["wiring.conductor"])


def cable_carries_a(known: Known) -> float:
    """Return what the cable may carry on and on; 0 below the thinnest gauge that has a figure."""
    gauge = known.get("wiring.gauge")
    if gauge is None:
        area = known["wiring.area_mm2"]
        if area < awg_area_mm2(GAUGES[0]):
            return 0.0
        gauge = gauge_within(area)
    space = known["wiring.engine_space"]
    return ampacity_a(gauge, known["wiring.insulation_c"], known["wiring.bundled"], engine_space=space)


def other_cables(known: Known) -> Iterator[Known]:
    """Yield the installation with each standard size of the same kind of cable, thinnest first."""
    if "wiring.gauge" in known:
        yield from ({**known, "wiring.gauge": gauge} for gauge in GAUGES)
    else:
        yield from ({**known, "wiring.area_mm2": area} for area in sorted(LARGEST_OHM_PER_KM))


def throttle_percent(known: Known) -> float | None:
    """Return the state of charge from which the charger throttles: as set, else modelled for LiFePO4, else None."""
    if "battery.throttle_percent" in known:
        return float(known["battery.throttle_percent"])
    if known.get("battery.chemistry") != "lifepo4" or not has(known, THROTTLE_MODEL):
        return None
    nominal_v = known["battery.nominal_v"]
    charge_a = known["solar.peak_w"] / nominal_v
    bank_ohm = known["battery.resistance_mohm"] / 1000
    return 100 * lifepo4_throttle_charge(known["battery.highest_v"], charge_a, bank_ohm, round(nominal_v / CELL_V))


THROTTLE_MODEL = ("battery.nominal_v", "battery.highest_v", "battery.resistance_mohm", "solar.peak_w")
"""What the model of the charger needs, for LiFePO4."""
