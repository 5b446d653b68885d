"""A number outside what a formula was made for is refused, in words."""

import math

import pytest

from dumpload.physics.ranges import above, within


@pytest.mark.parametrize("value", [0, 1, 100])
def test_what_is_within_is_returned(value: float) -> None:
    assert within("area_mm2", value, 0, 100) == value


@pytest.mark.parametrize("value", [-0.1, 100.1, math.inf, -math.inf, math.nan])
def test_what_is_outside_is_refused_with_the_value_and_the_range(value: float) -> None:
    with pytest.raises(ValueError, match=rf"^area_mm2 = {value:g}: expected 0 to 100$"):
        within("area_mm2", value, 0, 100)


@pytest.mark.parametrize("value", [0, -1, 100.1, math.nan])
def test_where_zero_makes_no_sense_it_is_refused_too(value: float) -> None:
    with pytest.raises(ValueError, match=rf"^rated_w = {value:g}: expected above 0 and at most 100$"):
        above("rated_w", value, 0, 100)
    assert above("rated_w", 100, 0, 100) == 100
