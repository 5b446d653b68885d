"""Settings to the boat of a simulation: plates must be known, everything else is assumed and said."""

from typing import Any

import pytest
from judged import LEAVE_OUT, settings

np = pytest.importorskip("numpy")
pytest.importorskip("numba")

from dumpload.core.freshness import is_missing  # noqa: E402
from dumpload.core.signals import Signal  # noqa: E402
from dumpload.simulate.boat import BoatError, Installed, Meter, installed  # noqa: E402
from dumpload.simulate.engine import Telemetry  # noqa: E402

PLATES = {
    "solar.peak_w": 1400,
    "battery.capacity_ah": 280,
    "battery.cells": 8,
    "load.rated_w": 300,
    "load.rated_v": 24,
    "tank.volume_l": 40,
}


def boat(**keys: Any) -> Installed:
    return installed(settings({**PLATES, **{key.replace("__", "."): value for key, value in keys.items()}}), 10.0)


def assumed(barge: Installed) -> dict[str, str]:
    return {assumption.key: assumption.text for assumption in barge.assumed}


def test_plates_alone_are_enough_and_what_is_assumed_is_said() -> None:
    barge = boat()
    assert barge.plant.heater.element_ohm == pytest.approx(24**2 / 300)  # Ohm's law
    assert barge.strings == ((1400.0, 0.0, 180.0),)
    assumptions = assumed(barge)
    assert assumptions["solar.absorption_v"] == "28.4 V"
    assert assumptions["battery.chemistry"] == "lifepo4"
    assert assumptions["house"] == "60 W at all hours"
    assert "30 l a day" in assumptions["tank.draws"]
    assert assumptions["battery.counter_offset_a"] == "0.02 A, 0.17 % a day, common practice"
    assert "voltage to 0.01 V with noise of 0.01 V" in assumptions["telemetry"]
    assert {"solar.float_v", "solar.charger_a", "tank.cold_c", "battery.resistance_mohm", "telemetry"} <= set(
        assumptions
    )


def test_what_is_set_is_taken_and_not_assumed() -> None:
    keys = {"solar__float_v": 27.0, "solar__absorption_s": 1800, "solar__tail_a": 8, "solar__charger_a": 60,
            "battery__counter_full_v": 28.0, "battery__counter_step_percent": 1, "tank__draws": ["06:30 12"],
            "house__day_w": 100, "house__night_w": 50, "tank__cold_c": 8}  # fmt: skip
    barge = boat(**keys)
    charger = barge.plant.charger
    assert (charger.float_v, charger.absorption_s, charger.tail_a, charger.limit_a) == (27.0, 1800.0, 8.0, 60.0)
    assert (barge.plant.monitor.full_v, barge.telemetry.charge_step_percent) == (28.0, 1.0)
    assert barge.needs.draws == ((390, 12.0),)
    assert (barge.needs.hourly_w[6], barge.needs.hourly_w[7], barge.needs.hourly_w[22]) == (50.0, 100.0, 100.0)
    assert not {key.replace("__", ".") for key in keys} & set(assumed(barge))


def test_the_meter_asked_for_is_the_one_that_publishes() -> None:
    barge = installed(settings(PLATES), 5.0, Meter(0.1, 0.05, 10.0, 20.0))
    assert barge.telemetry == Telemetry(2, 0.1, 0.1, 10.0, 0.5, 0.05, 20.0)
    assert "power to 10 W with noise of 20 W" in assumed(barge)["telemetry"]


def test_a_charger_that_stops_when_full_has_no_float() -> None:
    barge = boat(solar__stops_when_full=True, solar__float_v=27.0, solar__begins_daily=False)
    assert is_missing(barge.plant.charger.float_v)
    assert not barge.plant.charger.begins_daily


def test_people_draw_their_litres_where_no_draws_are_set() -> None:
    assert boat(tank__people=2, tank__litres_per_person=20).needs.draws == ((420, 20.0), (1140, 20.0))


def test_strings_of_panels_take_the_place_of_the_sum() -> None:
    strings = [{"peak_w": 700, "tilt_deg": 20}, {"peak_w": 300, "azimuth_deg": 90}]
    barge = installed(settings({**PLATES, "solar.peak_w": LEAVE_OUT, "solar.strings": strings}), 10.0)
    assert barge.strings == ((700.0, 20.0, 180.0), (300.0, 0.0, 90.0))


@pytest.mark.parametrize("key", PLATES)
def test_a_plate_that_is_missing_is_named(key: str) -> None:
    with pytest.raises(BoatError, match=key.replace(".", r"\.")):
        installed(settings({**PLATES, key: LEAVE_OUT}), 10.0)


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ({"battery.chemistry": "lead_acid"}, 'battery.chemistry = "lead_acid": expected "lifepo4"'),
        ({"battery.capacity_ah": 0.1}, "battery.capacity_ah = 0.1: expected at least "),
        ({"tank.cold_c": 40}, "tank.cold_c = 40: expected below 40"),
    ],
)
def test_what_the_model_does_not_know_is_refused(keys: dict[str, Any], expected: str) -> None:
    with pytest.raises(BoatError) as caught:
        installed(settings({**PLATES, **keys}), 10.0)
    assert str(caught.value).startswith(expected)


def test_the_law_hears_only_what_the_simulation_publishes() -> None:
    """A heartbeat or a load power that nobody sends would veto, or lock out."""
    keys = {f"telemetry.{name}.topic": f"barge/{name}" for name in ("heartbeat", "load_power", "battery_voltage")}
    law = installed(settings({**PLATES, **keys, "telemetry.state_of_charge.max_age_s": 5}), 10.0).law
    published = {signal for signal in Signal if not is_missing(law.max_age_s[signal])}
    assert published == {Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE}
    assert min(law.max_age_s[signal] for signal in published) == 60.0
