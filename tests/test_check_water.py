"""The water on paper."""

from pathlib import Path
from typing import Any

import pytest
from judged import settings
from surveyed import BARGE, line, needs, state, without

from dumpload.check.document import check_document, is_wrong
from dumpload.check.text import check_text

UNSAID = without("tank.mixing_valve")
MAINS = {
    "tank.other_heat": "mains",
    "tank.other_w": 1000,
    "tank.other_c": 65,
    "tank.other_thermostat": True,
    "tank.other_cut_out": True,
}
ENGINE = {**MAINS, "tank.other_heat": "engine", "tank.other_w": 5000, "tank.other_c": 80}
DRAWN = {"tank.people": 3, "tank.litres_per_person": 30}


@pytest.mark.parametrize(
    ("name", "changes", "expected"),
    [
        ("relief valve", {}, "pass"),
        ("relief valve", {"tank.relief_valve": False}, "fail"),
        ("relief valve", without("tank.relief_valve"), "missing"),
        ("thermal cut-out", {}, "pass"),
        ("thermal cut-out", {"tank.cut_out": False}, "fail"),
        ("thermal cut-out", without("tank.cut_out"), "missing"),
        ("cut-out temperature", {"tank.cut_out_c": 93}, "pass"),
        ("cut-out temperature", {"tank.cut_out_c": 94}, "fail"),
        ("cut-out temperature", {"tank.cut_out_c": 70}, "fail"),  # no higher than the thermostat
        # A stuck contact never passes, whatever is fitted.
        ("stuck contact", {}, "caution"),
        ("stuck contact", {"tank.cut_out": False}, "fail"),
        ("stuck contact", {"tank.relief_valve": False}, "fail"),
        ("stuck contact", {"tank.thermostat_dc": False}, "caution"),
        ("stuck contact", without("tank.relief_valve"), "caution"),  # it boils, and whether there is one is not said
        # 16.2 kWh / 24 / 45 = 15 W/K: 18 + 432 / 15 = 46.8 degC
        ("stuck contact", {"tank.cut_out": False, "tank.loss_kwh_per_day": 16.2}, "caution"),
        ("stuck contact", without("tank.around_c", "tank.loss_kwh_per_day"), "caution"),  # boils as fast as can be
        ("stuck contact", without("tank.volume_l"), "missing"),
        ("dry element", {"tank.dry_fire_guard": False}, "caution"),
        ("dry element", without("tank.dry_fire_guard"), "missing"),
        # 2.56 l are needed, see the worked barge.
        ("expansion", {"tank.vessel_l": 2.6}, "pass"),
        ("expansion", {"tank.vessel_l": 2.5}, "fail"),
        ("expansion", without("tank.sealed"), "missing"),
        ("expansion", {"tank.sealed": False, **without("tank.vessel_l", "tank.relief_bar")}, "info"),
        ("expansion", {"tank.supply_bar": 2.8}, "fail"),  # above 90 % of the relief valve: no vessel helps
        ("expansion", {"tank.supply_bar": 3.5}, "fail"),
        ("supply and relief valve", {}, "pass"),
        ("supply and relief valve", {"tank.supply_bar": 2.7}, "pass"),
        ("supply and relief valve", {"tank.supply_bar": 2.8}, "caution"),
        ("supply and relief valve", {"tank.supply_bar": 3}, "fail"),
        ("supply and relief valve", {"tank.supply_bar": 20}, "fail"),
        ("supply and relief valve", without("tank.supply_bar"), "missing"),
        ("supply and relief valve", {"tank.relief_valve": False, **without("tank.relief_bar")}, ""),
        ("pressure of the tank", {}, "missing"),
        ("pressure of the tank", {"tank.working_bar": 3}, "pass"),
        ("pressure of the tank", {"tank.working_bar": 2.9}, "fail"),  # the tank gives way before the valve opens
        ("pressure of the tank", {"tank.working_bar": 3, "tank.relief_valve": False}, ""),
        # 432 W at the highest voltage, and the other heater's 1000 W.
        ("capacity of the relief valve", {"tank.relief_w": 432}, "pass"),
        ("capacity of the relief valve", {"tank.relief_w": 431}, "fail"),
        ("capacity of the relief valve", {}, "missing"),
        ("capacity of the relief valve", {**MAINS, "tank.relief_w": 1432}, "pass"),
        ("capacity of the relief valve", {**MAINS, "tank.relief_w": 1431}, "fail"),
        ("capacity of the relief valve", {**MAINS, "tank.relief_w": 1432, **without("tank.other_w")}, "missing"),
        ("discharge pipe", {}, "missing"),
        ("discharge pipe", {"tank.discharge_pipe": True}, "pass"),
        ("discharge pipe", {"tank.discharge_pipe": False}, "fail"),
        ("discharge pipe", {"tank.relief_valve": False}, ""),
        ("other heater", {}, "missing"),
        ("other heater", {"tank.other_heat": "none"}, "info"),
        ("other heater", MAINS, "pass"),
        ("other heater", {**MAINS, "tank.other_c": 70}, "caution"),  # the surplus finds a hot tank
        ("other heater", {**MAINS, "tank.other_c": 85}, "fail"),  # it trips the cut-out of the element
        ("other heater", {**MAINS, **without("tank.other_c")}, "missing"),
        ("other heater's thermostat", MAINS, "pass"),
        ("other heater's thermostat", {**MAINS, "tank.other_thermostat": False}, "fail"),
        ("other heater's thermostat", {**MAINS, **without("tank.other_thermostat")}, "missing"),
        ("other heater's thermostat", {"tank.other_heat": "none"}, ""),
        ("other heater's cut-out", MAINS, "pass"),
        ("other heater's cut-out", {**MAINS, "tank.other_cut_out": False}, "fail"),
        ("other heater's cut-out", {**ENGINE, **without("tank.other_cut_out")}, "missing"),
        ("scald", {"tank.mixing_valve": False}, "fail"),
        ("scald", UNSAID, "caution"),
        ("scald", {"tank.target_c": 44, "tank.mixing_valve": False}, "pass"),
        ("scald", {"tank.target_c": 44, "tank.mixing_valve": False, **ENGINE}, "fail"),
        ("scald", without("tank.target_c"), "missing"),
        # Surplus alone holds no temperature; mains do, an engine does not.
        ("storage temperature", {}, "caution"),
        ("storage temperature", {"tank.target_c": 60}, "caution"),
        ("storage temperature", {"tank.target_c": 59}, "caution"),
        ("storage temperature", MAINS, "pass"),
        ("storage temperature", {**MAINS, "tank.other_c": 59}, "caution"),
        ("storage temperature", ENGINE, "caution"),
        # 1.2 kWh a day lose little; 50 kWh a day more than the heater gives: 46.3 W/K x 52 K
        ("heating", {}, "info"),
        ("heating", {"tank.loss_kwh_per_day": 50}, "caution"),
        ("heating", without("tank.loss_kwh_per_day"), "info"),
        ("mixed water", {}, "info"),
        ("standing loss", {}, "info"),
        ("standing loss", without("tank.around_c"), "missing"),
        # 90 l a day from 10 to 40 degC: 3.14 kWh, and 1.39 kWh are lost; 8 h of 330 W are 2.64 kWh.
        ("water drawn", {}, "missing"),
        ("water drawn", DRAWN, "caution"),
        ("water drawn", {**DRAWN, "tank.people": 1}, "info"),
        ("water drawn", {**DRAWN, "permissive.window": []}, "info"),
        ("water drawn", {**DRAWN, "permissive.window": [], "permissive.max_on_per_day_s": 3600}, "caution"),
    ],
)
def test_the_water(name: str, changes: dict[str, Any], expected: str) -> None:
    assert state(name, changes) == expected


