"""Five whole installations: each figure recomputed here, each verdict argued in a line.

`by_hand` uses nothing of the program: Ohm's law, tables as printed (named beside them), and water by IAPWS-97 of the
package iapws. The verdicts are what a careful electrician and a plumber would say of that figure.
"""

import math
from pathlib import Path
from typing import Any

import five
import pytest
from iapws import IAPWS97
from judged import settings

from dumpload.check.document import CHECKS, check_document, is_wrong
from dumpload.check.table import run_checks
from dumpload.config.model import flat, load_settings

# IEC 60364-5-52 method B2, 33 CFR 183.425 Table 5 at 105 degC, IEC 60228 class 5 tinned and class 2 (read).
B2_A = {6: 34, 10: 46}
TABLE_5_A = {"4": 160}
OHM_PER_KM = {(25, "class_5_tinned"): 0.795, (10, "class_2_plain"): 1.83, (0.5, "class_5_tinned"): 40.1}

Rows = dict[str, list[tuple[float, float | None]]]


def enthalpy(celsius: float) -> float:
    return float(IAPWS97(T=celsius + 273.15, P=0.101325).h if celsius < 100 else 419.06)  # kJ/kg; saturated at 100


def density(celsius: float) -> float:
    return float(IAPWS97(T=celsius + 273.15, P=0.101325).rho)


def heat_wh(litres: float, cold_c: float, hot_c: float) -> float:
    return litres / 1000 * density(cold_c) * (enthalpy(hot_c) - enthalpy(cold_c)) / 3.6


def seconds(k: dict[str, Any], watts: float, from_c: float, to_c: float) -> float:
    """(C / UA) ln((Te - T0) / (Te - T)), Te = Ta + P / UA."""
    loss = k["tank.loss_kwh_per_day"] * 1000 / 24 / k["tank.loss_difference_k"]
    capacity = heat_wh(k["tank.volume_l"], from_c, to_c) * 3600 / (to_c - from_c)
    end_c = k["tank.around_c"] + watts / loss
    return capacity / loss * math.log((end_c - from_c) / (end_c - to_c))


def cable_ohm(k: dict[str, Any]) -> float:
    """Out and back, copper at 75 degC; a gauge by its area and 58 m per ohm and mm²."""
    if "wiring.gauge" in k:
        area = math.pi / 4 * (0.127 * 92 ** ((36 - int(k["wiring.gauge"])) / 39)) ** 2
        per_km = 1000 / (58 * area)
    else:
        per_km = OHM_PER_KM[k["wiring.area_mm2"], k.get("wiring.conductor", "class_5_tinned")]
    return float(2 * k["wiring.length_m"] / 1000 * per_km * (1 + 0.00393 * 55))


def load(k: dict[str, Any]) -> Rows:
    ohm, high_v = k["load.rated_v"] ** 2 / k["load.rated_w"], k["battery.highest_v"]
    rows: Rows = {"element-plate": [(high_v**2 / ohm / k["load.rated_w"], 1.5)]}
    for name in ("lowest", "nominal", "highest"):
        amperes = k[f"battery.{name}_v"] / (ohm + cable_ohm(k))
        rows[f"power-{name}"] = [(amperes**2 * ohm, None), (amperes, None)]
    return rows


