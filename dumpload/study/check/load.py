"""The load on paper: resistance, current and power at each bus voltage, with the cable in series where it is known."""

from dumpload.physics.element import element_current_a, element_power_w
from dumpload.study.check import sources
from dumpload.study.check.facts import CABLE_RUN, ELEMENT, HIGHEST, cable_ohm, element_ohm, has, highest_w
from dumpload.study.check.figures import Number, State, num
from dumpload.study.check.lines import LOAD, Check, Danger, Known, Verdict, graded, informed

UNUSUAL, TOO_MUCH = 1.5, 2.0
"""Power at the highest bus voltage as a multiple of the plate's."""


def _at(key: str, known: Known) -> Verdict:
    volts, ohm = known[key], element_ohm(known)
    wired = has(known, CABLE_RUN)
    series_ohm = cable_ohm(known) if wired else 0.0
    current_a = element_current_a(volts, ohm, series_ohm)
    power_w = element_power_w(volts, ohm, series_ohm)
    with_cable = f"with {num(1000 * series_ohm)} mohm of cable" if wired else "cable not counted: its size is not known"
    figure = f"{num(power_w)} W, {num(current_a)} A at {volts:g} V ({with_cable})"
    return informed(figure, sources.OHM, Number("power", power_w, "W"), Number("current", current_a, "A"))


def _lowest(known: Known) -> Verdict:
    return _at("battery.lowest_v", known)


def _nominal(known: Known) -> Verdict:
    return _at("battery.nominal_v", known)


def _highest(known: Known) -> Verdict:
    return _at("battery.highest_v", known)


def _plate(known: Known) -> Verdict:
    ratio = highest_w(known) / known["load.rated_w"]
    state = graded(fails=ratio > TOO_MUCH, cautions=ratio > UNUSUAL)
    figure = (
        f"{num(highest_w(known))} W at {known['battery.highest_v']:g} V, {num(ratio)} times the plate "
        f"({known['load.rated_w']:g} W at {known['load.rated_v']:g} V, {num(element_ohm(known))} ohm)"
    )
    change = "Fit an element made for this bus voltage, or ask its maker in writing." if state != State.PASS else ""
    return Verdict(state, figure, f"caution above {UNUSUAL:g}, fail above {TOO_MUCH:g} times", sources.PLATE, change)


CHECKS = (
    Check(
        LOAD, "power-lowest", "power at the lowest bus voltage", Danger.SERVICE, (*ELEMENT, "battery.lowest_v"), _lowest
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
    Check(LOAD, "element-plate", "element against its plate", Danger.FIRE, HIGHEST, _plate),
)