def test_a_stuck_contact_says_when_the_tank_boils_and_what_is_left_to_stop_it() -> None:
    # 40 l at 70 degC are 39.11 kg, which take 419.10 - 293.07 kJ/kg (IAPWS-95) to 100 degC: 4929 kJ, 164.3 kJ/K.
    # 1.1111 W/K; end 18 + 432 / 1.1111 = 406.8 degC; 147870 s x ln(336.8 / 306.8) = 13797 s = 3.83 h
    verdict = line("stuck contact")
    assert verdict.figure == (
        "432 W continuous: the tank at 70 degC boils in 3.83 h; protection left, as stated: the thermostat, the "
        "cut-out at 85 degC, the relief valve"
    )
    assert "test each of them" in verdict.change


def test_the_standing_loss_says_how_long_the_heat_keeps() -> None:
    # 1200 Wh / 24 h / 45 K = 1.111 W/K, x 52 K = 57.8 W. 40 l at 70 degC are 39.11 kg, which lose 293.07 - 251.22 kJ/kg
    # (IAPWS-95) down to 60 degC: 163.7 kJ/K; 147310 s x ln(52 / 42) = 31462 s = 8.74 h
    assert line("standing loss").figure == (
        "loses 1.11 W/K: 57.8 W at 70 degC, and cools to 60 degC in 8.74 h if nothing is drawn"
    )
    assert line("standing loss", {"tank.target_c": 60}).figure == "loses 1.11 W/K: 46.7 W at 60 degC"