def cable(k: dict[str, Any], carries_a: float) -> Rows:
    ohm, high_v, run = k["load.rated_v"] ** 2 / k["load.rated_w"], k["battery.highest_v"], cable_ohm(k)
    amperes = high_v / ohm
    mohm = k.get("battery.resistance_mohm")
    rows: Rows = {
        "cable-drop": [(100 * run / (ohm + run), 3)],
        "cable-ampacity": [(carries_a, 1.25 * amperes)],
        "fuse-load": [(k["wiring.fuse_a"], 1.25 * amperes)],
        "fuse-cable": [(k["wiring.fuse_a"], carries_a)],
        "fuse-distance": [(k["wiring.fuse_distance_m"], (40 if k["wiring.fuse_sheathed"] else 7) * 0.0254)],
        "fuse-voltage": [(k["wiring.fuse_v"], high_v)],
        # ABYC E-11, table V.A, as printed: 20 kA where a lithium bank's milliohms are not known.
        "fuse-breaking": [(k["wiring.fuse_interrupts_a"], 1000 * high_v / mohm if mohm else 20_000)],
        "isolator": [(k["wiring.isolator_v"], high_v), (k["wiring.isolator_a"], 1.25 * amperes)],
    }
    if mohm:
        rows["fuse-far-short"] = [(k["battery.lowest_v"] / (mohm / 1000 + run) / k["wiring.fuse_a"], 5)]
    if "wiring.main_fuse_a" in k:
        rows["main-fuse-breaking"] = [(k["wiring.main_fuse_interrupts_a"], 20_000)]
        rows["fuse-selectivity"] = [(k["wiring.main_fuse_a"], 1.6 * k["wiring.fuse_a"])]
        rows["main-fuse-load"] = [(k["wiring.main_fuse_a"], 1.25 * (amperes + k["battery.other_loads_a"]))]
    return rows


def contact(k: dict[str, Any]) -> Rows:
    ohm, high_v = k["load.rated_v"] ** 2 / k["load.rated_w"], k["battery.highest_v"]
    amperes, coil_v = high_v / ohm, k.get("driver.supply_v", high_v)
    rows: Rows = {"contact-endurance": [(k["contact.operations"] / k["contact.operations_per_day"] / 365.25, 10)]}
    if "contact.ac_v" in k:
        rows["contact-ac-only"] = [(k["contact.ac_v"], None)]
    if "contact.dc_v" in k:
        rows["contact-voltage"] = [(k["contact.dc_v"], high_v)]
        rows["contact-current"] = [(k["contact.dc_a"], 1.25 * amperes)]
    if "contact.dc_w" in k:
        rows["contact-power"] = [(k["contact.dc_w"], high_v**2 / ohm)]
    if "contact.feedback_ohm" in k:
        rows["feedback-wetting"] = [(3300 / k["contact.feedback_ohm"], k["contact.feedback_least_ma"])]
    for name, finding in (("thermostat", "thermostat"), ("cut_out", "cut-out-rating")):
        if f"tank.{name}_v" in k:
            volts, broken_a = high_v, amperes
            if k.get(f"tank.{name}_breaks") == "coil":
                volts, broken_a = coil_v, coil_v / k["driver.coil_ohm"]
            rows[finding] = [(k[f"tank.{name}_v"], volts), (k[f"tank.{name}_a"], 1.25 * broken_a)]
    return rows


def driver(k: dict[str, Any]) -> Rows:
    coil_v = k.get("driver.supply_v", k["battery.highest_v"])
    low_v, coil_a = k.get("driver.supply_v", k["battery.lowest_v"]), coil_v / k["driver.coil_ohm"]
    pull = "driver.pull_up_ohm" if "driver.pull_up_ohm" in k else "driver.pull_down_ohm"
    rows: Rows = {
        "coil-pull-in": [(low_v - k.get("driver.saturation_v", 0.7), 1.25 * k["driver.pull_in_v"])],
        "coil-voltage": [(k["driver.coil_most_v"], coil_v)],
        "driver-input": [(k[pull], 1000), (k[pull], 100_000)],
    }
    if "driver.gate_ohm" in k:
        gate_v = 3.3 * k["driver.pull_down_ohm"] / (k["driver.pull_down_ohm"] + k["driver.gate_ohm"])
        rows["driver-gate"] = [(k["driver.gate_full_v"], gate_v), (3300 / k["driver.gate_ohm"], 8)]
    if "driver.base_ohm" in k:
        pin_ma = 2600 / k["driver.base_ohm"]
        base_ma = pin_ma - 700 / k["driver.pull_down_ohm"]
        rows["driver-base"] = [(base_ma, 2000 * coil_a / k["driver.least_gain"]), (pin_ma, 8)]
    if "driver.transistor_v" in k:
        clamp_v = 0.7 + k.get("driver.clamp_v", 0)
        rows["transistor-rating"] = [(k["driver.transistor_v"], coil_v + clamp_v), (k["driver.transistor_a"], coil_a)]
        part = math.log((coil_v + clamp_v) / (coil_v / 10 + clamp_v))
        rows["coil-release"] = [(1000 * k["driver.coil_h"] / k["driver.coil_ohm"] * part, 50)]
    if "driver.opto_supply_v" in k:
        rows["opto-supply"] = [(k["driver.opto_supply_v"], 3.3)]
        rows["driver-kind"] = [(k["driver.input_ma"], 8)]
    return rows


