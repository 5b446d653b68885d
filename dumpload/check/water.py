"""The water on paper: heating, mixed litres and what is drawn of them, scald, storage."""

import math

from dumpload.check import heater, pressure, sources
from dumpload.check.facts import ELEMENT, has
from dumpload.check.figures import Grade, Number, Sense, at_most, format_number, in_one_unit
from dumpload.check.table import WATER, Check, Danger, Judgement, Known, grade, informed
from dumpload.check.tank import (
    HEATED,
    LOSS,
    heating_s,
    hottest_c,
    nominal_w,
    stored_c,
    tank_loss_w_k,
)
from dumpload.core.window import HOUR_S, minutes_a_day, parse_span
from dumpload.physics.scald import BATH_C, GROWTH_C, SCALD_ENDS_C, STORE_C, scald_time_s
from dumpload.physics.water import heat_capacity_j_k, heat_j, mixed_l, time_to_s

MIXED_C = 40.0


def _nothing_to_heat(known: Known) -> Judgement | None:
    """Return the verdict on a thermostat that opens before the water is warmer than it came in."""
    if stored_c(known) > known["tank.cold_c"]:
        return None
    return Judgement(
        Grade.CAUTION,
        f"the water comes in at {known['tank.cold_c']:g} degC and is heated to {stored_c(known):g} degC: not at all",
        f"above {known['tank.cold_c']:g} degC",
        sources.HEATING,
        "Look at tank.target_c and tank.cold_c again.",
    )


def _heating(known: Known) -> Judgement:
    cold_c, hot_c, watts = known["tank.cold_c"], stored_c(known), nominal_w(known)
    if (nothing := _nothing_to_heat(known)) is not None:
        return nothing
    seconds = heating_s(known, watts, cold_c, hot_c)
    loss = "without standing loss: not known"
    if has(known, LOSS):
        loss = f"standing loss {format_number(tank_loss_w_k(known))} W/K"
    never = math.isinf(seconds)
    heat_wh = heat_j(known["tank.volume_l"], cold_c, hot_c) / HOUR_S
    figure = (
        f"{format_number(heat_wh / 1000)} kWh from {cold_c:g} to {hot_c:g} degC; "
        f"{'never' if never else in_one_unit(seconds)} with {format_number(watts)} W at nominal voltage ({loss})"
    )
    if never:
        change = "The loss is as large as the heater: insulate the tank."
        return Judgement(Grade.CAUTION, figure, "more heat than the tank loses", sources.HEATING, change)
    return informed(figure, sources.HEATING, Number("heat", heat_wh, "Wh"), Number("time", seconds, "s"))


def _standing(known: Known) -> Judgement:
    loss, hot_c, around_c = tank_loss_w_k(known), stored_c(known), known["tank.around_c"]
    watts = max(0.0, loss * (hot_c - around_c))
    figure = f"loses {format_number(loss)} W/K: {format_number(watts)} W at {hot_c:g} degC"
    numbers = [Number("standing loss", loss, "W/K"), Number("loss", watts, "W")]
    if hot_c > STORE_C > around_c:
        capacity = heat_capacity_j_k(known["tank.volume_l"], hot_c, STORE_C)
        seconds = time_to_s(hot_c, STORE_C, around_c, capacity, loss)
        figure += f", and cools to {STORE_C:g} degC in {in_one_unit(seconds)} if nothing is drawn"
        numbers.append(Number("time", seconds, "s"))
    return informed(figure, sources.STANDING, *numbers)


def _mixed(known: Known) -> Judgement:
    if known["tank.cold_c"] >= MIXED_C:
        figure = f"the cold water comes in at {known['tank.cold_c']:g} degC: nothing is left to mix"
        return informed(figure, sources.MIXING)
    litres = mixed_l(known["tank.volume_l"], stored_c(known), known["tank.cold_c"], MIXED_C)
    figure = f"{format_number(litres)} l at {MIXED_C:g} degC from a tank at {stored_c(known):g} degC"
    return informed(figure, sources.MIXING, Number("mixed water", litres, "l"))


def _open_h(known: Known) -> float:
    """Return for how many hours a day the settings let the load run at most."""
    spans = [parse_span(text) for text in known["permissive.window"]]
    window_h = minutes_a_day(spans) / 60
    return float(min(window_h, known.get("permissive.max_on_per_day_s", math.inf) / HOUR_S))