def test_a_stuck_contact_counts_on_nothing_that_is_not_there_or_not_stated() -> None:
    bare = {"tank.thermostat_dc": False, "tank.cut_out": False, **without("tank.relief_valve")}
    verdict = line("stuck contact", bare)
    assert verdict.figure.endswith("protection left, as stated: none")
    assert "before the first switch-on" in verdict.change


def test_a_thermostat_that_breaks_the_coil_does_not_stop_a_welded_contact() -> None:
    figure = line("stuck contact", {"tank.thermostat_breaks": "coil"}).figure
    assert figure.endswith("protection left, as stated: the cut-out at 85 degC, the relief valve")
    rated = {"tank.thermostat_v": 48, **without("tank.thermostat_dc")}
    assert "as stated: the thermostat, " in line("stuck contact", rated).figure


def test_without_the_loss_a_stuck_contact_boils_the_tank_the_sooner() -> None:
    # 4929 kJ / 432 W = 11410 s = 3.17 h
    figure = line("stuck contact", without("tank.loss_kwh_per_day")).figure
    assert figure.startswith(
        "432 W continuous: the tank at 70 degC boils in 3.17 h (without standing loss); protection"
    )


def test_a_stuck_contact_that_cannot_boil_the_tank_says_where_it_ends() -> None:
    assert line("stuck contact", {"tank.loss_kwh_per_day": 16.2}).figure.startswith(
        "432 W continuous: the tank gets no hotter than 46.8 degC; protection"
    )


def test_a_supply_above_the_relief_valve_is_said_in_words() -> None:
    verdict = line("supply and relief valve", {"tank.supply_bar": 3.5})
    assert verdict.figure == "supply 3.5 bar, relief valve 3 bar: it never closes"
    assert "reducing valve" in verdict.change
    assert "no vessel is large enough" in line("expansion", {"tank.supply_bar": 3.5}).figure


def test_the_capacity_of_the_relief_valve_counts_both_heaters_once() -> None:
    # 1432 W x 3600 / 2256.5 kJ/kg (IAPWS-95) = 2.285 kg/h
    verdict = line("capacity of the relief valve", {**MAINS, "tank.relief_w": 1000})
    assert verdict.figure == "rated 1000 W; both heaters at 1432 W make 2.28 kg of steam an hour"


def test_two_supplies_at_one_tank_are_both_isolated() -> None:
    assert "isolate both" in line("other heater", MAINS).change


def test_the_tank_is_as_hot_as_the_hotter_of_its_heaters() -> None:
    assert line("scald", ENGINE).figure.startswith("80 degC: ")
    # 40 l from 10 to 80 degC: 999.70 / 971.79 - 1 = 2.872 % (IAPWS-95), 1.149 l
    assert line("expansion", ENGINE).figure.startswith("expands by 1.15 l up to 80 degC")


def test_what_is_drawn_is_set_against_what_the_element_can_give() -> None:
    # 90 l x 30 K x 1.1627 Wh = 3.138 kWh. Lost: 1.111 W/K x (70 - 18) K x 24 h = 1.387 kWh. 4.525 kWh / 329.9 W
    # (with the cable in series, see the worked barge) = 13.7 h
    verdict = line("water drawn", DRAWN)
    assert verdict.figure == (
        "3 people draw 90 l at 40 degC a day: 3.14 kWh, plus 1.39 kWh of standing loss: 13.7 h of the element; a hot "
        "tank gives 80 l"
    )
    assert verdict.limit == "at most 8 h a day, within permissive.window and permissive.max_on_per_day_s"
    assert "run dumpload simulate" in line("water drawn", {**DRAWN, "tank.people": 1}).change


def test_storage_at_60_degc_with_surplus_alone_says_why_it_does_not_pass() -> None:
    assert "surplus alone" in line("storage temperature", {"tank.target_c": 60}).figure


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("relief valve", "tank.relief_valve"),
        ("thermal cut-out", "tank.cut_out"),
        ("dry element", "tank.dry_fire_guard"),
        ("thermostat", "tank.thermostat_dc"),
    ],
)
def test_a_question_of_safety_without_an_answer_is_incomplete_and_comes_before_what_passed(name: str, key: str) -> None:
    also = ("tank.thermostat_v", "tank.thermostat_a") if name == "thermostat" else ()
    found = check_document(Path("barge.toml"), settings({**BARGE, **without(key, *also)}))
    assert (found["verdict"], is_wrong(found)) == ("incomplete", True)
    text = check_text(found)
    assert text.index(f": {name}  [") < text.index("\nPassed")


