"""The bus on paper: panels and charger against everything on, and what the voltage permissive can and cannot see."""

import math

from dumpload.check import sources
from dumpload.check.facts import (
    HIGHEST,
    THROTTLE_MODEL,
    charge_a,
    charge_at_v,
    has,
    highest_a,
    highest_w,
    is_lifepo4,
    panels_w,
)
from dumpload.check.figures import NEVER, Grade, Number, at_least, at_most, format_number, least, most
from dumpload.check.table import BANK, Check, Danger, Judgement, Known, informed, judged
from dumpload.physics.bank import lifepo4_rest_v

# How near the charger's set point a voltage permissive must be to be evidence (common practice, no source).
SET_POINT_MARGIN = 0.01

# How far a cut-out must be from what the charger holds, against a voltage told to 0.01 V: the noise of that much, on a
# bus that floats exactly at the cut-out, cost a simulated year 38 to 62 % of its heat (ours, no other source).
FLOAT_MARGIN_V = 0.05

PERMISSIVE, CUT_OUT = "permissive.voltage_cut_in", "permissive.voltage_cut_out"


def _panels(known: Known) -> Judgement:
    panels = least("panels", panels_w(known), "W", highest_w(known), fails=NEVER)
    basis = "as seen" if "solar.most_w" in known else f"{known['solar.peak_w']:g} W rated"
    figure = f"at best {{}} ({basis}); the load takes {at_least(highest_w(known))} W"
    change = "The panels never carry this load alone: every run takes from the battery."
    return judged(panels, sources.PANELS, change, figure=figure, limit="{}, the load at the highest voltage")


def _balance(known: Known) -> Judgement:
    load_a, other_a = highest_a(known), known["battery.other_loads_a"]
    charger = least("charger", known["solar.charger_a"], "A", load_a + other_a, fails=NEVER, key="solar.charger_a")
    short_a = at_least(load_a + other_a - known["solar.charger_a"])
    figure = f"the charger gives {{}} at most; the load takes {at_least(load_a)} A, everything else {other_a:g} A"
    change = f"With everything on, the battery supplies {short_a} A even in full sun: run fewer loads at once."
    return judged(charger, sources.CURRENTS, change, figure=figure, limit="{}, everything on")


def _reach(known: Known) -> Judgement:
    asks_v = known[PERMISSIVE]
    charged_v = known.get("solar.absorption_v", known.get("battery.highest_v"))
    number = most("cut-in", asks_v, "V", charged_v, key=PERMISSIVE)
    of = "the charger's set point" if "solar.absorption_v" in known else "the highest bus voltage"
    change = f"Lower {PERMISSIVE}: this bus never reaches it, so the heater would never run."
    return judged(number, sources.SET_POINT, change, figure="starts only from {}", limit=f"{{}}, {of}")


def _float(known: Known) -> Judgement:
    asks_v, float_v = known[PERMISSIVE], known["solar.float_v"]
    apart = least("apart", abs(known[CUT_OUT] - float_v), "V", FLOAT_MARGIN_V, fails=NEVER)
    if apart.state is not Grade.PASS:
        figure = f"ends below {known[CUT_OUT]:g} V; the charger floats at {float_v:g} V"
        change = f"Noise alone would switch the heater: set {CUT_OUT} well below the float voltage, or above it."
        return judged(apart, sources.SET_POINT, change, figure=figure, limit="{} apart")
    if asks_v > float_v:
        figure = f"starts from {asks_v:g} V: while the charger fills the battery, not once it floats at {float_v:g} V"
    else:
        figure = f"starts from {asks_v:g} V, also while the charger floats at {float_v:g} V"
    return informed(figure, sources.SET_POINT, Number("cut-in", asks_v, "V"), Number("float", float_v, "V"))


def is_evidence(known: Known) -> bool:
    """Return whether the voltage permissive is within a margin of the charger's set point, but not beyond it."""
    if not has(known, (PERMISSIVE, "solar.absorption_v")):
        return False
    set_v = known["solar.absorption_v"]
    return bool((1 - SET_POINT_MARGIN) * set_v <= known[PERMISSIVE] <= set_v)