def throttles(k: dict[str, Any]) -> float:
    """As seen, or (set point - I R) / cells on one maker's cell: 3.5093 V at 99.84 %, 3.5352 V at 99.9 %."""
    if "battery.throttle_percent" in k:
        return float(k["battery.throttle_percent"])
    amperes = min(k["solar.peak_w"] / k["battery.nominal_v"], k["solar.charger_a"])
    cell_v = (k["solar.absorption_v"] - amperes * k["battery.resistance_mohm"] / 1000) / k["battery.cells"]
    # From the cell's file (see physics/bank.py): 99.8 % 3.4943 V, 99.84 % 3.5093 V, 99.9 % 3.5352 V.
    low, low_v, high, high_v = (99.8, 3.4943, 99.84, 3.5093) if cell_v < 3.5093 else (99.84, 3.5093, 99.9, 3.5352)
    return float(low + (high - low) * (cell_v - low_v) / (high_v - low_v))


def is_evidence(k: dict[str, Any]) -> bool:
    set_v = k["solar.absorption_v"]
    return bool(0.99 * set_v <= k.get("permissive.voltage_cut_in", 0) <= set_v)


def bank(k: dict[str, Any]) -> Rows:
    ohm, high_v, cells = k["load.rated_v"] ** 2 / k["load.rated_w"], k["battery.highest_v"], k["battery.cells"]
    watts, amperes = high_v**2 / ohm, high_v / ohm
    wh = k["battery.capacity_ah"] * k["battery.nominal_v"]
    cut_in, cut_out, floor = (
        k.get(f"control.{name}_percent", default) for name, default in (("cut_in", 97), ("cut_out", 93), ("floor", 50))
    )
    on_s, off_s = k.get("control.min_on_s", 300), k.get("control.min_off_s", 300)
    cross_s = wh * (cut_in - cut_out) / 100 / watts * 3600
    lost = 100 * watts * (k["telemetry.state_of_charge.max_age_s"] + 1) / 3600 / wh
    nominal = k["battery.nominal_v"] / cells
    best_w = k.get("solar.most_w", 0.859 * k["solar.peak_w"])  # PVWatts' default losses, 14.08 % (pvlib 0.16.1)
    rows: Rows = {
        # LiFePO4: charged to 3.65 V; one maker's cell rests at 3.3479 V at 98 %.
        "cell-voltage": [(high_v / cells, 3.65), (high_v / cells, 3.3479), (nominal, 3.4), (nominal, 3.0)],
        "band-dwell": [(on_s, cross_s)],
        "shortest-cycle": [(4 * cross_s, on_s + off_s)],
        "lost-data": [(lost, min(1, cut_out - floor))],
        "counter-drift": [(100 * k["battery.counter_offset_a"] * 168 / k["battery.capacity_ah"], 100 - cut_in)],
        "cut-in": [(cut_in, 97)],
        "cold-charging": [(k["battery.coldest_c"], k["battery.charge_from_c"])],
        "surplus": [(throttles(k), None if is_evidence(k) else cut_out)],
        "night-floor": [(wh * floor / 100, k["battery.night_wh"])],
        "discharge-limit": [(amperes + k["battery.other_loads_a"], k["battery.discharge_limit_a"])],
        "panels-load": [(min(best_w, k["solar.charger_a"] * high_v), watts)],
        "bus-balance": [(k["solar.charger_a"], amperes + k["battery.other_loads_a"])],
    }
    if "permissive.voltage_cut_in" in k:
        asks_v, set_v = k["permissive.voltage_cut_in"], k["solar.absorption_v"]
        rows["voltage-reach"] = [(asks_v, set_v)]
        if asks_v <= set_v:
            rows["voltage-evidence"] = [(asks_v, 0.99 * set_v)]
            rows["voltage-float"] = [(asks_v, None), (k["solar.float_v"], None)]
        if "battery.resistance_mohm" in k:
            sag_v = amperes * k["battery.resistance_mohm"] / 1000
            rows["voltage-sag"] = [(sag_v, asks_v - k["permissive.voltage_cut_out"])]
    return rows


