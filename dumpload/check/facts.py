"""What follows from the settings and more than one check needs: the load at the highest voltage, the cable, the bank.

Everything is sized at the highest bus voltage and without the cable's own resistance, which is the larger current.
"""

from collections.abc import Iterator

from dumpload.check.table import EITHER, Known
from dumpload.physics.bank import energy_wh, lifepo4_throttle_charge
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

ELEMENT = ("load.rated_w", "load.rated_v")
HIGHEST = (*ELEMENT, "battery.highest_v")
SIZE = "wiring.area_mm2 or wiring.gauge"
CABLE_RUN = ("wiring.length_m", SIZE)
ENERGY = ("battery.capacity_ah", "battery.nominal_v")

# What the model of the charger needs, for LiFePO4.
THROTTLE_MODEL = (
    "battery.cells",
    "battery.nominal_v",
    "battery.highest_v",
    "battery.resistance_mohm",
    "solar.peak_w",
)

# Part of the panels' rated power that their system gives at best: 1 - 14.08 %, the default losses of PVWatts
# (computed with pvlib 0.16.1).
PANELS_GIVE = 0.859


def has(known: Known, needs: tuple[str, ...]) -> bool:
    """Return whether all of these are known."""
    return all(any(key in known for key in need.split(EITHER)) for need in needs)


def is_lifepo4(known: Known) -> bool:
    """Return whether the bank is known to be LiFePO4."""
    return bool(known.get("battery.chemistry") == "lifepo4")


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
    """Return the energy in this many percent of the bank."""
    return energy_wh(known["battery.capacity_ah"], known["battery.nominal_v"], percent)


def band_wh(known: Known) -> float:
    """Return the energy between cut-out and cut-in."""
    return bank_wh(known, known["control.cut_in_percent"] - known["control.cut_out_percent"])


def panels_w(known: Known) -> float:
    """Return what the panels really give at best: as seen, else rated less the usual losses; the charger may cap it."""
    best_w = float(known["solar.most_w"] if "solar.most_w" in known else PANELS_GIVE * known["solar.peak_w"])
    if has(known, ("solar.charger_a", "battery.highest_v")):
        best_w = min(best_w, known["solar.charger_a"] * known["battery.highest_v"])
    return best_w


def cable_name(known: Known) -> str:
    """Return the trade name of the cable's size."""
    gauge = known.get("wiring.gauge")
    if gauge is not None:
        return f"{gauge} AWG{' boat cable' if known['wiring.boat_cable'] else ''}"
    return f"{known['wiring.area_mm2']:g} mm2 {known['wiring.conductor'].replace('_', ' ')}"


def cable_area_mm2(known: Known) -> float:
    """Return the area of one conductor."""
    gauge = known.get("wiring.gauge")
    if gauge is None:
        return float(known["wiring.area_mm2"])
    return boat_cable_area_mm2(gauge) if known["wiring.boat_cable"] else awg_area_mm2(gauge)


def cable_ohm(known: Known) -> float:
    """Return the resistance of the cable, out and back, at the temperature set."""
    return loop_ohm(_ohm_per_km(known), known["wiring.length_m"], known["wiring.conductor_c"])


def series_ohm(known: Known) -> float:
    """Return the cable's resistance in series with the element; 0 where the cable is not known."""
    return cable_ohm(known) if has(known, CABLE_RUN) else 0.0


def _ohm_per_km(known: Known) -> float:
    area = cable_area_mm2(known)
    if "wiring.gauge" in known or area < min(LARGEST_OHM_PER_KM):
        return area_ohm_per_km(area)
    return metric_ohm_per_km(area, known["wiring.conductor"])


def other_cables(known: Known) -> Iterator[Known]:
    """Yield the installation with each standard size of the same kind of cable, thinnest first."""
    if "wiring.gauge" in known:
        yield from ({**known, "wiring.gauge": gauge} for gauge in GAUGES)
    else:
        yield from ({**known, "wiring.area_mm2": area} for area in sorted(LARGEST_OHM_PER_KM))


def set_point_v(known: Known) -> float:
    """Return the voltage the charger holds while it fills the bank: as set, else the highest of the bus."""
    return float(known.get("solar.absorption_v", known["battery.highest_v"]))


def charge_a(known: Known) -> float:
    """Return the largest charging current: that of the panels, or of the charger if it gives less."""
    panels_a = known["solar.peak_w"] / known["battery.nominal_v"]
    return float(min(panels_a, known.get("solar.charger_a", panels_a)))


def charge_at_v(known: Known, volts: float) -> float | None:
    """Return the percent of charge at which a LiFePO4 bus in full sun reaches a voltage; None outside the model."""
    bank_ohm = known["battery.resistance_mohm"] / 1000
    try:
        return 100 * lifepo4_throttle_charge(volts, charge_a(known), bank_ohm, known["battery.cells"])
    except ValueError:
        # Below the charge the model knows, or a voltage that no such bank has.
        return None


def throttle_percent(known: Known) -> float | None:
    """Return the state of charge from which the charger throttles: as set, else modelled for LiFePO4, else None."""
    if "battery.throttle_percent" in known:
        return float(known["battery.throttle_percent"])
    if not is_lifepo4(known) or not has(known, THROTTLE_MODEL):
        return None
    return charge_at_v(known, set_point_v(known))
