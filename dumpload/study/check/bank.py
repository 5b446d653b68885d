"""The thresholds against the bank on paper: cycles and dwells, lost data, drift, surplus, the night, its limits."""

from dumpload.physics.bank import (
    CELL_V,
    counter_drift_percent,
    crossing_time_s,
    energy_wh,
    lifepo4_rest_v,
    reaction_energy_wh,
    shortest_cycle_s,
)
from dumpload.study.check import sources
from dumpload.study.check.facts import (
    ENERGY,
    HIGHEST,
    THROTTLE_MODEL,
    band_wh,
    bank_wh,
    has,
    highest_a,
    highest_w,
    throttle_percent,
)
from dumpload.study.check.figures import State, at_least, at_most, num, over, span
from dumpload.study.check.lines import BANK, Check, Danger, Known, Verdict, asked, graded

REACTION_S = 1.0
"""Evaluation and release after the data are lost: a supervision tick at most."""

LIFEPO4_CUT_IN_PERCENT = 97.0
"""Least cut-in at which a LiFePO4 bank's charger may be throttled already (common practice, no source)."""

COSTLY_PERCENT = 1.0


def reaction_s(known: Known) -> float:
    """Return how long after the last value the load is off at the latest."""
    return float(known["telemetry.state_of_charge.max_age_s"]) + REACTION_S


def _band(known: Known) -> Verdict:
    band, load_w, dwell_s = band_wh(known), highest_w(known), known["control.min_on_s"]
    cross_s = crossing_time_s(band, load_w)
    width = known["control.cut_in_percent"] - known["control.cut_out_percent"]
    wider = 100 * reaction_energy_wh(load_w, dwell_s) / bank_wh(known)
    return asked(
        good=not over(dwell_s, cross_s),
        figure=f"{num(width)} % is {num(band)} Wh: the load alone crosses it in {span(cross_s)}",
        limit=f"at least {span(dwell_s)}, control.min_on_s",
        source=sources.BAND,
        change=f"Without sun the dwell, not the cut-out, ends the run, below the cut-out: make the band at least "
        f"{at_least(wider)} % wide, or control.min_on_s at most {at_most(cross_s)} s.",
    )


def _cycle(known: Known) -> Verdict:
    cycle_s = shortest_cycle_s(band_wh(known), highest_w(known))
    dwells_s = known["control.min_on_s"] + known["control.min_off_s"]
    state = graded(fails=False, cautions=over(dwells_s, cycle_s))
    change = "" if state == State.PASS else "Widen the band: in some weather only the dwells set the pace."
    figure = f"{span(cycle_s)}, when the surplus is half the load"
    return Verdict(state, figure, f"at least {span(dwells_s)}, the dwells together", sources.CYCLE, change)


def _panels(known: Known) -> Verdict:
    peak_w, load_w = known["solar.peak_w"], highest_w(known)
    state = graded(fails=False, cautions=over(load_w, peak_w))
    figure = f"panels {peak_w:g} W at most, load {num(load_w)} W"
    change = "" if state == State.PASS else "The panels never carry this load alone: every run takes from the bank."
    return Verdict(state, figure, f"panels at least {num(load_w)} W", sources.PANELS, change)


def _lost_data(known: Known) -> Verdict:
    lost_wh = reaction_energy_wh(highest_w(known), reaction_s(known))
    percent = 100 * lost_wh / bank_wh(known)
    margin = known["control.cut_out_percent"] - known["control.floor_percent"]
    state = graded(fails=over(percent, margin), cautions=over(percent, COSTLY_PERCENT))
    figure = f"{num(lost_wh)} Wh, {num(percent)} % of the bank, in {num(reaction_s(known))} s"
    change = "" if state == State.PASS else "Lower telemetry.state_of_charge.max_age_s."
    limit = f"at most {num(margin)} %, cut-out to floor; caution above {COSTLY_PERCENT:g} %"
    return Verdict(state, figure, limit, sources.REACTION, change)


