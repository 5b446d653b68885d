"""The water on paper."""

from typing import Any

import pytest
from surveyed import line, needs, state, without

UNSAID = without("tank.mixing_valve")


@pytest.mark.parametrize(
    ("name", "changes", "expected"),
    [
        ("relief valve", {"tank.relief_valve": False}, "fail"),
        ("relief valve", without("tank.relief_valve"), "missing"),
        ("thermal cut-out", {"tank.cut_out": False}, "fail"),
        ("thermal cut-out", without("tank.cut_out"), "missing"),
        ("cut-out temperature", {"tank.cut_out_c": 93}, "pass"),
        ("cut-out temperature", {"tank.cut_out_c": 94}, "fail"),
        ("cut-out temperature", {"tank.cut_out_c": 70}, "fail"),  # no higher than the thermostat
        ("thermostat", {"tank.thermostat_dc": False}, "fail"),
        ("thermostat", without("tank.thermostat_dc"), "missing"),
        ("stuck contact", {"tank.cut_out": False}, "fail"),
        ("stuck contact", without("tank.relief_valve"), "caution"),  # it boils, and whether there is one is not said
        # 16.2 kWh / 24 / 45 = 15 W/K: 18 + 432 / 15 = 46.8 degC
        ("stuck contact", {"tank.cut_out": False, "tank.loss_kwh_per_day": 16.2}, "pass"),
        ("stuck contact", without("tank.around_c"), "missing"),
        ("dry element", {"tank.dry_fire_guard": False}, "caution"),
        ("dry element", without("tank.dry_fire_guard"), "missing"),
        # 2.56 l are needed, see the worked barge.
        ("expansion", {"tank.vessel_l": 2.6}, "pass"),
        ("expansion", {"tank.vessel_l": 2.5}, "fail"),
        ("expansion", without("tank.sealed"), "missing"),
        ("expansion", {"tank.sealed": False, **without("tank.vessel_l", "tank.relief_bar")}, "pass"),
        ("expansion", {"tank.supply_bar": 2.8}, "fail"),  # above 90 % of the relief valve: no vessel helps
        ("scald", {"tank.mixing_valve": False}, "fail"),
        ("scald", UNSAID, "caution"),
        ("scald", {"tank.target_c": 44, "tank.mixing_valve": False}, "pass"),
        ("scald", without("tank.target_c"), "missing"),
        ("storage temperature", {"tank.target_c": 60}, "pass"),
        ("storage temperature", {"tank.target_c": 59}, "caution"),
        # 1.2 kWh a day lose little; 50 kWh a day more than the heater gives: 46.3 W/K x 52 K
        ("heating", {"tank.loss_kwh_per_day": 50}, "caution"),
        ("heating", without("tank.loss_kwh_per_day"), "info"),
    ],
)
def test_the_water(name: str, changes: dict[str, Any], expected: str) -> None:
    assert state(name, changes) == expected


def test_the_tank_is_as_hot_as_the_program_lets_it_be() -> None:
    stops = {
        "telemetry.tank_temperature.topic": "barge/heater/temperature",
        "permissive.tank_cut_out_c": 55,
        "permissive.tank_cut_in_c": 50,
    }
    assert state("storage temperature", stops) == "caution"
    assert line("mixed water", stops).figure == "60 litres at 40 degC from a tank at 55 degC"  # 40 x 45 / 30
    assert line("scald", stops).figure.startswith("70 degC")  # the program is not what keeps it safe


def test_without_the_standing_loss_the_time_is_the_shortest_and_says_so() -> None:
    # 2.79 kWh / 341.3 W = 8.17 h
    figure = line("heating", without("tank.loss_kwh_per_day")).figure
    assert (
        figure == "2.79 kWh from 10 to 70 degC; 8.17 h with 341 W at nominal voltage (without standing loss: not known)"
    )


def test_a_tank_that_loses_what_it_gets_never_arrives() -> None:
    verdict = line("heating", {"tank.loss_kwh_per_day": 50})
    assert "never with 341 W" in verdict.figure
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
    assert "count on no disinfection" in line("storage temperature").figure


def test_what_a_closed_tank_needs_is_asked_for() -> None:
    assert needs("expansion", without("tank.vessel_l", "tank.supply_bar")) == ("tank.supply_bar", "tank.vessel_l")
