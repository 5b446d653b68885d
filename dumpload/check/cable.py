"""The cable and its fuse on paper: drop, ampacity, whether the fuse protects the cable, and where it is."""

from typing import NamedTuple

from dumpload.check import sources
from dumpload.check.facts import (
    CABLE_RUN,
    HIGHEST,
    SIZE,
    cable_area_mm2,
    cable_name,
    cable_ohm,
    element_ohm,
    has,
    highest_a,
    other_cables,
)
from dumpload.check.figures import NEVER, Grade, at_least, at_most, exceeds, least, most
from dumpload.check.sources import IEC_PVC, TABLE_5, Basis
from dumpload.check.table import CABLE, Check, Danger, Judgement, Known, informed, judged
from dumpload.physics.conductors import GAUGES, awg_area_mm2, drop_v
from dumpload.physics.element import element_current_a
from dumpload.physics.protection import (
    BARE_DISTANCE_M,
    CEILING_BELOW_50_V,
    CONTINUOUS,
    FUSES_A,
    SHEATHED_DISTANCE_M,
    ampacity_a,
    fuse_for_a,
    gauge_within,
    iec_ampacity_a,
    iec_row_mm2,
    largest_fuse_a,
)

# Percent. Limits for critical circuits and for all others (ABYC E-11, as quoted in reprints; read).
GOOD_DROP_PERCENT, MOST_DROP_PERCENT = 3.0, 10.0

LOW_VOLTAGE_V = 50.0

CARRIES = (SIZE, "wiring.insulation_c", "wiring.engine_space", "wiring.bundled")

US_BOAT = "us_boat"

RULES = (US_BOAT, "iec_b2", "iec_c")

TITLES = {
    US_BOAT: "US boats, 33 CFR 183",
    "iec_b2": "IEC 60364-5-52, PVC, method B2 (in conduit)",
    "iec_c": "IEC 60364-5-52, PVC, method C (on a surface)",
}

# What each set of rules is made for.
MADE_FOR = {US_BOAT: "boat", "iec_b2": "building", "iec_c": "building"}

NONE_IS_ENOUGH = "No standard size is enough: shorten the run, or split the load."


class TableRow(NamedTuple):
    """Amperes read from a table (0: it has no row so thin), the row, and whether no set of rules holds here."""

    amperes: float
    row: str
    source: Basis
    is_careful_choice: bool


def rules_in_force(known: Known) -> str | None:
    """Return the set of rules that holds here; None where none is set, or the one set is made for another place."""
    rules = known.get("installation.rules")
    fits = rules is not None and known.get("installation.place", MADE_FOR[rules]) == MADE_FOR[rules]
    return rules if fits else None


def ampacity(known: Known) -> TableRow:
    """Return what the cable may carry; where no known set of rules holds, the least that any of them allows it."""
    rules = rules_in_force(known)
    read = [_read(known, rule) for rule in (RULES if rules is None else (rules,))]
    return min(read, key=lambda rating: rating.amperes)._replace(is_careful_choice=rules is None)


def _read(known: Known, rules: str) -> TableRow:
    return _us_boat(known) if rules == US_BOAT else _iec(known, rules)


def _us_boat(known: Known) -> TableRow:
    gauge = known.get("wiring.gauge")
    if gauge is None:
        if known["wiring.area_mm2"] < awg_area_mm2(GAUGES[0]):
            return TableRow(0.0, "", TABLE_5, is_careful_choice=False)
        gauge = gauge_within(known["wiring.area_mm2"])
    insulation_c, space = known["wiring.insulation_c"], known["wiring.engine_space"]
    amperes = ampacity_a(gauge, insulation_c, known["wiring.bundled"], engine_space=space)
    return TableRow(amperes, f"row gauge {gauge}", TABLE_5, is_careful_choice=False)


def _iec(known: Known, rules: str) -> TableRow:
    row_mm2 = iec_row_mm2(cable_area_mm2(known))
    if row_mm2 is None:
        return TableRow(0.0, "", IEC_PVC, is_careful_choice=False)
    insulation_c, space = known["wiring.insulation_c"], known["wiring.engine_space"]
    amperes = iec_ampacity_a(rules, row_mm2, insulation_c, known["wiring.bundled"], engine_space=space)
    return TableRow(amperes, f"method {rules[4:].upper()}, row {row_mm2:g} mm2", IEC_PVC, is_careful_choice=False)