def test_what_an_owner_states_is_marked_as_stated() -> None:
    for name in ("relief valve", "thermal cut-out"):
        assert line(name).figure == "fitted, as stated"


# Worse never looks better: (name, key, better to worse)
ORDER = {"pass": 0, "info": 0, "caution": 1, "missing": 1, "fail": 2}


@pytest.mark.parametrize(
    ("name", "key", "values"),
    [
        ("supply and relief valve", "tank.supply_bar", [0, 1.4, 2.6, 2.8, 2.99, 3, 3.01, 6, 20]),
        ("expansion", "tank.supply_bar", [0, 1.4, 2.6, 2.8, 2.99, 3, 3.01, 6, 20]),
        ("expansion", "tank.vessel_l", [20, 5, 2.6, 2.5, 1, 0.1]),
        ("cut-out temperature", "tank.cut_out_c", [80, 93, 94, 95]),
        ("cut-out temperature", "tank.cut_out_c", [80, 71, 70, 60, 0]),
        ("scald", "tank.target_c", [30, 44, 45, 60, 70, 95]),
        ("other heater", "tank.other_c", [10, 60, 69, 70, 84, 85, 95]),
        ("capacity of the relief valve", "tank.relief_w", [10_000, 1432, 1431, 1]),
        ("pressure of the tank", "tank.working_bar", [10, 3, 2.9, 0]),
        ("water drawn", "tank.people", [1, 2, 3, 50, 1000]),
    ],
)
def test_worse_never_looks_better(name: str, key: str, values: list[float]) -> None:
    graded = [ORDER[state(name, {**MAINS, **DRAWN, "tank.mixing_valve": False, key: one})] for one in values]
    assert graded == sorted(graded)


def test_the_tank_is_as_hot_as_the_program_lets_it_be() -> None:
    stops = {
        "telemetry.tank_temperature.topic": "barge/heater/temperature",
        "permissive.tank_cut_out_c": 55,
        "permissive.tank_cut_in_c": 50,
    }
    assert state("storage temperature", stops) == "caution"
    assert line("mixed water", stops).figure == "60 l at 40 degC from a tank at 55 degC"  # 40 x 45 / 30
    assert line("scald", stops).figure.startswith("70 degC")  # the program is not what keeps it safe


def test_without_the_standing_loss_the_time_is_the_shortest_and_says_so() -> None:
    # 2.79 kWh / 329.9 W (with the cable in series, see the worked barge) = 8.45 h
    figure = line("heating", without("tank.loss_kwh_per_day")).figure
    assert (
        figure == "2.79 kWh from 10 to 70 degC; 8.45 h with 330 W at nominal voltage (without standing loss: not known)"
    )


def test_a_tank_that_loses_what_it_gets_never_arrives() -> None:
    verdict = line("heating", {"tank.loss_kwh_per_day": 50})
    assert "never with 330 W" in verdict.figure
    assert "insulate" in verdict.change


@pytest.mark.parametrize(
    ("target_c", "words"),
    [
        (44, "44 degC: no burn within hours"),
        (45, "45 degC: second-degree burn in 2 h"),
        (49, "49 degC: second-degree burn in 8 min"),
        (55, "55 degC: second-degree burn in 17 s"),
        (60, "60 degC: second-degree burn in 3 s"),
        (65.6, "65.6 degC: second-degree burn in 1.5 s"),
        (68.3, "68.3 degC: second-degree burn in 1 s"),
        (70, "70 degC: second-degree burn in under 1 s"),
        (80, "80 degC: second-degree burn in under 1 s"),
    ],
)
def test_the_time_to_a_scald(target_c: float, words: str) -> None:
    assert line("scald", {"tank.target_c": target_c, "tank.cut_out_c": 85}).figure.startswith(words)


def test_it_never_claims_disinfection() -> None:
    for changes in ({}, MAINS, {"tank.target_c": 50}):
        assert "do not rely on it to disinfect" in line("storage temperature", changes).figure


def test_what_a_closed_tank_needs_is_asked_for() -> None:
    assert needs("expansion", without("tank.vessel_l", "tank.supply_bar")) == ("tank.supply_bar", "tank.vessel_l")
