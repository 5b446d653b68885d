"""The load on paper: resistance, current and power at each bus voltage, with the cable in series where it is known."""

from dumpload.check import sources
from dumpload.check.facts import CABLE_RUN, ELEMENT, HIGHEST, element_ohm, has, highest_w, series_ohm
from dumpload.check.figures import Number, format_number, most
from dumpload.check.table import LOAD, Check, Danger, Judgement, Known, informed, judged
from dumpload.physics.element import element_current_a, element_power_w

# Power at the highest bus voltage as a multiple of the plate's.
UNUSUAL, TOO_MUCH = 1.5, 2.0


def _at(key: str, known: Known) -> Judgement:
    volts, ohm, cable_ohm = known[key], element_ohm(known), series_ohm(known)
    current_a = element_current_a(volts, ohm, cable_ohm)
    power_w = element_power_w(volts, ohm, cable_ohm)
    cable = f"with {format_number(1000 * cable_ohm)} mohm of cable"
    if not has(known, CABLE_RUN):
        cable = "cable not counted: its size is not known"
    figure = f"{format_number(power_w)} W, {format_number(current_a)} A at {volts:g} V ({cable})"
    return informed(figure, sources.OHM, Number("power", power_w, "W"), Number("current", current_a, "A"))


def _lowest(known: Known) -> Judgement:
    return _at("battery.lowest_v", known)


def _nominal(known: Known) -> Judgement:
    return _at("battery.nominal_v", known)


def _highest(known: Known) -> Judgement:
    return _at("battery.highest_v", known)


def _plate(known: Known) -> Judgement:
    ratio = most("power", highest_w(known) / known["load.rated_w"], "times", UNUSUAL, fails=TOO_MUCH)
    figure = (
        f"{format_number(highest_w(known))} W at {known['battery.highest_v']:g} V, {{}} the plate "
        f"({known['load.rated_w']:g} W at {known['load.rated_v']:g} V, {format_number(element_ohm(known))} ohm)"
    )
    change = "Fit an element made for this bus voltage, or ask its maker in writing."
    return judged(ratio, sources.PLATE, change, figure=figure, limit=f"{{}}; above {TOO_MUCH:g} it fails")


CHECKS = (
    Check(
        LOAD,
        "power-lowest",
        "power at the lowest bus voltage",
        Danger.SERVICE,
        (*ELEMENT, "battery.lowest_v"),
        _lowest,
    ),
    Check(
        LOAD,
        "power-nominal",
        "power at the nominal bus voltage",
        Danger.SERVICE,
        (*ELEMENT, "battery.nominal_v"),
        _nominal,
    ),
    Check(LOAD, "power-highest", "power at the highest bus voltage", Danger.SERVICE, HIGHEST, _highest),
    Check(LOAD, "element-plate", "element against its plate", Danger.FIRE, HIGHEST, _plate, keys=ELEMENT),
)