def drop_percent(known: Known) -> float:
    """Return the drop out and back at the highest bus voltage, in percent of it."""
    resistance_ohm = cable_ohm(known)
    current_a = element_current_a(known["battery.highest_v"], element_ohm(known), resistance_ohm)
    return 100 * drop_v(current_a, resistance_ohm) / float(known["battery.highest_v"])


def use_smallest_cable(known: Known) -> str:
    """Return the advice to use the thinnest standard size that passes for drop and, where known, for ampacity."""
    for other in other_cables(known):
        if not exceeds(drop_percent(other), GOOD_DROP_PERCENT) and _carries_enough(other):
            return f"Use {cable_name(other)} or more."
    return NONE_IS_ENOUGH


def _carries_enough(known: Known) -> bool:
    if not has(known, CARRIES):
        return True
    largest_a = largest_fuse_a(ampacity(known).amperes)
    return largest_a is not None and not exceeds(CONTINUOUS * highest_a(known), largest_a)


def _rules(known: Known) -> Judgement:
    place, rules = known["installation.place"], known.get("installation.rules")
    if rules is None:
        figure = f"none set for a {place}: cable and fuse are judged by the strictest of US boats and IEC, PVC"
        return informed(figure, sources.CODES, remark="Set installation.rules if one of the known sets applies to you.")
    figure = f"{TITLES[rules]}; it is installed in a {place}"
    if MADE_FOR[rules] == place:
        return informed(figure, sources.CODES)
    limit = f"rules for a {place}; those set are for a {MADE_FOR[rules]}, so the strictest of those known are used"
    change = "Ask which rules apply to you, and set or leave out installation.rules."
    return Judgement(Grade.CAUTION, figure, limit, sources.CODES, change)


def _drop(known: Known) -> Judgement:
    drop = most("drop", drop_percent(known), "%", GOOD_DROP_PERCENT, fails=MOST_DROP_PERCENT)
    volts = at_least(drop.value / 100 * known["battery.highest_v"])
    cable = f"2 x {known['wiring.length_m']:g} m of {cable_name(known)} at {known['wiring.conductor_c']:g} degC"
    figure = f"{{}}, {volts} V, over {cable}"
    limit = f"{{}}; above {MOST_DROP_PERCENT:g} % it fails"
    return judged(drop, sources.DROP, use_smallest_cable(known), figure=figure, limit=limit)


def _read_as(reading: TableRow) -> str:
    choice = ", the strictest of the known rules" if reading.is_careful_choice else ""
    return f"read at {reading.row}{choice}"


def _ampacity(known: Known) -> Judgement:
    reading, current_a = ampacity(known), highest_a(known)
    carries = least("ampacity", reading.amperes, "A", CONTINUOUS * current_a, fails=current_a)
    load = f"the load is {at_least(current_a)} A continuous"
    figure = f"{cable_name(known)} carries {{}} ({_read_as(reading)}); {load}"
    if not reading.amperes:
        figure = f"{cable_name(known)} is thinner than any row of the tables; {load}"
    change = "Use a thicker cable: a fuse of 125 % of the load must still protect it."
    if has(known, CABLE_RUN):
        change = f"{use_smallest_cable(known)} A fuse of 125 % of the load must still protect it."
    limit = f"{{}}, 125 % of the load; below {at_least(current_a)} A it fails"
    return judged(carries, reading.source, change, figure=figure, limit=limit)


def _fuse_for_load(known: Known) -> Judgement:
    current_a = highest_a(known)
    fuse = least("fuse", known["wiring.fuse_a"], "A", CONTINUOUS * current_a, fails=current_a, key="wiring.fuse_a")
    listed = not exceeds(CONTINUOUS * current_a, FUSES_A[-1])
    size = f"the next standard size is {fuse_for_a(current_a)} A" if listed else "no standard size listed here is"
    change = "Split the load: no standard fuse listed here is large enough."
    if listed:
        change = f"Fit {fuse_for_a(current_a)} A, if the cable carries that."
    figure = f"{{}}; the load is {at_least(current_a)} A continuous"
    return judged(fuse, sources.CONTINUOUS_LOAD, change, figure=figure, limit=f"{{}}, 125 %; {size}")


