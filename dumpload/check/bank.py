"""The thresholds against the bank on paper: cycles and dwells, lost data, drift, surplus, the night, its limits."""

from dumpload.check import sources
from dumpload.check.bus import is_evidence
from dumpload.check.facts import (
    ENERGY,
    HIGHEST,
    THROTTLE_MODEL,
    band_wh,
    bank_wh,
    has,
    highest_a,
    highest_w,
    is_lifepo4,
    throttle_percent,
)
from dumpload.check.figures import NEVER, Grade, Number, at_least, at_most, format_number, in_one_unit, least, most
from dumpload.check.table import BANK, Check, Danger, Judgement, Known, grade, judged
from dumpload.physics.bank import (
    counter_drift_percent,
    crossing_time_s,
    energy_wh,
    reaction_energy_wh,
    shortest_cycle_s,
)

# Evaluation and release after the data are lost: a supervision tick at most.
REACTION_S = 1.0

# Least cut-in at which a LiFePO4 bank's charger may be throttled already (common practice, no source).
LIFEPO4_CUT_IN_PERCENT = 97.0

COSTLY_PERCENT = 1.0


def reaction_s(known: Known) -> float:
    """Return how long after the last value the load is off at the latest."""
    return float(known["telemetry.state_of_charge.max_age_s"]) + REACTION_S


def _band(known: Known) -> Judgement:
    band, load_w, dwell_s = band_wh(known), highest_w(known), known["control.min_on_s"]
    cross_s = crossing_time_s(band, load_w)
    dwell = most("dwell", dwell_s, "s", cross_s, key="control.min_on_s")
    width = known["control.cut_in_percent"] - known["control.cut_out_percent"]
    wider = 100 * reaction_energy_wh(load_w, dwell_s) / bank_wh(known)
    change = f"Without sun the dwell, not the cut-out, ends the run: set control.min_on_s to at most {at_most(cross_s)}"
    if wider <= known["control.cut_in_percent"] - known["control.floor_percent"]:
        change += f", or make the band at least {at_least(wider)} % wide"
    size = f"{format_number(width)} % is {format_number(band)} Wh"
    figure = f"the dwell is {{}}; {size}, which the load alone takes in {in_one_unit(cross_s)}"
    return judged(dwell, sources.BAND, f"{change}.", figure=figure)


def _cycle(known: Known) -> Judgement:
    dwells_s = known["control.min_on_s"] + known["control.min_off_s"]
    cycle = least("cycle", shortest_cycle_s(band_wh(known), highest_w(known)), "s", dwells_s, fails=NEVER)
    figure = f"{in_one_unit(cycle.value)}, when the surplus is half the load"
    change = "Widen the band: in some weather only the dwells limit the cycling."
    return judged(cycle, sources.CYCLE, change, figure=figure, limit="{}, the sum of the dwells")


def _lost_data(known: Known) -> Judgement:
    lost_wh = reaction_energy_wh(highest_w(known), reaction_s(known))
    margin = known["control.cut_out_percent"] - known["control.floor_percent"]
    share = 100 * lost_wh / bank_wh(known)
    lost = most("lost", share, "%", min(COSTLY_PERCENT, margin), fails=margin)
    figure = f"{at_least(lost_wh)} Wh, {{}} of the battery, in {format_number(reaction_s(known))} s"
    limit = (
        f"{{}}; above {format_number(margin)} %, from cut-out to floor, it fails"
        if margin
        else "room from cut-out to floor"
    )
    change = "Lower telemetry.state_of_charge.max_age_s."
    if not margin:
        change += " Or set control.floor_percent below the cut-out: between them there is no room."
    return judged(lost, sources.REACTION, change, figure=figure, limit=limit)