def water(k: dict[str, Any]) -> Rows:
    ohm, high_v = k["load.rated_v"] ** 2 / k["load.rated_w"], k["battery.highest_v"]
    litres, cold_c, hot_c, around_c = (k[f"tank.{name}"] for name in ("volume_l", "cold_c", "target_c", "around_c"))
    hottest_c = max(hot_c, k.get("tank.other_c", 0))
    nominal_w = (k["battery.nominal_v"] / (ohm + cable_ohm(k))) ** 2 * ohm
    loss = k["tank.loss_kwh_per_day"] * 1000 / 24 / k["tank.loss_difference_k"]
    grows_l = litres * (density(cold_c) / density(hottest_c) - 1)
    drawn_l = k["tank.people"] * k["tank.litres_per_person"]
    day_wh = heat_wh(drawn_l, cold_c, 40) + 24 * loss * (hot_c - around_c)
    supply, relief = k["tank.supply_bar"], k["tank.relief_bar"]
    rows: Rows = {
        "stuck-contact": [(high_v**2 / ohm, None), (seconds(k, high_v**2 / ohm, hottest_c, 100), None)],
        "scald": [(hottest_c, None)],
        "storage": [(k["tank.other_c"] if k["tank.other_heat"] == "mains" else 0, 60)],
        "standing-loss": [(loss, None), (loss * (hot_c - around_c), None)],
        "mixed-water": [(litres * (hot_c - cold_c) / (40 - cold_c), None)],
        "water-drawn": [(drawn_l, None), (day_wh, None), (day_wh / nominal_w, 8)],
        "expansion": [(grows_l, None)],
    }
    if "tank.cut_out_c" in k:
        rows["cut-out-temperature"] = [(k["tank.cut_out_c"], 93.3)]
    if hot_c > 60:  # cooling: tau ln((T - Ta) / (60 - Ta))
        capacity = heat_wh(litres, 60, hot_c) * 3600 / (hot_c - 60) * density(hot_c) / density(60)
        rows["standing-loss"].append((capacity / loss * math.log((hot_c - around_c) / (60 - around_c)), None))
    if nominal_w > loss * (hot_c - around_c):
        rows["heating"] = [(heat_wh(litres, cold_c, hot_c), None), (seconds(k, nominal_w, cold_c, hot_c), None)]
    if k["tank.relief_valve"]:
        rows["relief-capacity"] = [(k["tank.relief_w"], high_v**2 / ohm + k.get("tank.other_w", 0))]
        rows["tank-pressure"] = [(relief, k["tank.working_bar"])]
        rows["supply-pressure"] = [(supply, 0.9 * relief)]
    if k["tank.other_heat"] != "none":
        rows["other-heater"] = [(k["tank.other_c"], None)]
    if k["tank.sealed"] and supply < 0.9 * relief:  # Boyle, gauge pressures
        rows["expansion"] = [(k["tank.vessel_l"], grows_l / (1 - (supply + 1.01325) / (0.9 * relief + 1.01325)))]
    elif k["tank.sealed"]:
        rows["expansion"] = [(supply, None), (0.9 * relief, None)]
    return rows


def by_hand(k: dict[str, Any], carries_a: float) -> Rows:
    """Return (figure, limit) of every figure, by the id of its finding."""
    return {**load(k), **cable(k, carries_a), **contact(k), **driver(k), **bank(k), **water(k)}


def found(name: str) -> tuple[Rows, dict[str, str], list[str]]:
    """Return figures, states and what is missing, as the check has them."""
    findings, missing = run_checks(CHECKS, flat(settings(getattr(five, name))))
    figures = {
        one.check.id: [(number.value, number.limit) for number in one.verdict.numbers]
        for one in findings
        if one.verdict.numbers
    }
    return figures, {one.check.id: one.verdict.state.value for one in findings}, [one.check.id for one in missing]


