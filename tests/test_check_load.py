"""The load on paper."""

import pytest
from surveyed import line, needs, state, without


@pytest.mark.parametrize(
    ("rated_v", "expected"),
    [(24, "pass"), (28, "pass"), (23.6, "pass"), (23.4, "caution"), (20.4, "caution"), (20.3, "fail"), (12, "fail")],
)  # (28.8 / V)²: 1.5 at 23.52 V, 2 at 20.36 V
def test_an_element_made_for_less_than_the_bus_fails(rated_v: float, expected: str) -> None:
    assert state("element against its plate", {"load.rated_v": rated_v}) == expected


def test_a_12_v_element_on_a_24_v_bank_draws_nearly_six_times_its_plate() -> None:
    verdict = line("element against its plate", {"load.rated_v": 12})
    assert verdict.figure == "1728 W at 28.8 V, 5.76 times the plate (300 W at 12 V, 0.48 ohm)"
    assert verdict.change


def test_without_a_cable_the_power_is_given_without_it_and_says_so() -> None:
    verdict = line("power at the highest bus voltage", without("wiring.length_m"))
    assert verdict.figure == "432 W, 15 A at 28.8 V (cable not counted: its size is not known)"


@pytest.mark.parametrize("place", ["lowest", "nominal", "highest"])
def test_each_voltage_is_asked_for_by_itself(place: str) -> None:
    changes = without(f"battery.{place}_v", "load.rated_w")
    assert needs(f"power at the {place} bus voltage", changes) == ("load.rated_w", f"battery.{place}_v")
