"""The water on paper: heating, a stuck contact, mixed litres, expansion, scald, storage, and what must be fitted."""

import math

from dumpload.physics.element import element_power_w
from dumpload.physics.scald import (
    BATH_C,
    CUT_OUT_MOST_C,
    GROWTH_C,
    SCALD_ENDS_C,
    STORE_C,
    STORE_MOST_C,
    scald_time_s,
)
from dumpload.physics.water import (
    equilibrium_c,
    expansion_l,
    heat_capacity_j_k,
    heat_j,
    loss_w_k,
    mixed_l,
    time_to_s,
    vessel_l,
)
from dumpload.study.check import sources
from dumpload.study.check.facts import ELEMENT, HIGHEST, element_ohm, has, highest_w
from dumpload.study.check.figures import State, num, span
from dumpload.study.check.lines import WATER, Check, Danger, Known, Verdict, asked, graded, informed

HEATED = ("tank.volume_l", "tank.target_c", "tank.cold_c")
LOSS = ("tank.loss_kwh_per_day", "tank.loss_difference_k", "tank.around_c")

NEAR_RELIEF = 0.9
"""Part of the relief valve's pressure that heating may reach, so that the valve does not weep (common practice)."""


def _hottest_c(known: Known) -> float:
    """Return how hot the water gets in service: the thermostat's target, or less if the permissive stops earlier."""
    return float(min(known["tank.target_c"], known.get("permissive.tank_cut_out_c", math.inf)))


def _heating(known: Known) -> Verdict:
    litres, cold_c, hot_c = known["tank.volume_l"], known["tank.cold_c"], _hottest_c(known)
    watts = element_power_w(known["battery.nominal_v"], element_ohm(known))
    heat = heat_j(litres, cold_c, hot_c)
    if has(known, LOSS):
        loss = loss_w_k(known["tank.loss_kwh_per_day"], known["tank.loss_difference_k"])
        end_c = equilibrium_c(watts, loss, known["tank.around_c"])
        seconds = time_to_s(cold_c, hot_c, end_c, heat_capacity_j_k(litres, cold_c, hot_c), loss)
        words = f"standing loss {num(loss)} W/K"
    else:
        seconds, words = heat / watts, "without standing loss: not known"
    never = math.isinf(seconds)
    figure = (
        f"{num(heat / 3.6e6)} kWh from {cold_c:g} to {hot_c:g} degC; "
        f"{'never' if never else span(seconds)} with {num(watts)} W at nominal voltage ({words})"
    )
    change = "The loss is as large as the heater: insulate the tank." if never else ""
    if never:
        return Verdict(State.CAUTION, figure, "more heat than the tank loses", sources.HEATING, change)
    return informed(figure, sources.HEATING)


def _stuck(known: Known) -> Verdict:
    loss = loss_w_k(known["tank.loss_kwh_per_day"], known["tank.loss_difference_k"])
    end_c = equilibrium_c(highest_w(known), loss, known["tank.around_c"])
    boils = end_c > STORE_MOST_C
    guards = (known.get("tank.cut_out"), known.get("tank.relief_valve"))
    guarded = all(guards)
    figure = f"{num(highest_w(known))} W that never stop take it to {num(end_c)} degC"
    if end_c > 100:  # noqa: PLR2004  (degC: water boils)
        figure = f"it boils: {num(highest_w(known))} W that never stop are lost only at {num(end_c)} degC"
    change = "Fit an independent manual-reset cut-out and a relief valve before the first switch-on."
    if boils and guarded:
        change = "Only the thermostat, the cut-out and the relief valve stop that: test them."
    limit = f"below {STORE_MOST_C:g} degC, or cut-out and relief valve both fitted"
    state = graded(fails=boils and False in guards, cautions=boils and not guarded)
    return Verdict(state, figure, limit, sources.STEADY, change if boils else "")


def _relief(known: Known) -> Verdict:
    return asked(
        good=known["tank.relief_valve"],
        figure="fitted" if known["tank.relief_valve"] else "not fitted",
        limit="a temperature-and-pressure relief valve with a free discharge",
        source=sources.PLUMBING_CODES,
        change="Do not switch on without one: a closed tank that boils bursts.",
    )


def _cut_out(known: Known) -> Verdict:
    return asked(
        good=known["tank.cut_out"],
        figure="fitted" if known["tank.cut_out"] else "not fitted",
        limit="an independent thermal cut-out in the power path, reset by a person",
        source=sources.CUT_OUT,
        change="Do not switch on without one: software and relay can fail closed.",
    )


def _cut_out_temperature(known: Known) -> Verdict:
    return asked(
        good=known["tank.target_c"] < known["tank.cut_out_c"] <= CUT_OUT_MOST_C,
        figure=f"acts at {known['tank.cut_out_c']:g} degC",
        limit=f"above the thermostat's {known['tank.target_c']:g} degC, at most {CUT_OUT_MOST_C:g} degC",
        source=sources.CHICAGO,
        change="Fit a cut-out that acts between the two.",
    )