@pytest.mark.parametrize(
    ("name", "carries_a"),
    [
        ("VAN", B2_A[6]),  # 8 AWG is 8.37 mm²: no rules for a vehicle are known, so 34 A of the row 6 mm², not 80 A
        ("BARGE", TABLE_5_A["4"] * 0.85),  # 25 mm² holds 4 AWG (21.2 mm²); 105 degC in an engine space
        ("CABIN", B2_A[10]),
        ("ABSURD", 0),  # below the thinnest row
    ],
)
def test_every_figure_is_what_the_hand_says(name: str, carries_a: float) -> None:
    figures, _states, _missing = found(name)
    hand = by_hand(getattr(five, name), carries_a)
    assert set(figures) == set(hand)
    for one, rows in hand.items():
        assert len(figures[one]) == len(rows), one
        for (figure, limit), (value, bound) in zip(figures[one], rows, strict=True):
            assert figure == pytest.approx(value, rel=2e-3), one
            assert limit == (None if bound is None else pytest.approx(bound, rel=2e-3)), one


# Of what all four have alike: why it passes, or is for information.
ALIKE = {
    "power-lowest": "info: Ohm's law, nothing to judge",
    "power-nominal": "info: Ohm's law, nothing to judge",
    "power-highest": "info: Ohm's law, nothing to judge",
    "contact-rest": "pass: normally open, as the owner says",
    "driver-input": "pass: the resistor pulls to off",
    "cut-out": "pass: fitted, as the owner says; its rating is judged separately",
    "cut-out-temperature": "pass: above the thermostat, below 93.3 degC",
    "cold-charging": "pass: never colder than the battery management allows charging at",
    "relief-valve": "pass: fitted, as the owner says",
    "discharge-pipe": "pass: as the owner says",
    "stuck-contact": "caution: it boils, so never a pass; what stops it is named",
    "storage": "caution: surplus alone holds no temperature",
    "scald": "pass: hotter than 44 degC, but a mixing valve is fitted",
    "mixed-water": "info",
    "standing-loss": "info",
    "heating": "info",
    "water-drawn": "info: fewer hours than the window has",
}

# Passes of all three that were thought about: figure inside its limit, see `by_hand`.
SOUND = (
    "element-plate", "cable-drop", "cable-ampacity", "fuse-load", "fuse-cable", "fuse-distance", "fuse-voltage",
    "contact-voltage", "contact-current", "contact-endurance", "coil-pull-in", "coil-voltage", "cut-out-rating",
    "isolator", "cell-voltage", "band-dwell", "shortest-cycle", "lost-data", "counter-drift", "cut-in", "night-floor",
    "discharge-limit", "panels-load", "relief-capacity", "tank-pressure", "supply-pressure", "expansion",
)  # fmt: skip

VAN = {
    **dict.fromkeys(SOUND, "pass: inside its limit"),
    **ALIKE,
    "rules": "info: no set for vehicles is known, so the most careful is taken",
    "relay-level": "info: high is on",
    "cold-charging": "caution: -5 degC, but the battery management charges from 1 degC only",
    "fuse-breaking": "pass: 5000 A against 14.4 V / 4 mohm",
    "fuse-far-short": "pass: 27 times the fuse",
    "contact-power": "pass: 288 of 600 W",
    "driver-gate": "pass: 3.15 V reach a gate specified at 2.5 V",
    "transistor-rating": "pass: a plain diode adds 0.7 V only",
    "coil-suppression": "pass: a diode",
    "coil-release": "pass: slow with a diode, still 6.5 ms",
    "thermostat": "pass: 24 V and 30 A for 14.4 V and 20 A",
    "repeated-values": "pass: the values bring their own time",
    "surplus": "pass: the voltage permissive is within 1 % of the set point",
    "bus-balance": "pass: just enough",
    "voltage-reach": "pass: below the set point",
    "voltage-evidence": "pass: 14.1 of 14.2 V",
    "voltage-float": "info: not in float",
    "voltage-sag": "pass: 80 mV of 0.9 V",
    "expansion": "info: open to the supply",
    "other-heater": "info: none",
    "dry-element": "pass: guarded, as the owner says",
}

