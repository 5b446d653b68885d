"""Water, and the tank it is in."""

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS95
from scipy.integrate import solve_ivp

from dumpload.physics.water import (
    density_kg_m3,
    equilibrium_c,
    expansion_l,
    heat_capacity_j_k,
    heat_j,
    loss_w_k,
    mixed_l,
    steam_kg_h,
    time_to_s,
    vessel_l,
)

TANK_J_K = 82_928.1  # 20 litres


def water_at(celsius: float) -> IAPWS95:
    return IAPWS95(T=celsius + 273.15, P=0.101325)


# IAPWS-95 at 101.325 kPa, calculated with iapws 1.5.5; CoolProp 8.0.0 agrees.
@pytest.mark.parametrize(
    ("celsius", "density", "heat"),
    [
        (5, 999.9666, 4205.04),
        (10, 999.7025, 4195.16),
        (15, 999.1026, 4188.46),
        (20, 998.2072, 4184.05),
        (40, 992.2164, 4179.41),
        (60, 983.1958, 4184.95),
        (65, 980.5508, 4187.32),
        (80, 971.7904, 4196.75),
    ],
)
def test_water_by_temperature(celsius: float, density: float, heat: float) -> None:
    assert density_kg_m3(celsius) == pytest.approx(density, abs=0.01)
    assert heat_j(1000, celsius - 0.5, celsius + 0.5) / density_kg_m3(celsius - 0.5) == pytest.approx(heat, abs=1)


@pytest.mark.parametrize("celsius", [0.01, *range(3, 100, 6), 99])
def test_water_agrees_with_the_reference_equation(celsius: float) -> None:
    water = water_at(celsius)
    assert density_kg_m3(celsius) == pytest.approx(water.rho, abs=0.01)


# IAPWS-95 enthalpy difference, mass at the cold temperature, calculated; and 1.163 Wh per litre and kelvin.
@pytest.mark.parametrize(
    ("litres", "cold", "hot", "kwh"),
    [(10, 15, 60, 0.52223), (20, 10, 60, 1.16149), (30, 10, 60, 1.74223), (40, 10, 65, 2.55547)],
)
def test_the_heat_of_a_tank(litres: float, cold: float, hot: float, kwh: float) -> None:
    assert heat_j(litres, cold, hot) / 3.6e6 == pytest.approx(kwh, rel=1e-4)
    assert heat_j(litres, cold, hot) / 3600 == pytest.approx(1.163 * litres * (hot - cold), rel=3e-3)
    water_kj_kg = water_at(hot).h - water_at(cold).h
    assert heat_j(litres, cold, hot) == pytest.approx(litres * water_at(cold).rho * water_kj_kg, rel=1e-5)
    assert heat_j(litres, hot, hot) == 0


# BS 6700:2006 Annex C: minutes = V T / (14.3 P) (read).
@pytest.mark.parametrize(
    ("litres", "rise", "kilowatt", "minutes"), [(60, 50, 3, 69.93006993), (20, 45, 0.3, 209.7902098)]
)
def test_heating_time_agrees_with_the_plumbers_rule(
    litres: float, rise: float, kilowatt: float, minutes: float
) -> None:
    assert heat_j(litres, 10, 10 + rise) / (1000 * kilowatt) / 60 == pytest.approx(minutes, rel=5e-3)


# t = (C / UA) ln((Te - T0) / (Te - T1)), calculated; solve_ivp agrees.
@pytest.mark.parametrize(
    ("watts", "loss", "minutes"), [(300, 0.5, 213.6549947), (600, 1.0, 106.8274973), (300, 1e-6, 207.32019)]
)
def test_heating_time_with_standing_loss(watts: float, loss: float, minutes: float) -> None:
    end = equilibrium_c(watts, loss, 20)
    assert time_to_s(15, 60, end, TANK_J_K, loss) / 60 == pytest.approx(minutes, rel=1e-6)


def test_the_time_to_a_temperature_agrees_with_a_solved_equation() -> None:
    def warms(_time: float, celsius: list[float]) -> list[float]:
        return [(300 - 1.0 * (celsius[0] - 20)) / TANK_J_K]

    solved = solve_ivp(warms, (0, 10_800), [15], rtol=1e-10, atol=1e-10)
    reached_c = solved.y[0][-1]
    assert reached_c == pytest.approx(52.24337816, rel=1e-6)  # analytic, calculated
    assert time_to_s(15, reached_c, equilibrium_c(300, 1, 20), TANK_J_K, 1) == pytest.approx(10_800, rel=1e-6)


def test_cooling_down() -> None:
    assert time_to_s(60, 40, 20, TANK_J_K, 1) / 3600 == pytest.approx(15.96704502, rel=1e-6)  # tau ln 2, calculated


def test_a_temperature_that_is_never_reached_takes_for_ever() -> None:
    assert time_to_s(15, 60, 55, TANK_J_K, 1) == math.inf
    assert time_to_s(15, 60, 60, TANK_J_K, 1) == math.inf
    assert time_to_s(60, 15, 70, TANK_J_K, 1) == math.inf
    assert time_to_s(15, 15, 70, TANK_J_K, 1) == 0