def _mixed(known: Known) -> Verdict:
    litres = mixed_l(known["tank.volume_l"], _hottest_c(known), known["tank.cold_c"])
    figure = f"{num(litres)} litres at 40 degC from a tank at {_hottest_c(known):g} degC"
    return informed(figure, sources.MIXING)


def _expansion(known: Known) -> Verdict:
    grows_l = expansion_l(known["tank.volume_l"], known["tank.cold_c"], known["tank.target_c"])
    figure = f"grows by {num(grows_l)} litres to {known['tank.target_c']:g} degC"
    if not known["tank.sealed"]:
        return Verdict(State.PASS, f"{figure}, back into the supply", "an open way back", sources.DENSITY)
    most_bar = NEAR_RELIEF * known["tank.relief_bar"]
    needed_l = vessel_l(grows_l, known["tank.supply_bar"], most_bar)
    return asked(
        good=known["tank.vessel_l"] >= needed_l,
        figure=f"{figure}; the vessel has {known['tank.vessel_l']:g} litres",
        limit=f"at least {num(needed_l)} litres, {known['tank.supply_bar']:g} to {num(most_bar)} bar",
        source=sources.VESSEL,
        change="Fit a larger vessel, or the relief valve opens at every heating and wears out.",
    )


def _open(known: Known) -> bool:
    return known.get("tank.sealed") is False


def _scald(known: Known) -> Verdict:
    hot_c = known["tank.target_c"]
    seconds = scald_time_s(hot_c)
    valve = known.get("tank.mixing_valve")
    harmless = hot_c <= BATH_C
    state = graded(fails=valve is False and not harmless, cautions=valve is None and not harmless)
    within = f"{'under ' if hot_c > SCALD_ENDS_C else ''}{span(seconds)}"
    burns = "no burn within hours" if math.isinf(seconds) else f"second-degree burn in {within}, an adult"
    change = "" if state == State.PASS else "Fit a thermostatic mixing valve: children burn much faster."
    fitted = {True: "mixing valve fitted", False: "no mixing valve", None: "mixing valve: not said"}[valve]
    limit = f"at most {BATH_C:g} degC at bath and shower, by a mixing valve"
    return Verdict(state, f"{hot_c:g} degC: {burns}; {fitted}", limit, sources.SCALD, change)


def _legionella(known: Known) -> Verdict:
    hot_c = _hottest_c(known)
    state = graded(fails=False, cautions=hot_c < STORE_C)
    change = ""
    if state == State.CAUTION:
        change = f"Store at {STORE_C:g} degC or more, with a mixing valve, and follow your health authority's guidance."
    return Verdict(
        state,
        f"stored at up to {hot_c:g} degC; surplus is irregular, so count on no disinfection",
        f"at least {STORE_C:g} degC; legionella grows from {GROWTH_C[0]:g} to {GROWTH_C[1]:g} degC",
        sources.LEGIONELLA,
        change,
    )


def _dry_fire(known: Known) -> Verdict:
    guarded = known["tank.dry_fire_guard"]
    change = "Fill the tank and bleed it before the first switch-on, and after every draining."
    return Verdict(
        graded(fails=False, cautions=not guarded),
        "something keeps an empty tank from being heated"
        if guarded
        else "nothing keeps an empty tank from being heated",
        "a level or flow interlock, or a person who looks",
        sources.DRY_ELEMENT,
        "" if guarded else change,
    )


CHECKS = (
    Check(
        WATER,
        "relief-valve",
        "relief valve",
        Danger.PRESSURE,
        ("tank.relief_valve",),
        _relief,
        safety=True,
        stated=True,
    ),
    Check(WATER, "cut-out", "thermal cut-out", Danger.PRESSURE, ("tank.cut_out",), _cut_out, safety=True, stated=True),
    Check(
        WATER,
        "cut-out-temperature",
        "cut-out temperature",
        Danger.PRESSURE,
        ("tank.cut_out_c", "tank.target_c"),
        _cut_out_temperature,
    ),
    Check(WATER, "stuck-contact", "stuck contact", Danger.PRESSURE, (*HIGHEST, *LOSS), _stuck),
    Check(
        WATER, "dry-element", "dry element", Danger.FIRE, ("tank.dry_fire_guard",), _dry_fire, safety=True, stated=True
    ),
    Check(
        WATER,
        "expansion",
        "expansion",
        Danger.PRESSURE,
        (*HEATED, "tank.sealed", "tank.supply_bar", "tank.relief_bar", "tank.vessel_l"),
        _expansion,
        applies=lambda known: not _open(known),
    ),
    Check(
        WATER,
        "expansion",
        "expansion",
        Danger.PRESSURE,
        HEATED,
        _expansion,
        applies=lambda known: known.get("tank.sealed") is False,
    ),
    Check(WATER, "scald", "scald", Danger.SCALD, ("tank.target_c",), _scald),
    Check(WATER, "storage", "storage temperature", Danger.SCALD, ("tank.target_c",), _legionella),
    Check(WATER, "heating", "heating", Danger.SERVICE, (*ELEMENT, "battery.nominal_v", *HEATED), _heating),
    Check(WATER, "mixed-water", "mixed water", Danger.SERVICE, HEATED, _mixed),
)