BARGE = {
    **dict.fromkeys(SOUND, "pass: inside its limit"),
    **ALIKE,
    "rules": "info: US boat rules, on a boat",
    "relay-level": "info: high is on",
    "fuse-breaking": "fail: 2 kA at a lithium bank whose milliohms nobody knows",
    "main-fuse-breaking": "pass: 20 kA",
    "fuse-selectivity": "pass: 150 A before 50 A",
    "main-fuse-load": "pass: everything on, and a quarter more",
    "contact-current": "caution: 40 A carry 36.7 A continuous, without a quarter to spare",
    "cut-out-rating": "caution: the same",
    "coil-pull-in": "caution: a cold coil pulls in, a hot one may not",
    "driver-base": "pass: saturated, and the pin is spared",
    "transistor-rating": "pass: 80 V for 28.8 + 27 + 0.7 V",
    "coil-suppression": "pass: a clamp that the transistor stands",
    "coil-release": "pass: fast with a clamp",
    "thermostat": "pass: it breaks the coil's 90 mA only",
    "repeated-values": "caution: no timestamp",
    "surplus": "caution: seen to throttle at 98.5 %, cut-in 97 %, no voltage permissive",
    "bus-balance": "caution: 60 A for 76.7 A",
    "dry-element": "caution: nothing guards it",
    "other-heater": "caution: the engine heats higher than the element",
    "other-thermostat": "pass: as the owner says",
    "other-cut-out": "pass: as the owner says",
}

CABIN = {
    **dict.fromkeys(SOUND, "pass: inside its limit"),
    **ALIKE,
    "rules": "info: IEC, in a building",
    "relay-level": "info: low is on, its pull is judged separately",
    "fuse-cable": "fail: 50 A on a cable for 46 A",
    "opto-supply": "fail: 5 V on the LED's side, 3.3 V at the pin: off is not off",
    "cable-drop": "caution: above 3 %",
    "cable-ampacity": "caution: carries the load, but no fuse of 125 % protects it",
    "thermostat": "caution: a bare 'rated for DC'",
    "fuse-breaking": "pass: 10 kA against 4.8 kA",
    "fuse-far-short": "pass: 13 times the fuse",
    "feedback-wetting": "pass: 10 mA for 5 mA",
    "driver-kind": "pass: 3 mA of the pin's 8 mA; what is on the board is not checked",
    "repeated-values": "caution: no timestamp",
    "surplus": "caution: the permissive at 54 V is no evidence",
    "bus-balance": "caution: 70 A for 99.5 A",
    "voltage-reach": "pass: below the set point",
    "voltage-evidence": "caution: in full sun the bus stands at 54 V long before full",
    "voltage-float": "info: in float, too",
    "voltage-sag": "pass: 0.47 V of 1 V; with everything on it settles above 53 V",
    "other-heater": "info: none",
    "dry-element": "pass: guarded, as the owner says",
}