def _told_again(known: Known) -> Verdict:
    age_s, confirm_s = known["telemetry.state_of_charge.max_age_s"], known["control.confirm_s"]
    limit, source = "only values that bring their own time", sources.LIVE
    if "telemetry.state_of_charge.timestamp_pointer" in known:
        return Verdict(State.PASS, f"at most {span(age_s)} old by their own time", limit, source)
    figure = "no timestamp: one old value that a bridge or a queue delivers again counts as surplus"
    if confirm_s:
        again = f"again and again, less than {span(age_s)} apart and for {span(confirm_s)},"
        figure = f"no timestamp: an old value that a bridge or a queue delivers {again} counts as surplus"
    change = (
        "Set telemetry.state_of_charge.timestamp_pointer if the source sends a time. If not, and a bridge stands "
        "between: control.confirm_s above 0, and max_age_s below the shortest time in which the bridge reconnects."
    )
    return Verdict(State.CAUTION, figure, limit, source, change)


def _drift(known: Known) -> Verdict:
    week = counter_drift_percent(known["battery.counter_offset_a"], known["battery.capacity_ah"], 7)
    room = 100 - known["control.cut_in_percent"]
    state = graded(fails=False, cautions=over(week, room))
    figure = f"{num(week)} % in a week without a full charge"
    change = "" if state == State.PASS else "Charge fully and let the monitor synchronise more often than weekly."
    return Verdict(state, figure, f"at most {num(room)} %, from the cut-in to full", sources.DRIFT, change)


def _surplus(known: Known) -> Verdict:
    throttles = throttle_percent(known) or 0.0  # known: `applies` and `needs` see to it
    cut_out, cut_in = known["control.cut_out_percent"], known["control.cut_in_percent"]
    share = 100 * min(1.0, max(0.0, (throttles - cut_out) / (cut_in - cut_out)))
    early = max(0.0, throttles - cut_in)
    witness = _voltage_says_so(known)
    state = graded(fails=False, cautions=share > 0 and not witness)
    figure = f"the charger throttles from {num(throttles)} %: in {num(share)} % of the band it would still charge"
    if early:
        taken_wh = f" ({num(bank_wh(known, early))} Wh)" if has(known, ENERGY) else ""
        figure += f", and in {num(early)} %{taken_wh} above the cut-in: that is charge diverted, not surplus"
    change = "" if state == State.PASS else _better_evidence(known)
    limit = "none of the band, or a bus-voltage permissive at the charger's set point"
    return Verdict(state, figure, limit, sources.THROTTLE, change)


def _voltage_says_so(known: Known) -> bool:
    """Return whether the bus-voltage permissive asks for more than the bank has at rest, just before full."""
    asks_v = known.get("permissive.voltage_cut_in", 0.0)
    if known.get("battery.chemistry") == "lifepo4" and "battery.nominal_v" in known:
        return bool(asks_v > round(known["battery.nominal_v"] / CELL_V) * lifepo4_rest_v(0.98))
    return bool(asks_v > known.get("battery.nominal_v", asks_v))


def _better_evidence(known: Known) -> str:
    cells = round(known["battery.nominal_v"] / CELL_V) if "battery.nominal_v" in known else 0
    if known.get("battery.chemistry") == "lifepo4" and cells:
        above = f"above {at_least(cells * lifepo4_rest_v(0.98))} V, which this bank has at rest"
    else:
        above = "near the charger's set point"
    return f"Raise the cut-in, and set permissive.voltage_cut_in {above}: only there is the charger throttled."


def _low_cut_in(known: Known) -> Verdict:
    cut_in = known["control.cut_in_percent"]
    state = graded(fails=False, cautions=cut_in < LIFEPO4_CUT_IN_PERCENT)
    change = ""
    if state == State.CAUTION:
        change = (
            "On LiFePO4 the charger is not throttled yet below that: the heater takes charge from the bank rather "
            "than what would be wasted. Raise control.cut_in_percent."
        )
    return Verdict(
        state, f"{cut_in:g} %", f"at least {LIFEPO4_CUT_IN_PERCENT:g} % on LiFePO4", sources.PRACTICE, change
    )


