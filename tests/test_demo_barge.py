"""The demo's barge: no energy out of nothing, and a charge between empty and full."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.demo.barge import BANK_WH, CHARGE_LIMIT_W, HOUSE_W, Barge, advance

charges = st.floats(0, 100)
suns = st.floats(0, 1400)
steps = st.floats(1, 3600)


@given(charge=charges, sun_w=suns, seconds=steps, heater_on=st.booleans())
def test_what_goes_into_the_bank_is_what_the_panels_give_and_nobody_takes(
    charge: float, sun_w: float, seconds: float, heater_on: bool
) -> None:
    barge = advance(Barge(charge), seconds, sun_w, heater_on=heater_on)
    assert math.isclose(barge.bank_w, barge.panels_w - HOUSE_W - barge.heater_w, abs_tol=1e-9)
    stored_wh = (barge.charge_percent - charge) / 100 * BANK_WH
    if 0 < barge.charge_percent < 100:
        assert math.isclose(stored_wh, barge.bank_w * seconds / 3600, abs_tol=1e-6)
    assert math.isclose(barge.heater_wh, barge.heater_w * seconds / 3600, abs_tol=1e-9)
    assert math.isclose(barge.wasted_wh, (sun_w - barge.panels_w) * seconds / 3600, abs_tol=1e-9)


@given(charge=charges, sun_w=suns, seconds=steps, heater_on=st.booleans())
def test_the_panels_give_no_more_than_the_sun_and_the_charger_takes_no_more_than_it_can(
    charge: float, sun_w: float, seconds: float, heater_on: bool
) -> None:
    barge = advance(Barge(charge), seconds, sun_w, heater_on=heater_on)
    assert 0 <= barge.panels_w <= sun_w
    assert barge.bank_w <= CHARGE_LIMIT_W + 1e-9
    assert (barge.heater_w > 0) == heater_on


@given(charge=charges, day=st.lists(st.tuples(suns, steps, st.booleans()), max_size=40))
def test_the_charge_stays_between_empty_and_full_and_what_was_used_only_grows(
    charge: float, day: list[tuple[float, float, bool]]
) -> None:
    barge = Barge(charge)
    for sun_w, seconds, heater_on in day:
        before, barge = barge, advance(barge, seconds, sun_w, heater_on=heater_on)
        assert 0 <= barge.charge_percent <= 100
        assert barge.heater_wh >= before.heater_wh
        assert barge.wasted_wh >= before.wasted_wh


def test_the_heater_draws_the_square_of_the_voltage() -> None:
    # 24 V and 300 W are 1.92 ohm. At rest 26.4 V: 26.4^2 / 1.92 = 363 W.
    assert advance(Barge(80), 1, 0, heater_on=True).heater_w == pytest.approx(363.0)
    # Full and charging 26.4 + 1.8 = 28.2 V: 28.2^2 / 1.92 = 414.19 W.
    assert advance(Barge(100, bank_w=1), 1, 0, heater_on=True).heater_w == pytest.approx(414.1875)


@pytest.mark.parametrize(
    ("charge", "panels_w"),
    [
        (98.0, 1270.0),  # all that the charger takes, and the house: 1200 + 70
        (99.0, 670.0),  # half of it
        (100.0, 70.0),  # nothing: the house alone
    ],
)
def test_sun_is_wasted_once_the_bank_is_nearly_full(charge: float, panels_w: float) -> None:
    barge = advance(Barge(charge), 3600, 1400, heater_on=False)
    assert barge.panels_w == pytest.approx(panels_w)
    assert barge.wasted_wh == pytest.approx(1400 - panels_w)


def test_a_heater_that_runs_uses_sun_that_would_be_wasted() -> None:
    idle, heating = (advance(Barge(100), 3600, 1400, heater_on=on) for on in (False, True))
    assert idle.wasted_wh - heating.wasted_wh == pytest.approx(heating.heater_wh)
    assert heating.bank_w == pytest.approx(0.0)
