"""What the cable may carry continuously: by the rules set, or by the most careful of those known."""

from typing import NamedTuple

from dumpload.check.facts import SIZE, cable_area_mm2
from dumpload.check.sources import IEC_PVC, TABLE_5, Basis
from dumpload.check.table import Known
from dumpload.physics.conductors import GAUGES, awg_area_mm2
from dumpload.physics.protection import ampacity_a, gauge_within, iec_ampacity_a, iec_row_mm2

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
    read = [_read(known, one) for one in (RULES if rules is None else (rules,))]
    return min(read, key=lambda one: one.amperes)._replace(is_careful_choice=rules is None)


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
