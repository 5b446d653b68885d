"""How hot water hurts."""

import math
from itertools import pairwise

import pytest

from dumpload.physics.scald import BATH_C, GROWTH_C, SCALD_ENDS_C, STORE_C, scald_time_s


# antiscald.com (read).
@pytest.mark.parametrize(
    ("celsius", "second_s", "third_s"),
    [
        (45, 7200, 10_800),
        (47, None, 2700),
        (48, 900, None),
        (49, 480, 600),
        (51, None, 252),
        (55, 17, None),
        (60, 3, 5),
    ],
)
def test_scald_times(celsius: float, second_s: float | None, third_s: float | None) -> None:
    if second_s is not None:
        assert scald_time_s(celsius) == second_s
    if third_s is not None:
        assert scald_time_s(celsius, third_degree=True) == third_s


def test_hotter_is_never_slower_nor_a_deeper_burn_faster() -> None:
    degrees = [45 + step / 10 for step in range(500)]
    for cooler, hotter in pairwise(degrees):
        assert scald_time_s(hotter) <= scald_time_s(cooler)
        assert scald_time_s(cooler) <= scald_time_s(cooler, third_degree=True)


# Another table, in degF (childrensal.org; read): 120 degF more than 300 s, 130 degF 30 s, 135 degF 10 s.
@pytest.mark.parametrize(("fahrenheit", "least_s", "most_s"), [(120, 300, 700), (130, 15, 60), (135, 4, 20)])
def test_scald_times_are_of_the_size_another_table_has(fahrenheit: float, least_s: float, most_s: float) -> None:
    assert least_s <= scald_time_s((fahrenheit - 32) / 1.8, third_degree=True) <= most_s


# The rows above 60 degC of that table (childrensal.org, "hot water burns"; read): 150 degF 1.5 s, 155 degF 1 s.
@pytest.mark.parametrize(("celsius", "seconds"), [(65.6, 1.5), (68.3, 1.0)])
@pytest.mark.parametrize("third_degree", [False, True])
def test_scald_times_above_60_degc(celsius: float, seconds: float, third_degree: bool) -> None:
    assert scald_time_s(celsius, third_degree=third_degree) == seconds


def test_between_two_rows_the_logarithm_of_the_time_is_straight() -> None:
    # Half-way from 3 s at 60 degC to 1.5 s at 65.6 degC: the square root of 4.5.
    assert scald_time_s(62.8) == pytest.approx(4.5**0.5)


def test_above_the_table_it_is_the_last_and_below_it_nothing_is_promised() -> None:
    assert scald_time_s(70) == scald_time_s(95) == 1
    assert scald_time_s(44.9) == math.inf
    assert SCALD_ENDS_C == 68.3


def test_the_temperatures_of_guidance() -> None:
    assert BATH_C == 44  # HSE HSIS6 (read)
    assert STORE_C == 60  # HSE (read)
    assert GROWTH_C == (20, 45)  # HSE, as reprinted (read)


@pytest.mark.parametrize("celsius", [-1, 101, math.nan])
def test_what_is_no_water_is_refused(celsius: float) -> None:
    with pytest.raises(ValueError, match="water_c"):
        scald_time_s(celsius)