ABSURD = {
    "rules": "caution: US boat rules in a building",
    "element-plate": "fail: a 24 V element on 57.6 V",
    "power-lowest": "info",
    "power-nominal": "info",
    "power-highest": "info",
    "cable-drop": "fail: nearly all is lost in the cable",
    "cable-ampacity": "fail: a hair for 300 A",
    "fuse-load": "fail: 200 A for 300 A",
    "fuse-cable": "fail: 200 A on a hair",
    "fuse-distance": "caution: 10 m, and no known rule that forbids it in a building",
    "fuse-voltage": "fail: 12 V",
    "fuse-breaking": "fail: 100 A",
    "contact-ac-only": "fail: an AC rating is no DC rating",
    "contact-rest": "fail: closed when dead",
    "contact-endurance": "fail: ten days",
    "relay-level": "caution: low is on, and nothing pulls it up",
    "driver-input": "fail: pulled to on",
    "coil-pull-in": "fail: 4.3 V for a 9 V coil",
    "coil-voltage": "fail: 5 V on a 3 V coil",
    "driver-gate": "fail: the divider leaves 0.3 V",
    "coil-suppression": "fail: none",
    "thermostat": "fail: not for DC",
    "isolator": "fail: 12 V, 10 A",
    "cut-out": "fail: none",
    "relief-valve": "fail: none",
    "dry-element": "caution: nothing guards it",
    "stuck-contact": "fail: boils in seconds, nothing stops it",
    "other-heater": "caution: hotter than the element's target",
    "other-thermostat": "fail: none",
    "other-cut-out": "fail: none",
    "expansion": "fail: no room for any vessel",
    "scald": "fail: 95 degC and no mixing valve",
    "storage": "pass: the mains heater holds more than 60 degC",
    "heating": "caution: never hot",
    "standing-loss": "info",
    "mixed-water": "info",
    "water-drawn": "caution: 4000 l a day from 10 l",
    "cell-voltage": "fail: 57.6 V over 15 cells",
    "band-dwell": "fail: a day's dwell on a tenth of a percent",
    "shortest-cycle": "caution: four seconds",
    "lost-data": "fail: no room between cut-out and floor",
    "repeated-values": "caution: no timestamp",
    "counter-drift": "caution: drifts through everything in a week",
    "surplus": "caution: diverted",
    "cut-in": "caution: 80 %",
    "night-floor": "fail: the night needs more than there is",
    "discharge-limit": "fail: 360 of 50 A",
    "cold-charging": "fail: charged in frost",
    "panels-load": "caution: 100 W of panels",
    "bus-balance": "caution: 5 A",
    "voltage-reach": "fail: 60.1 V is never there",
}

MINIMAL = {
    "power-nominal": "info: Ohm's law",
    "relay-level": "info: high is on",
    "cut-in": "pass: 97 %, the least for LiFePO4, should it be that",
    "repeated-values": "caution: no timestamp",
}


@pytest.mark.parametrize(
    ("name", "argued", "verdict"),
    [
        ("VAN", VAN, "caution"),
        ("BARGE", BARGE, "fail"),
        ("CABIN", CABIN, "fail"),
        ("ABSURD", ABSURD, "fail"),
        ("MINIMAL", MINIMAL, "incomplete"),
    ],
)
def test_every_verdict_is_what_was_argued(name: str, argued: dict[str, str], verdict: str) -> None:
    _figures, states, _missing = found(name)
    assert states == {one: words.partition(":")[0] for one, words in argued.items()}
    document = check_document(Path(f"{name}.toml"), settings(getattr(five, name)))
    assert (document["verdict"], is_wrong(document)) == (verdict, verdict != "caution")


def test_what_is_missing_is_what_nobody_said() -> None:
    assert found("VAN")[2] == []
    assert found("CABIN")[2] == ["coil-suppression"]  # on the board
    assert found("BARGE")[2] == ["fuse-far-short"]  # needs the milliohms
    assert set(found("ABSURD")[2]) == {
        "contact-voltage",
        "contact-current",
        "fuse-far-short",
        "cut-out-temperature",
        "voltage-sag",
    }
    asked = {
        one["id"] for one in check_document(Path("m.toml"), settings(five.MINIMAL))["not_checked"] if one["safety"]
    }
    assert asked == {
        "fuse-load",
        "fuse-cable",
        "fuse-voltage",
        "fuse-breaking",
        "contact-voltage",
        "contact-current",
        "contact-rest",
        "thermostat",
        "cut-out",
        "cut-out-rating",
        "relief-valve",
        "dry-element",
    }


def test_the_shipped_example_has_no_mistake_but_what_it_says_of_itself() -> None:
    document = check_document(five.EXAMPLE, load_settings(five.EXAMPLE, {}))
    assert document["verdict"] == "caution"
    assert {one["id"] for one in document["findings"] if one["state"] == "caution"} == {
        "repeated-values",  # its source sends no time
        "surplus",  # the voltage permissive is there to be uncommented
        "bus-balance",
        "dry-element",
        "stuck-contact",
        "storage",
    }