def _fuse_for_cable(known: Known) -> Judgement:
    reading = ampacity(known)
    fuse = most("fuse", known["wiring.fuse_a"], "A", reading.amperes, key="wiring.fuse_a")
    limit = f"{{}}, the cable's ampacity ({_read_as(reading)})"
    figure = f"{{}} on {cable_name(known)}"
    if not reading.amperes:
        figure, limit = f"{figure}, thinner than any row of the tables", "a cable that a table has a row for"
    elif _is_below_50_v(known) and rules_in_force(known) == US_BOAT:
        ceiling_a = at_most(CEILING_BELOW_50_V * reading.amperes)
        limit += f"; US boats below 50 V may by law go to {ceiling_a} A, 150 %"
    source = sources.FUSE_CEILING if reading.source is sources.TABLE_5 else reading.source
    return judged(fuse, source, _protecting_fuse(known, reading), figure=figure, limit=limit)


def _is_below_50_v(known: Known) -> bool:
    return bool(known.get("battery.highest_v", LOW_VOLTAGE_V) < LOW_VOLTAGE_V)


def _protecting_fuse(known: Known, reading: TableRow) -> str:
    largest_a = largest_fuse_a(reading.amperes)
    if largest_a is None:
        return "Fit a thicker cable: no fuse protects one as thin as this."
    if has(known, HIGHEST) and exceeds(CONTINUOUS * highest_a(known), largest_a):
        return f"Fit a thicker cable: at most {largest_a} A protects this one, and the load needs a larger fuse."
    return f"Fit a fuse of at most {largest_a} A, or a thicker cable."


def _distance(known: Known) -> Judgement:
    sheathed = known["wiring.fuse_sheathed"]
    limit_m = SHEATHED_DISTANCE_M if sheathed else BARE_DISTANCE_M
    is_law = rules_in_force(known) == US_BOAT
    distance = most(
        "distance",
        known["wiring.fuse_distance_m"],
        "m",
        limit_m,
        fails=limit_m if is_law else NEVER,
        key="wiring.fuse_distance_m",
    )
    limit = f"{{}} {'if sheathed all the way' if sheathed else 'if not sheathed'}"
    if not is_law:
        limit += "; the US boat rule, since your rules' figure is not known here"
    figure = f"{{}} of conductor from the battery, {'sheathed' if sheathed else 'not sheathed'}"
    change = "Move the fuse to the battery: nothing protects the conductor before it."
    return judged(distance, sources.FUSE_DISTANCE, change, figure=figure, limit=limit)


CHECKS = (
    Check(CABLE, "rules", "rules", Danger.SERVICE, ("installation.place",), _rules, keys=("installation.rules",)),
    Check(CABLE, "cable-drop", "drop along the cable", Danger.FIRE, (*HIGHEST, *CABLE_RUN), _drop, keys=CABLE_RUN),
    Check(CABLE, "cable-ampacity", "ampacity of the cable", Danger.FIRE, (*HIGHEST, *CARRIES), _ampacity, keys=CARRIES),
    Check(
        CABLE,
        "fuse-load",
        "fuse against the load",
        Danger.SERVICE,
        (*HIGHEST, "wiring.fuse_a"),
        _fuse_for_load,
        keys=("wiring.fuse_a",),
        safety=True,
    ),
    Check(
        CABLE,
        "fuse-cable",
        "fuse against the cable",
        Danger.FIRE,
        ("wiring.fuse_a", *CARRIES),
        _fuse_for_cable,
        safety=True,
    ),
    Check(
        CABLE,
        "fuse-distance",
        "distance of the fuse",
        Danger.FIRE,
        ("wiring.fuse_distance_m", "wiring.fuse_sheathed"),
        _distance,
    ),
)