def _maybe_lifepo4(known: Known) -> bool:
    return bool(known.get("battery.chemistry", "lifepo4") == "lifepo4")


def _night(known: Known) -> Verdict:
    left_wh = bank_wh(known, known["control.floor_percent"])
    night_wh = known["battery.night_wh"]
    needed = 100 * night_wh / energy_wh(known["battery.capacity_ah"], known["battery.nominal_v"])
    fits = f"Set control.floor_percent to at least {at_least(needed)}."
    if needed > known["control.cut_out_percent"]:
        fits = "Use less at night, or a larger bank: no floor below the cut-out leaves that much."
    return asked(
        good=not over(night_wh, left_wh),
        figure=f"the floor of {known['control.floor_percent']:g} % leaves {num(left_wh)} Wh",
        limit=f"at least {night_wh:g} Wh, what the night takes",
        source=sources.NIGHT,
        change=fits,
    )


def _discharge(known: Known) -> Verdict:
    whole_a = highest_a(known) + known["battery.other_loads_a"]
    return asked(
        good=not over(whole_a, known["battery.discharge_limit_a"]),
        figure=f"{num(whole_a)} A with all else running",
        limit=f"at most {known['battery.discharge_limit_a']:g} A, the battery management's",
        source=sources.CURRENTS,
        change="Run less at the same time: the battery management may cut the whole bus off.",
    )


def _cold(known: Known) -> Verdict:
    coldest, from_c = known["battery.coldest_c"], known["battery.charge_from_c"]
    state = graded(fails=from_c < 0 and coldest < 0, cautions=coldest < from_c)
    figure = f"cells down to {coldest:g} degC, charging from {from_c:g} degC"
    change = ""
    if state == State.FAIL:
        change = "Do not charge LiFePO4 below 0 degC: set the battery management, or keep the cells warm."
    elif state == State.CAUTION:
        change = "When it refuses the charge, the panels alone hold the bus: see that nothing switches on then."
    return Verdict(state, figure, "no charging below 0 degC (LiFePO4)", sources.COLD_CELLS, change)


def _throttle_known(known: Known) -> bool:
    return throttle_percent(known) is not None


def _model_needs(known: Known) -> bool:
    return not _throttle_known(known) and known.get("battery.chemistry") == "lifepo4"


def _throttle_needs(known: Known) -> bool:
    return not _throttle_known(known) and known.get("battery.chemistry") != "lifepo4"


CHECKS = (
    Check(BANK, "band-dwell", "band against the dwell", Danger.BANK, (*HIGHEST, *ENERGY), _band),
    Check(BANK, "shortest-cycle", "shortest possible cycle", Danger.SERVICE, (*HIGHEST, *ENERGY), _cycle),
    Check(BANK, "panels-load", "panels against the load", Danger.SERVICE, ("solar.peak_w", *HIGHEST), _panels),
    Check(BANK, "lost-data", "cost of lost data", Danger.BANK, (*HIGHEST, *ENERGY), _lost_data),
    Check(BANK, "repeated-values", "old values told again", Danger.BANK, (), _told_again),
    Check(
        BANK,
        "counter-drift",
        "drift of the counter",
        Danger.BANK,
        ("battery.counter_offset_a", "battery.capacity_ah"),
        _drift,
    ),
    Check(BANK, "surplus", "surplus or charge", Danger.SERVICE, (), _surplus, _throttle_known),
    Check(BANK, "surplus", "surplus or charge", Danger.SERVICE, THROTTLE_MODEL, _surplus, _model_needs),
    Check(
        BANK, "surplus", "surplus or charge", Danger.SERVICE, ("battery.throttle_percent",), _surplus, _throttle_needs
    ),
    Check(BANK, "cut-in", "cut-in", Danger.SERVICE, (), _low_cut_in, _maybe_lifepo4),
    Check(BANK, "night-floor", "floor against the night", Danger.BANK, (*ENERGY, "battery.night_wh"), _night),
    Check(
        BANK,
        "discharge-limit",
        "discharge limit of the bank",
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