def _evidence(known: Known) -> Judgement:
    set_v, asks_v = known["solar.absorption_v"], known[PERMISSIVE]
    number = least("cut-in", asks_v, "V", (1 - SET_POINT_MARGIN) * set_v, fails=NEVER, key=PERMISSIVE)
    figure = f"starts from {{}}; the charger holds {set_v:g} V{_early(known)}"
    change = f"Set {PERMISSIVE} to {at_least(number.limit or 0.0)} to {at_most(set_v)} V: lower proves no surplus."
    return judged(number, sources.SET_POINT, change, figure=figure, limit="{}, within 1 % of the set point")


def _early(known: Known) -> str:
    """Return the charge at which the bus reaches the permissive's voltage in full sun, where that is known."""
    if not is_lifepo4(known) or not has(known, THROTTLE_MODEL):
        return ""
    percent = charge_at_v(known, known[PERMISSIVE])
    if percent is None:
        return "; in full sun the bus is that high below 10 % charge"
    return f"; in full sun ({format_number(charge_a(known))} A) the bus is that high from {at_most(percent)} % charge"


def _sag(known: Known) -> Judgement:
    asks_v, ends_v = known[PERMISSIVE], known[CUT_OUT]
    sag_v = highest_a(known) * known["battery.resistance_mohm"] / 1000
    sag = most("sag", sag_v, "V", asks_v - ends_v, fails=NEVER)
    figure = "switching the load on takes {} from the bus"
    falls = _falls_to_v(known)
    limit = "{}, between the voltage permissive's cut-in and cut-out"
    change = f"It would chatter: off, and on again after {known['control.min_off_s']:g} s. Set the two further apart."
    if sag.state is Grade.PASS and falls is not None and falls < ends_v:
        figure += f"; with everything on the charger is short, and the bus falls to {at_most(falls)} V"
        limit = f"{limit}, and at least {ends_v:g} V with everything on"
        return Judgement(
            Grade.CAUTION,
            figure.replace("{}", sag.text),
            limit.replace("{}", sag.limit_text),
            sources.SAG,
            change,
            (sag,),
        )
    return judged(sag, sources.SAG, change, figure=figure, limit=limit)


def _falls_to_v(known: Known) -> float | None:
    """Return where the bus settles if charger cannot carry everything; None if it can, or that is not known."""
    if not is_lifepo4(known) or not has(known, ("battery.cells", "solar.charger_a", "battery.other_loads_a")):
        return None
    short_a = highest_a(known) + known["battery.other_loads_a"] - known["solar.charger_a"]
    if short_a <= 0:
        return None
    rest_v = known["battery.cells"] * lifepo4_rest_v(max(0.1, known["control.cut_in_percent"] / 100))
    return float(rest_v - short_a * known["battery.resistance_mohm"] / 1000)


def _has_permissive(known: Known) -> bool:
    return PERMISSIVE in known


def _is_in_reach(known: Known) -> bool:
    """Return whether there is a voltage permissive that the charger's set point, where known, can satisfy."""
    return _has_permissive(known) and bool(known[PERMISSIVE] <= known.get("solar.absorption_v", math.inf))


CHECKS = (
    Check(
        BANK,
        "panels-load",
        "panels against the load",
        Danger.SERVICE,
        ("solar.peak_w or solar.most_w", *HIGHEST),
        _panels,
    ),
    Check(
        BANK,
        "bus-balance",
        "charger against everything on",
        Danger.SERVICE,
        ("solar.charger_a", "battery.other_loads_a", *HIGHEST),
        _balance,
    ),
    Check(
        BANK,
        "voltage-reach",
        "voltage permissive within reach",
        Danger.SERVICE,
        ("solar.absorption_v or battery.highest_v",),
        _reach,
        _has_permissive,
        keys=(PERMISSIVE,),
    ),
    Check(
        BANK,
        "voltage-evidence",
        "voltage permissive as evidence",
        Danger.SERVICE,
        ("solar.absorption_v",),
        _evidence,
        _is_in_reach,
        keys=(PERMISSIVE,),
    ),
    Check(
        BANK,
        "voltage-float",
        "voltage permissive and float",
        Danger.SERVICE,
        ("solar.float_v", CUT_OUT),
        _float,
        _is_in_reach,
        keys=(PERMISSIVE, CUT_OUT),
    ),
    Check(
        BANK,
        "voltage-sag",
        "sag at switch-on",
        Danger.SERVICE,
        ("battery.resistance_mohm", CUT_OUT, *HIGHEST),
        _sag,
        _has_permissive,
        keys=(PERMISSIVE, CUT_OUT),
    ),
)