@given(st.floats(5, 40), st.floats(100, 400), st.floats(0.1, 5), st.floats(0, 40_000))
def test_the_time_to_a_temperature_undoes_the_temperature_after_a_time(
    start: float, end: float, loss: float, passed: float
) -> None:
    after = end + (start - end) * math.exp(-passed * loss / TANK_J_K)  # the solution of C dT/dt = UA (Te - T)
    if end - after > 1e-3 * (end - start) and after > start:
        assert time_to_s(start, after, end, TANK_J_K, loss) == pytest.approx(passed, rel=1e-6, abs=1e-3)


def test_a_stuck_contact_boils_the_tank() -> None:
    assert equilibrium_c(200, 1.5, 20) == pytest.approx(153.3333333, rel=1e-9)  # Ta + P / UA, calculated


def test_the_steam_of_a_heater_that_boils() -> None:
    # IAPWS-95, calculated: the heat of evaporation is that between saturated water and steam at 0.101325 MPa.
    evaporation_kj_kg = IAPWS95(P=0.101325, x=1).h - IAPWS95(P=0.101325, x=0).h
    assert steam_kg_h(1000) == pytest.approx(3600 / evaporation_kj_kg, rel=1e-4)
    assert steam_kg_h(0) == 0
    with pytest.raises(ValueError, match="heater_w"):
        steam_kg_h(-1)


def test_the_standing_loss_of_the_plate() -> None:
    # 44.269 W at 45 K are 0.98376 W/K (the 44.269 W are a limit from memory; the division is calculated).
    assert loss_w_k(44.26940196 * 24 / 1000, 45) == pytest.approx(0.9837644881, rel=1e-6)


# V (Th - Tc) / (40 - Tc), calculated; 60 l at 60 degC give 100 l at 40 degC (hotwater.org.uk, read).
@pytest.mark.parametrize(
    ("litres", "hot", "cold", "mixed"),
    [(60, 60, 10, 100), (20, 60, 10, 33.33333333), (10, 65, 15, 20), (20, 75, 15, 48)],
)
def test_litres_of_mixed_water(litres: float, hot: float, cold: float, mixed: float) -> None:
    assert mixed_l(litres, hot, cold) == pytest.approx(mixed, rel=1e-9)


def test_a_tank_that_is_not_hot_enough_mixes_nothing() -> None:
    assert mixed_l(40, 39, 10) == 0
    # 480 l at 40 degC from 54 degC and 15 degC take 307.7 l (the same guide prints 307; read).
    assert mixed_l(307.6923077, 54, 15) == pytest.approx(480)


# IAPWS-95 at 0.3 MPa, calculated.
@pytest.mark.parametrize(("hot", "percent"), [(60, 1.679545314), (65, 1.953762411)])
def test_water_grows(hot: float, percent: float) -> None:
    assert expansion_l(100, 10, hot) == pytest.approx(percent, abs=0.01)


def test_water_grows_as_american_plumbers_say() -> None:
    # 40 US gallons from 90 to 140 degF: almost half a gallon (experts123; read).
    units = pint.UnitRegistry()
    cold, hot = (units.Quantity(value, "degF").to("degC").magnitude for value in (90, 140))
    litres = (40 * units.gallon).to("litre").magnitude
    grown = (expansion_l(litres, cold, hot) * units.litre).to("gallon").magnitude
    assert grown == pytest.approx(0.4785, abs=0.03)


def test_an_expansion_vessel() -> None:
    # A plumbers' example: 6 l between 3 and 5.5 bar need about 15.6 l (plumbrevise.co.uk; read).
    assert vessel_l(6, 3, 5.5) == pytest.approx(15.6, abs=0.05)


@given(st.floats(0, 3), st.floats(3.1, 10), st.floats(0.01, 5))
def test_the_vessel_ends_at_the_pressure_it_was_sized_for(supply: float, most: float, growth: float) -> None:
    vessel = vessel_l(growth, supply, most)
    left = vessel - growth
    assert (supply + 1.01325) * vessel == pytest.approx((most + 1.01325) * left)


def test_what_is_no_tank_is_refused() -> None:
    for celsius in (-0.1, 100.1, math.nan):
        with pytest.raises(ValueError, match="water_c"):
            density_kg_m3(celsius)
        with pytest.raises(ValueError, match="hot_c"):
            heat_j(20, 10, celsius)
        with pytest.raises(ValueError, match="hot_c"):
            mixed_l(20, celsius, 10)
    with pytest.raises(ValueError, match="volume_l"):
        heat_j(-1, 10, 60)
    with pytest.raises(ValueError, match="hot_c"):
        heat_capacity_j_k(20, 60, 60)
    with pytest.raises(ValueError, match="loss_w_k"):
        equilibrium_c(300, 0, 20)
    with pytest.raises(ValueError, match="mixed_c"):
        mixed_l(20, 60, 40)
    with pytest.raises(ValueError, match="most_bar"):
        vessel_l(1, 3, 3)
    with pytest.raises(ValueError, match="difference_k"):
        loss_w_k(1, 0)
    with pytest.raises(ValueError, match="capacity_j_k"):
        time_to_s(15, 60, 80, 0, 1)