def _repeated(known: Known) -> Judgement:
    age_s, confirm_s = known["telemetry.state_of_charge.max_age_s"], known["control.confirm_s"]
    limit = "values with their own timestamp"
    if "telemetry.state_of_charge.timestamp_pointer" in known:
        return Judgement(Grade.PASS, f"at most {in_one_unit(age_s)} old by their own timestamp", limit, sources.LIVE)
    figure = "no timestamp: one stale value re-sent by a bridge or queue counts as surplus"
    if confirm_s:
        figure = (
            f"no timestamp: a stale value re-sent by a bridge or queue for {in_one_unit(confirm_s)}, less than "
            f"{in_one_unit(age_s)} apart, counts as surplus"
        )
    change = (
        "Set telemetry.state_of_charge.timestamp_pointer if the source sends a time. If not, and there is a bridge "
        "in between: set control.confirm_s above 0, and max_age_s below the bridge's shortest reconnect time."
    )
    return Judgement(Grade.CAUTION, figure, limit, sources.LIVE, change)


def _drift(known: Known) -> Judgement:
    week = counter_drift_percent(known["battery.counter_offset_a"], known["battery.capacity_ah"], 7)
    drift = most("drift", week, "%", 100 - known["control.cut_in_percent"], fails=NEVER)
    change = "Charge fully and let the monitor synchronise more often than weekly."
    figure = "{} in a week without a full charge"
    return judged(drift, sources.DRIFT, change, figure=figure, limit="{}, from the cut-in to full")


def _surplus(known: Known) -> Judgement:
    # Known: `applies` and `needs` see to it.
    throttles = throttle_percent(known) or 0.0
    cut_out, cut_in = known["control.cut_out_percent"], known["control.cut_in_percent"]
    share = 100 * min(1.0, max(0.0, (throttles - cut_out) / (cut_in - cut_out)))
    early = max(0.0, throttles - cut_in)
    figure = f"the charger throttles from {at_least(throttles)} % charge"
    limit = "no part of the band below that, or a voltage permissive within 1 % of the charger's set point"
    number = most("throttles from", throttles, "%", cut_out, fails=NEVER)
    if is_evidence(known):
        figure += ", and the voltage permissive lets the load start only there"
        return Judgement(Grade.PASS, figure, limit, sources.THROTTLE, "", (Number("throttles from", throttles, "%"),))
    if share:
        figure += f": over {at_least(share)} % of the band it would still charge"
    if early:
        energy = f" ({at_least(bank_wh(known, early))} Wh)" if has(known, ENERGY) else ""
        figure += f", and over {at_least(early)} %{energy} above the cut-in: that diverts charge rather than surplus"
    change = "" if number.state is Grade.PASS else _better_evidence(known)
    return Judgement(number.state, figure, limit, sources.THROTTLE, change, (number,))


def _better_evidence(known: Known) -> str:
    if "solar.absorption_v" not in known:
        return "Set a voltage permissive near the charger's set point (solar.absorption_v); a higher cut-in also helps."
    set_v = known["solar.absorption_v"]
    return (
        f"Set permissive.voltage_cut_in to {at_least(0.99 * set_v)} to {at_most(set_v)} V; a higher cut-in also helps."
    )


def _low_cut_in(known: Known) -> Judgement:
    cut_in = known["control.cut_in_percent"]
    change = (
        "Below that a LiFePO4 charger does not throttle yet: the heater takes charge from the battery rather than what "
        "would be wasted. Raise control.cut_in_percent."
    )
    number = least("cut-in", cut_in, "%", LIFEPO4_CUT_IN_PERCENT, fails=NEVER, key="control.cut_in_percent")
    return judged(number, sources.PRACTICE, change, limit="{} on LiFePO4")


def _maybe_lifepo4(known: Known) -> bool:
    return bool(known.get("battery.chemistry", "lifepo4") == "lifepo4")


def _night(known: Known) -> Judgement:
    night_wh = known["battery.night_wh"]
    left = least("left", bank_wh(known, known["control.floor_percent"]), "Wh", night_wh)
    needed = 100 * night_wh / energy_wh(known["battery.capacity_ah"], known["battery.nominal_v"])
    change = f"Set control.floor_percent to at least {at_least(needed)}."
    if needed > known["control.cut_out_percent"]:
        change = "Use less at night, or fit a larger battery: no floor below the cut-out leaves that much."
    figure = f"the floor of {known['control.floor_percent']:g} % leaves {{}}"
    return judged(left, sources.NIGHT, change, figure=figure, limit="{}, the night's consumption")


