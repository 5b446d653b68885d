"""What must stop the element on paper: cut-out and full tank; a stuck contact; and any second heater of the tank."""

import math

from dumpload.check import sources
from dumpload.check.facts import HIGHEST, has, highest_w
from dumpload.check.figures import Grade, Number, format_number, in_one_unit, most
from dumpload.check.table import HEATER, WATER, Check, Danger, Judgement, Known, grade, informed, yes_no
from dumpload.check.tank import LOSS, boiling_s, has_other_heater, hottest_c, tank_loss_w_k
from dumpload.physics.scald import CUT_OUT_MOST_C, STORE_MOST_C
from dumpload.physics.water import equilibrium_c


def _cut_out(known: Known) -> Judgement:
    return yes_no(
        good=known["tank.cut_out"],
        figure="fitted" if known["tank.cut_out"] else "not fitted",
        limit="an independent thermal cut-out in the power path, reset by a person",
        source=sources.CUT_OUT,
        change="Do not switch on without one: software and relay can fail closed.",
    )


def _cut_out_temperature(known: Known) -> Judgement:
    acts_c, target_c = known["tank.cut_out_c"], known["tank.target_c"]
    verdict = yes_no(
        good=target_c < acts_c <= CUT_OUT_MOST_C,
        figure=f"acts at {acts_c:g} degC",
        limit=f"above the thermostat's {target_c:g} degC, at most {CUT_OUT_MOST_C:g} degC",
        source=sources.CHICAGO,
        change="Fit a cut-out that acts between the two.",
    )
    return verdict._replace(numbers=(most("acts at", acts_c, "degC", CUT_OUT_MOST_C, key="tank.cut_out_c"),))


def _dry_fire(known: Known) -> Judgement:
    guarded = known["tank.dry_fire_guard"]
    change = "Fill the tank and bleed it before the first switch-on, and after every draining."
    return Judgement(
        grade(fails=False, cautions=not guarded),
        f"{'something' if guarded else 'nothing'} prevents heating an empty tank",
        "a level or flow interlock, or a check by a person",
        sources.DRY_ELEMENT,
        "" if guarded else change,
    )


def _guards(known: Known) -> str:
    """Return what was stated to be there and stops an element whose contact is stuck."""
    # A thermostat that breaks the coil does nothing for a contact that is welded.
    in_line = known.get("tank.thermostat_breaks") != "coil"
    thermostat = in_line and known.get("tank.thermostat_dc", "tank.thermostat_v" in known)
    degrees = f" at {known['tank.cut_out_c']:g} degC" if "tank.cut_out_c" in known else ""
    guards = (
        (thermostat, "the thermostat"),
        (known.get("tank.cut_out"), f"the cut-out{degrees}"),
        (known.get("tank.relief_valve"), "the relief valve"),
    )
    return ", ".join(guard for there, guard in guards if there) or "none"


def _stuck(known: Known) -> Judgement:
    watts = highest_w(known)
    seconds = boiling_s(known, watts)
    end_c = equilibrium_c(watts, tank_loss_w_k(known), known["tank.around_c"]) if has(known, LOSS) else math.inf
    boils = end_c > STORE_MOST_C
    guards = (known.get("tank.cut_out"), known.get("tank.relief_valve"))
    effect = f"the tank at {hottest_c(known):g} degC boils in {in_one_unit(seconds)}"
    if not has(known, LOSS):
        effect += " (without standing loss)"
    if math.isinf(seconds):
        effect = f"the tank gets no hotter than {format_number(end_c)} degC"
    change = "Only these stop it: test each of them before you leave it unattended."
    if boils and not all(guards):
        change = "Fit an independent manual-reset cut-out and a relief valve before the first switch-on."
    numbers = () if math.isinf(seconds) else (Number("time until it boils", seconds, "s"),)
    return Judgement(
        grade(fails=boils and False in guards, cautions=True),
        f"{format_number(watts)} W continuous: {effect}; protection left, as stated: {_guards(known)}",
        "thermostat, cut-out and relief valve, all three, independent of relay and software",
        sources.STEADY,
        change,
        (Number("power", watts, "W"), *numbers),
    )