def _drawn(known: Known) -> Judgement:
    people, cold_c = known["tank.people"], known["tank.cold_c"]
    if cold_c >= MIXED_C:
        return _mixed(known)
    litres = people * known["tank.litres_per_person"]
    drawn_wh = heat_j(litres, cold_c, MIXED_C) / HOUR_S
    lost_wh, loss = 0.0, "the standing loss is not known"
    if has(known, LOSS):
        lost_wh = 24 * max(0.0, tank_loss_w_k(known) * (stored_c(known) - known["tank.around_c"]))
        loss = f"plus {format_number(lost_wh / 1000)} kWh of standing loss"
    hours, open_h = (drawn_wh + lost_wh) / nominal_w(known), _open_h(known)
    full_l = mixed_l(known["tank.volume_l"], stored_c(known), cold_c, MIXED_C)
    who = f"{people} {'person draws' if people == 1 else 'people draw'}"
    figure = (
        f"{who} {format_number(litres)} l at {MIXED_C:g} degC a day: {format_number(drawn_wh / 1000)} kWh, {loss}: "
        f"{format_number(hours)} h of the element; a hot tank gives {format_number(full_l)} l"
    )
    run = Number("run time a day", hours, "h", Sense.AT_MOST, open_h)
    numbers = (Number("drawn", litres, "l"), Number("heat a day", drawn_wh + lost_wh, "Wh"), run)
    simulate = "For the yield of each month, run dumpload simulate."
    if run.state is Grade.PASS:
        return informed(figure, sources.DRAWN, *numbers, remark=simulate)
    change = f"The element cannot give that, whatever the sun does: a second source, or fewer litres. {simulate}"
    limit = f"at most {at_most(open_h)} h a day, within permissive.window and permissive.max_on_per_day_s"
    return Judgement(Grade.CAUTION, figure, limit, sources.DRAWN, change, numbers)


def _scald(known: Known) -> Judgement:
    hot_c = hottest_c(known)
    seconds = scald_time_s(hot_c)
    valve = known.get("tank.mixing_valve")
    harmless = hot_c <= BATH_C
    state = grade(fails=valve is False and not harmless, cautions=valve is None and not harmless)
    within = f"{'under ' if hot_c > SCALD_ENDS_C else ''}{in_one_unit(seconds)}"
    burns = "no burn within hours" if math.isinf(seconds) else f"second-degree burn in {within}, an adult"
    change = "" if state == Grade.PASS else "Fit a thermostatic mixing valve: children burn much faster."
    fitted = {True: "mixing valve fitted, as stated", False: "no mixing valve", None: "mixing valve: not stated"}[valve]
    return Judgement(
        state,
        f"{hot_c:g} degC: {burns}; {fitted}",
        f"at most {BATH_C:g} degC at bath and shower, by a mixing valve",
        sources.SCALD,
        change,
        (Number("hottest water", hot_c, "degC"),),
    )


def _storage(known: Known) -> Judgement:
    mains = known.get("tank.other_heat") == "mains"
    held_c = known.get("tank.other_c", 0.0) if mains else 0.0
    hot_c = stored_c(known)
    figure = f"up to {hot_c:g} degC by surplus alone, which is irregular"
    change = f"Let a second source hold {STORE_C:g} degC, with a mixing valve; follow your health authority's guidance."
    if hot_c < STORE_C:
        change = f"Store at {STORE_C:g} degC or more, with a mixing valve; follow your health authority's guidance."
    if mains:
        figure = f"held at {held_c:g} degC by the mains heater, up to {hot_c:g} degC by surplus"
    state = grade(fails=False, cautions=held_c < STORE_C)
    return Judgement(
        state,
        f"{figure}; do not rely on it to disinfect",
        f"at least {STORE_C:g} degC, held; legionella grow from {GROWTH_C[0]:g} to {GROWTH_C[1]:g} degC",
        sources.LEGIONELLA,
        "" if state is Grade.PASS else change,
        (Number("held", held_c, "degC", Sense.AT_LEAST, STORE_C),),
    )


CHECKS = (
    *pressure.CHECKS,
    *heater.CHECKS,
    Check(
        WATER,
        "scald",
        "scald",
        Danger.SCALD,
        ("tank.target_c",),
        _scald,
        keys=("tank.mixing_valve", "tank.target_c", "tank.other_c"),
    ),
    Check(
        WATER,
        "storage",
        "storage temperature",
        Danger.SCALD,
        ("tank.target_c",),
        _storage,
        keys=("tank.target_c", "tank.other_heat", "tank.other_c"),
    ),
    Check(WATER, "heating", "heating", Danger.SERVICE, (*ELEMENT, "battery.nominal_v", *HEATED), _heating),
    Check(
        WATER,
        "standing-loss",
        "standing loss",
        Danger.SERVICE,
        (*LOSS, "tank.volume_l", "tank.target_c"),
        _standing,
    ),
    Check(WATER, "mixed-water", "mixed water", Danger.SERVICE, HEATED, _mixed),
    Check(
        WATER,
        "water-drawn",
        "water drawn",
        Danger.SERVICE,
        ("tank.people", "tank.litres_per_person", *HEATED, *ELEMENT, "battery.nominal_v"),
        _drawn,
    ),
)
