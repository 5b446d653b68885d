"""The pressure in the tank on paper: relief valve, supply, expansion, discharge, and the steam that must get out."""

from dumpload.check import sources
from dumpload.check.facts import HIGHEST, highest_w
from dumpload.check.figures import Grade, Number, Sense, at_most, format_number, least, most
from dumpload.check.table import WATER, Check, Danger, Judgement, Known, grade, informed, judged, yes_no
from dumpload.check.tank import HEATED, has_other_heater, hottest_c
from dumpload.physics.water import expansion_l, steam_kg_h, vessel_l

# Part of the relief valve's pressure that heating may reach, so that the valve does not weep (common practice).
NEAR_RELIEF = 0.9


def _relief(known: Known) -> Judgement:
    return yes_no(
        good=known["tank.relief_valve"],
        figure="fitted" if known["tank.relief_valve"] else "not fitted",
        limit="a temperature-and-pressure relief valve with a free discharge",
        source=sources.PLUMBING_CODES,
        change="Do not switch on without one: a closed tank that boils bursts.",
    )


def _discharge(known: Known) -> Judgement:
    good = known["tank.discharge_pipe"]
    return yes_no(
        good=good,
        figure="full bore, falling, open and in sight" if good else "not full bore, falling, open and in sight",
        limit="full bore, falling all the way, without a valve, ending in sight",
        source=sources.PLUMBING_CODES,
        change="Have it run like that: it discharges steam and scalding water, and if it is blocked the tank bursts.",
    )


def _supply(known: Known) -> Judgement:
    supply_bar, relief_bar = known["tank.supply_bar"], known["tank.relief_bar"]
    number = Number("supply", supply_bar, "bar", Sense.AT_MOST, NEAR_RELIEF * relief_bar, relief_bar, "tank.supply_bar")
    state = grade(fails=supply_bar >= relief_bar, cautions=number.state is not Grade.PASS)
    effect = {Grade.FAIL: ": it never closes", Grade.CAUTION: ": it weeps"}.get(state, "")
    change = f"Fit a pressure-reducing valve set to at most {at_most(NEAR_RELIEF * relief_bar)} bar."
    return Judgement(
        state,
        f"supply {number.text}, relief valve {relief_bar:g} bar{effect}",
        f"{number.limit_text}, 90 % of the relief valve's pressure",
        sources.PRACTICE,
        "" if state is Grade.PASS else change,
        (number,),
    )


def _tank_pressure(known: Known) -> Judgement:
    working_bar = known["tank.working_bar"]
    opens = most("opening pressure", known["tank.relief_bar"], "bar", working_bar, key="tank.relief_bar")
    return judged(
        opens,
        sources.TANK_PLATE,
        "Fit a relief valve of a lower pressure: the tank gives way before this one opens.",
        figure=f"the relief valve opens at {{}}; the tank is rated {working_bar:g} bar",
    )


def _capacity(known: Known) -> Judgement:
    both = has_other_heater(known)
    watts = highest_w(known) + (known["tank.other_w"] if both else 0)
    who = "both heaters" if both else "the element"
    steam = f"{format_number(steam_kg_h(watts))} kg of steam an hour"
    makes = f"{who} at {format_number(watts)} W make{'' if both else 's'} {steam}"
    return judged(
        least("capacity", known["tank.relief_w"], "W", watts, key="tank.relief_w"),
        sources.VALVE_PLATE,
        "Fit a relief valve of that capacity: this one cannot let the steam out as fast as it is made.",
        figure=f"rated {{}}; {makes}",
        limit="{}, all heat sources together",
    )


def _growth(known: Known) -> tuple[float, str]:
    hot_c = hottest_c(known)
    grows_l = max(0.0, expansion_l(known["tank.volume_l"], known["tank.cold_c"], hot_c))
    return grows_l, f"expands by {format_number(grows_l)} l up to {hot_c:g} degC"


def _open_expansion(known: Known) -> Judgement:
    grows_l, figure = _growth(known)
    return informed(f"{figure}, back into the supply", sources.DENSITY, Number("growth", grows_l, "l"))


def _expansion(known: Known) -> Judgement:
    grows_l, figure = _growth(known)
    supply_bar, most_bar = known["tank.supply_bar"], NEAR_RELIEF * known["tank.relief_bar"]
    if supply_bar >= most_bar:
        return Judgement(
            Grade.FAIL,
            f"{figure}; no vessel is large enough, since {supply_bar:g} bar of supply leave no room",
            f"a supply below {at_most(most_bar)} bar",
            sources.VESSEL,
            f"Fit a pressure-reducing valve set well below {at_most(most_bar)} bar, then size the vessel.",
            (Number("supply", supply_bar, "bar"), Number("room up to", most_bar, "bar")),
        )
    needed_l = vessel_l(grows_l, supply_bar, most_bar)
    return judged(
        least("vessel", known["tank.vessel_l"], "l", needed_l, key="tank.vessel_l"),
        sources.VESSEL,
        "Fit a larger vessel, or the relief valve opens at every heating and wears out.",
        figure=f"{figure}; the vessel has {{}}",
        limit=f"{{}}, {supply_bar:g} to {format_number(most_bar)} bar",
    )


def _valve(known: Known) -> bool:
    return known.get("tank.relief_valve") is not False


def _alone(known: Known) -> bool:
    return _valve(known) and not has_other_heater(known)


def _together(known: Known) -> bool:
    return _valve(known) and has_other_heater(known)


def _is_open(known: Known) -> bool:
    return known.get("tank.sealed") is False


CLOSED = (*HEATED, "tank.sealed", "tank.supply_bar", "tank.relief_bar", "tank.vessel_l")
CAPACITY = ("tank.relief_w", *HIGHEST)

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
    Check(
        WATER,
        "relief-capacity",
        "capacity of the relief valve",
        Danger.PRESSURE,
        CAPACITY,
        _capacity,
        applies=_alone,
        keys=("tank.relief_w",),
    ),
    Check(
        WATER,
        "relief-capacity",
        "capacity of the relief valve",
        Danger.PRESSURE,
        (*CAPACITY, "tank.other_w"),
        _capacity,
        applies=_together,
        keys=("tank.relief_w", "tank.other_w"),
    ),
    Check(
        WATER,
        "tank-pressure",
        "pressure of the tank",
        Danger.PRESSURE,
        ("tank.relief_bar", "tank.working_bar"),
        _tank_pressure,
        applies=_valve,
    ),
    Check(
        WATER,
        "supply-pressure",
        "supply and relief valve",
        Danger.PRESSURE,
        ("tank.supply_bar", "tank.relief_bar"),
        _supply,
        applies=_valve,
    ),
    Check(
        WATER,
        "discharge-pipe",
        "discharge pipe",
        Danger.PRESSURE,
        ("tank.discharge_pipe",),
        _discharge,
        applies=_valve,
        stated=True,
    ),
    Check(
        WATER,
        "expansion",
        "expansion",
        Danger.PRESSURE,
        CLOSED,
        _expansion,
        applies=lambda known: not _is_open(known),
        keys=("tank.vessel_l", "tank.supply_bar"),
    ),
    Check(WATER, "expansion", "expansion", Danger.SERVICE, HEATED, _open_expansion, applies=_is_open),
)