# ---- a second heater ----


def _no_other(_known: Known) -> Judgement:
    return informed("nothing else heats this tank, as stated", sources.TWO_HEATERS)


def _other(known: Known) -> Judgement:
    other_c, target_c = known["tank.other_c"], known["tank.target_c"]
    name = {"mains": "mains heater", "engine": "engine's coil"}[known["tank.other_heat"]]
    trips = other_c >= known.get("tank.cut_out_c", math.inf)
    state = grade(fails=trips, cautions=other_c >= target_c)
    effect, change = "", ""
    if trips:
        effect = f", and trips the element's cut-out at {known['tank.cut_out_c']:g} degC"
        change = f"Hold it below {known['tank.cut_out_c']:g} degC, by its thermostat or a thermostatic valve."
    elif state is Grade.CAUTION:
        effect = ", so that the surplus finds a hot tank"
        change = f"Set it below {target_c:g} degC, or let it run only when there is no surplus."
    if known["tank.other_heat"] == "mains":
        change = f"{change} Two supplies meet at this tank: label it, and isolate both before you open it.".strip()
    return Judgement(
        state,
        f"the {name} heats to {other_c:g} degC, the element to {target_c:g} degC{effect}",
        f"below {target_c:g} degC",
        sources.TWO_HEATERS,
        change,
        (Number("temperature", other_c, "degC", key="tank.other_c"),),
    )


def _other_thermostat(known: Known) -> Judgement:
    good = known["tank.other_thermostat"]
    return yes_no(
        good=good,
        figure="has its own" if good else "has none of its own",
        limit="a thermostat, or a thermostatic valve, for each source of heat",
        source=sources.TWO_HEATERS,
        change="Do not use it without one: the element's thermostat does not stop it.",
    )


def _other_cut_out(known: Known) -> Judgement:
    good = known["tank.other_cut_out"]
    return yes_no(
        good=good,
        figure="has its own" if good else "has none of its own",
        limit="a cut-out, or a high-limit valve, reset by a person, for each source of heat",
        source=sources.TWO_HEATERS,
        change="Do not use it without one: the element's cut-out does not stop it.",
    )


def _asks_for_other(known: Known) -> bool:
    return not has_other_heater(known)


CHECKS = (
    Check(HEATER, "cut-out", "thermal cut-out", Danger.PRESSURE, ("tank.cut_out",), _cut_out, safety=True, stated=True),
    Check(
        HEATER,
        "cut-out-temperature",
        "cut-out temperature",
        Danger.PRESSURE,
        ("tank.cut_out_c", "tank.target_c"),
        _cut_out_temperature,
    ),
    Check(
        HEATER,
        "stuck-contact",
        "stuck contact",
        Danger.PRESSURE,
        (*HIGHEST, "tank.volume_l", "tank.target_c"),
        _stuck,
        keys=("tank.cut_out", "tank.relief_valve", "tank.thermostat_dc"),
    ),
    Check(
        WATER,
        "dry-element",
        "dry element",
        Danger.FIRE,
        ("tank.dry_fire_guard",),
        _dry_fire,
        safety=True,
        stated=True,
    ),
    Check(
        WATER, "other-heater", "other heater", Danger.PRESSURE, ("tank.other_heat",), _no_other, applies=_asks_for_other
    ),
    Check(
        WATER,
        "other-heater",
        "other heater",
        Danger.PRESSURE,
        ("tank.other_c", "tank.target_c"),
        _other,
        applies=has_other_heater,
        keys=("tank.other_c",),
    ),
    Check(
        WATER,
        "other-thermostat",
        "other heater's thermostat",
        Danger.PRESSURE,
        ("tank.other_thermostat",),
        _other_thermostat,
        applies=has_other_heater,
        safety=True,
        stated=True,
    ),
    Check(
        WATER,
        "other-cut-out",
        "other heater's cut-out",
        Danger.PRESSURE,
        ("tank.other_cut_out",),
        _other_cut_out,
        applies=has_other_heater,
        safety=True,
        stated=True,
    ),
)