def _discharge(known: Known) -> Judgement:
    whole_a = highest_a(known) + known["battery.other_loads_a"]
    whole = most("current", whole_a, "A", known["battery.discharge_limit_a"])
    change = "Run fewer loads at once: the BMS may disconnect the whole bus."
    return judged(
        whole, sources.CURRENTS, change, figure="{} with everything else running", limit="{}, the limit of the battery"
    )


def _cold(known: Known) -> Judgement:
    coldest, from_c = known["battery.coldest_c"], known["battery.charge_from_c"]
    state = grade(fails=from_c < 0 and coldest < 0, cautions=coldest < from_c)
    figure = f"cells down to {coldest:g} degC; charging allowed from {from_c:g} degC"
    change = ""
    if state is Grade.FAIL:
        change = "Do not charge LiFePO4 below 0 degC: set the BMS, or keep the cells warm."
    elif state is Grade.CAUTION:
        change = "While the battery refuses charge the bus runs on panels alone: block the heater then."
    number = least("coldest", coldest, "degC", from_c, fails=NEVER, key="battery.coldest_c")
    return Judgement(state, figure, "no charging below 0 degC (LiFePO4)", sources.COLD_CELLS, change, (number,))


def _throttle_known(known: Known) -> bool:
    return throttle_percent(known) is not None


def _model_needs(known: Known) -> bool:
    return not _throttle_known(known) and is_lifepo4(known) and not has(known, THROTTLE_MODEL)


def _throttle_needs(known: Known) -> bool:
    return not _throttle_known(known) and not _model_needs(known)


# What to change where the load runs on charge that is no surplus.
EVIDENCE = ("control.cut_in_percent", "permissive.voltage_cut_in", "solar.absorption_v")

CHECKS = (
    Check(BANK, "band-dwell", "band against the dwell", Danger.BANK, (*HIGHEST, *ENERGY), _band),
    Check(BANK, "shortest-cycle", "shortest possible cycle", Danger.SERVICE, (*HIGHEST, *ENERGY), _cycle),
    Check(BANK, "lost-data", "cost of lost data", Danger.BANK, (*HIGHEST, *ENERGY), _lost_data),
    Check(
        BANK,
        "repeated-values",
        "repeated old values",
        Danger.BANK,
        (),
        _repeated,
        keys=(
            "telemetry.state_of_charge.timestamp_pointer",
            "telemetry.state_of_charge.max_age_s",
            "control.confirm_s",
        ),
    ),
    Check(
        BANK,
        "counter-drift",
        "drift of the counter",
        Danger.BANK,
        ("battery.counter_offset_a", "battery.capacity_ah"),
        _drift,
    ),
    Check(BANK, "surplus", "surplus or charge", Danger.SERVICE, (), _surplus, _throttle_known, keys=EVIDENCE),
    Check(BANK, "surplus", "surplus or charge", Danger.SERVICE, THROTTLE_MODEL, _surplus, _model_needs),
    Check(
        BANK, "surplus", "surplus or charge", Danger.SERVICE, ("battery.throttle_percent",), _surplus, _throttle_needs
    ),
    Check(BANK, "cut-in", "cut-in", Danger.SERVICE, (), _low_cut_in, _maybe_lifepo4, keys=("control.cut_in_percent",)),
    Check(BANK, "night-floor", "floor against the night", Danger.BANK, (*ENERGY, "battery.night_wh"), _night),
    Check(
        BANK,
        "discharge-limit",
        "discharge limit of the battery",
        Danger.BANK,
        (*HIGHEST, "battery.discharge_limit_a", "battery.other_loads_a"),
        _discharge,
    ),
    Check(
        BANK,
        "cold-charging",
        "charging in the cold",
        Danger.BANK,
        ("battery.coldest_c", "battery.charge_from_c"),
        _cold,
        _maybe_lifepo4,
    ),
)
