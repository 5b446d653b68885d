"""The cable and its fuse on paper: drop, what the cable carries, and whether the fuse protects it."""

from dumpload.physics.conductors import drop_v
from dumpload.physics.element import element_current_a
from dumpload.physics.protection import (
    BARE_DISTANCE_M,
    CEILING_BELOW_50_V,
    CONTINUOUS,
    FUSES_A,
    SHEATHED_DISTANCE_M,
    fuse_for_a,
    largest_fuse_a,
    short_circuit_a,
)
from dumpload.study.check import sources
from dumpload.study.check.facts import (
    CABLE_RUN,
    CARRIES,
    HIGHEST,
    SIZE,
    cable_carries_a,
    cable_name,
    cable_ohm,
    element_ohm,
    has,
    highest_a,
    other_cables,
)
from dumpload.study.check.figures import State, num, over
from dumpload.study.check.lines import CABLE, Check, Danger, Known, Verdict, asked, graded

GOOD_DROP_PERCENT, MOST_DROP_PERCENT = 3.0, 10.0
"""Limits for critical circuits and for all others (ABYC E-11, as quoted in reprints; read)."""

SURE_BLOW, HARDLY_BLOWS = 5.0, 2.0
"""Short-circuit current as a multiple of the fuse, below which it blows late, or perhaps never."""

LOW_VOLTAGE_V = 50.0


def drop_percent(known: Known) -> float:
    """Return the drop out and back at the highest bus voltage, in percent of it."""
    resistance_ohm = cable_ohm(known)
    current_a = element_current_a(known["battery.highest_v"], element_ohm(known), resistance_ohm)
    return 100 * drop_v(current_a, resistance_ohm) / float(known["battery.highest_v"])


def smallest_cable(known: Known) -> str:
    """Return the thinnest standard size that passes for drop and, where that is known, for what it carries."""
    for other in other_cables(known):
        if drop_percent(other) <= GOOD_DROP_PERCENT and _carries_enough(other):
            return f"{cable_name(other)} or more"
    return "no standard size is enough: shorten the run, or split the load"


def _carries_enough(known: Known) -> bool:
    if not has(known, CARRIES):
        return True
    largest_a = largest_fuse_a(cable_carries_a(known))
    return largest_a is not None and not over(CONTINUOUS * highest_a(known), largest_a)


def _drop(known: Known) -> Verdict:
    percent = drop_percent(known)
    state = graded(fails=percent > MOST_DROP_PERCENT, cautions=percent > GOOD_DROP_PERCENT)
    volts = num(percent / 100 * known["battery.highest_v"])
    cable = f"2 x {known['wiring.length_m']:g} m of {cable_name(known)} at {known['wiring.conductor_c']:g} degC"
    figure = f"{num(percent)} %, {volts} V, over {cable}"
    change = "" if state == State.PASS else f"Use {smallest_cable(known)}."
    return Verdict(state, figure, "3 % good, 10 % at most", sources.DROP, change)


def _ampacity(known: Known) -> Verdict:
    carries_a, current_a = cable_carries_a(known), highest_a(known)
    state = graded(fails=over(current_a, carries_a), cautions=over(CONTINUOUS * current_a, carries_a))
    figure = f"carries {num(carries_a)} A ({cable_name(known)}); the load is {num(current_a)} A"
    change = ""
    if state != State.PASS:
        wanted = smallest_cable(known) if has(known, CABLE_RUN) else "a thicker cable"
        change = f"Use {wanted}: a fuse of 125 % must still protect it."
    return Verdict(
        state, figure, f"at least {num(CONTINUOUS * current_a)} A, 125 % of the load", sources.TABLE_5, change
    )


def _fuse_for_load(known: Known) -> Verdict:
    fuse_a, current_a = known["wiring.fuse_a"], highest_a(known)
    state = graded(fails=over(current_a, fuse_a), cautions=over(CONTINUOUS * current_a, fuse_a))
    figure = f"{fuse_a:g} A; the load is {num(current_a)} A on and on"
    next_size = f"{fuse_for_a(current_a)} A" if CONTINUOUS * current_a <= FUSES_A[-1] else "none listed: split the load"
    change = "" if state == State.PASS else f"Fit the next standard size, {next_size}, if the cable allows it."
    limit = f"at least {num(CONTINUOUS * current_a)} A; next standard size {next_size}"
    return Verdict(state, figure, limit, sources.CONTINUOUS_LOAD, change)


