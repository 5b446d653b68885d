"""Plant and law together: compiled it is what plain Python says, to the last bit; a year's books close."""

import math
from typing import Any

import pytest

np = pytest.importorskip("numpy")
pytest.importorskip("numba")

from sailing import sail  # noqa: E402

from dumpload.simulate import engine as day  # noqa: E402
from dumpload.simulate.engine import compiled_steps, rounded, run_steps  # noqa: E402

SETTINGS: list[dict[str, Any]] = [
    {},
    {"control.cut_in_percent": 95, "control.cut_out_percent": 91, "permissive.window": [], "control.confirm_s": 0},
    {"permissive.voltage_cut_out": 26.4, "permissive.voltage_cut_in": 28.2, "permissive.drain_limit_w": 100,
     "permissive.max_on_s": 3600, "permissive.max_on_per_day_s": 7200},
    {"permissive.tank_cut_out_c": 55, "permissive.tank_cut_in_c": 50, "battery.counter_step_percent": 1},
    {"solar.stops_when_full": True, "solar.begins_daily": False, "battery.counter_offset_a": 0.5, "solar.tail_a": 8},
    {"solar.absorption_s": 0, "solar.float_v": 27.2},
]  # fmt: skip


def test_a_sunny_day_heats_the_water_with_what_would_be_wasted() -> None:
    _, (load,) = sail(run_steps, {}, step_s=20.0)
    _, (without,) = sail(run_steps, {}, step_s=20.0, heated=False)
    assert load[day.ELEMENT] > 500.0
    assert without[day.ELEMENT] == without[day.CABLE] == 0.0
    assert without[day.CURTAILED] > load[day.CURTAILED]
    assert load[day.WANTED_L] == pytest.approx(30.0)
    assert 0.0 < load[day.WARM_L] <= 30.0
    assert 0.0 < load[day.SWITCH_ONS] < 20.0
    assert load[day.HOTTEST] > 40.0


def test_an_empty_bank_leaves_the_relay_off_and_the_house_dark_at_night() -> None:
    _, (load,) = sail(run_steps, {}, step_s=20.0, charge=0.001)
    assert load[day.UNSERVED] > 0.0
    assert load[day.LOWEST] < 0.1


def test_a_meter_shows_steps() -> None:
    assert (rounded(98.74, 0.5), rounded(98.75, 0.5), rounded(-3.6, 1.0), rounded(1.23, 0.0)) == (
        98.5,
        99.0,
        -4.0,
        1.23,
    )


def test_the_law_hears_noise_and_the_plant_does_not() -> None:
    """Near its threshold noise alone lets a voltage permissive veto; the books close all the same.

    Where the relay is never closed, the loudest telemetry changes not a bit of the plant.
    """
    near = {"permissive.voltage_cut_out": 27.0, "permissive.voltage_cut_in": 27.2, "permissive.window": []}
    silent, loud = np.zeros((1, 2)), np.random.default_rng(1).standard_normal((997, 2)) * 100.0
    (quiet,), (noisy,) = (sail(run_steps, near, step_s=60.0, noise=noise)[1] for noise in (silent, loud))
    assert noisy[day.SWITCH_ONS] != quiet[day.SWITCH_ONS]
    for sums in (quiet, noisy):
        spent = sums[[day.CURTAILED, day.CONVERTER, day.HOUSE, day.CABLE, day.ELEMENT, day.BANK_IN]].sum()
        assert math.isclose(spent, sums[day.OFFERED], rel_tol=1e-9)
    unheated = [sail(run_steps, near, step_s=60.0, heated=False, noise=noise)[0].plant for noise in (silent, loud)]
    assert unheated[0] == unheated[1]


def test_what_is_published_is_rounded_after_the_noise() -> None:
    """The same night with noise and without: a few steps of the meter apart, and on its steps."""
    exact, noisy = (
        sail(run_steps, {}, step_s=60.0, noise=np.full((1, 2), noise))[0].law.known.data for noise in (0.0, 2.0)
    )
    for signal, noise, step in (("battery_voltage", 0.01, 0.01), ("battery_power", 3.0, 1.0)):
        apart = getattr(noisy, signal).value - getattr(exact, signal).value
        assert apart == pytest.approx(2.0 * noise, abs=step)
        assert apart / step == pytest.approx(round(apart / step), abs=1e-6)


def test_the_counted_charge_drifts_until_the_bank_is_full() -> None:
    """checks.csv: an offset adds 100 I 24 / Q percent a day: 0.5 A of 280 Ah, 4.29 % (calculated); full clears it."""
    keys = {"battery.counter_offset_a": 0.5, "battery.counter_efficiency": 1.0}
    dark, dull = sail(run_steps, keys, step_s=20.0, sun_w=np.zeros(1440)), sail(run_steps, keys, 2, step_s=20.0)
    shown = 100.0 * (dark[0].plant.counted - dark[0].plant.charge)
    assert shown == pytest.approx(100 * 0.5 * 24 / 280, rel=0.03)  # and the 2 % a month that the bank loses by itself
    assert dark[1][0, day.SHOWN_WRONG] == pytest.approx(shown, rel=1e-3)
    assert dark[1][0, day.SYNCHRONISED] == 0.0
    assert dull[1][:, day.SYNCHRONISED].max() == 1.0


def plain(state: Any) -> Any:
    """Return a state with ordinary numbers, told apart to the last bit."""
    return tuple(plain(part) for part in state) if isinstance(state, tuple) else float(state).hex()


@pytest.mark.slow
@pytest.mark.parametrize("number", range(len(SETTINGS)))
def test_compiled_it_is_the_same_to_the_last_bit(number: int) -> None:
    end, daily = sail(run_steps, SETTINGS[number], 2, seed=number)
    same_end, same = sail(compiled_steps(), SETTINGS[number], 2, seed=number)
    assert daily.tobytes() == same.tobytes()
    assert plain(same_end) == plain(end)
    assert daily[:, day.ELEMENT].sum() > 0.0


@pytest.mark.slow
@pytest.mark.parametrize("number", range(len(SETTINGS)))
def test_the_books_of_a_year_close(number: int) -> None:
    """To 1e-9 of what went through: all that was offered, all that went into the bank, the element and the tank."""
    end, daily = sail(compiled_steps(), SETTINGS[number], 365, seed=number)
    total = daily.sum(axis=0)
    spent = total[[day.CURTAILED, day.CONVERTER, day.HOUSE, day.CABLE, day.ELEMENT, day.BANK_IN]].sum()
    banked = total[[day.BANK_STORED, day.BANK_OHMIC, day.BANK_SLOW, day.BANK_CHARGING]].sum()
    heated = total[[day.TANK_STORED, day.TANK_LOST, day.TANK_DRAWN]].sum()
    through = total[day.OFFERED]
    assert math.isclose(spent, through, rel_tol=1e-9)
    assert abs(banked - total[day.BANK_IN]) <= 1e-9 * through
    assert abs(heated - total[day.ELEMENT]) <= 1e-9 * through
    kept_wh = 40 * 4187 * (end.plant.tank_c - 18.0) / 3600  # what the tank itself says, water at 4187 J/(kg K)
    assert total[day.TANK_STORED] == pytest.approx(kept_wh, rel=0.01, abs=1.0)