def _fuse_for_cable(known: Known) -> Verdict:
    fuse_a, carries_a = known["wiring.fuse_a"], cable_carries_a(known)
    good = not over(fuse_a, carries_a)
    change = ""
    if not good:
        largest = largest_fuse_a(carries_a)
        fits = "no fuse protects this cable" if largest is None else f"at most {largest} A protects this cable"
        change = f"{fits[0].upper()}{fits[1:]}: fit that, or a thicker cable, whichever carries the load."
    figure = f"{fuse_a:g} A on a cable that carries {num(carries_a)} A"
    limit = f"at most {num(carries_a)} A"
    if known.get("battery.nominal_v", 0) < LOW_VOLTAGE_V:
        limit += f" (US boats below 50 V may by law go to {num(CEILING_BELOW_50_V * carries_a)} A, 150 %)"
    return Verdict(graded(fails=not good), figure, limit, sources.FUSE_CEILING, change)


def _distance(known: Known) -> Verdict:
    distance_m, sheathed = known["wiring.fuse_distance_m"], known["wiring.fuse_sheathed"]
    most_m = SHEATHED_DISTANCE_M if sheathed else BARE_DISTANCE_M
    return asked(
        good=not over(distance_m, most_m),
        figure=f"{distance_m:g} m from the battery, {'sheathed' if sheathed else 'not sheathed'}",
        limit=f"at most {BARE_DISTANCE_M:.4g} m, {SHEATHED_DISTANCE_M:.4g} m if sheathed all the way",
        source=sources.FUSE_DISTANCE,
        change="Move the fuse to the battery: nothing protects the conductor before it.",
    )


def _fuse_voltage(known: Known) -> Verdict:
    return asked(
        good=known["wiring.fuse_v"] >= known["battery.highest_v"],
        figure=f"rated for {known['wiring.fuse_v']:g} V DC",
        limit=f"at least {known['battery.highest_v']:g} V, the highest bus voltage",
        source=sources.FUSE_VOLTAGE,
        change="Fit a fuse rated for DC at that voltage: a lower one goes on arcing.",
    )


def _interrupts(known: Known) -> Verdict:
    fault_a = short_circuit_a(known["battery.highest_v"], known["battery.resistance_mohm"] / 1000)
    return asked(
        good=not over(fault_a, known["wiring.fuse_interrupts_a"]),
        figure=f"interrupts {known['wiring.fuse_interrupts_a']:g} A; a short just behind it draws {num(fault_a)} A",
        limit=f"at least {num(fault_a)} A",
        source=sources.FAULT,
        change="Fit a fuse of a class that interrupts this current at this voltage, or it bursts.",
    )


def _far_short(known: Known) -> Verdict:
    bank_ohm = known["battery.resistance_mohm"] / 1000
    fault_a = short_circuit_a(known["battery.lowest_v"], bank_ohm, cable_ohm(known))
    times = fault_a / known["wiring.fuse_a"]
    state = graded(fails=times < HARDLY_BLOWS, cautions=times < SURE_BLOW)
    figure = f"{num(fault_a)} A in a short at the load, {num(times)} times the fuse"
    change = "" if state == State.PASS else "Use a thicker or shorter cable, so that a short blows the fuse at once."
    limit = f"at least {SURE_BLOW:g} times; below {HARDLY_BLOWS:g} it may never blow"
    return Verdict(state, figure, limit, sources.FAR_FAULT, change)


CHECKS = (
    Check(CABLE, "cable-drop", "drop along the cable", Danger.FIRE, (*HIGHEST, *CABLE_RUN), _drop),
    Check(CABLE, "cable-ampacity", "what the cable carries", Danger.FIRE, (*HIGHEST, *CARRIES), _ampacity),
    Check(
        CABLE,
        "fuse-load",
        "fuse against the load",
        Danger.SERVICE,
        (*HIGHEST, "wiring.fuse_a"),
        _fuse_for_load,
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
    Check(
        CABLE,
        "fuse-voltage",
        "voltage of the fuse",
        Danger.FIRE,
        ("wiring.fuse_v", "battery.highest_v"),
        _fuse_voltage,
        safety=True,
    ),
    Check(
        CABLE,
        "fuse-breaking",
        "what the fuse interrupts",
        Danger.FIRE,
        ("wiring.fuse_interrupts_a", "battery.resistance_mohm", "battery.highest_v"),
        _interrupts,
    ),
    Check(
        CABLE,
        "fuse-far-short",
        "short circuit at the load",
        Danger.FIRE,
        ("wiring.fuse_a", "wiring.length_m", SIZE, "battery.resistance_mohm", "battery.lowest_v"),
        _far_short,
    ),
)
