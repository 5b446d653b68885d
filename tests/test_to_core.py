"""Settings reach the core unchanged, and what is not set is missing there."""

import math
from datetime import UTC
from zoneinfo import ZoneInfo

from judged import settings

from dumpload.config.to_core import controller_setup, permissive_limits, signal_sources, topic_fields
from dumpload.core.decode import Field
from dumpload.core.law import Limits
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal
from dumpload.core.window import DayWindow

VOLTS, WATTS, WATER = "telemetry.battery_voltage", "telemetry.battery_power", "telemetry.tank_temperature"


def test_the_limits_of_the_law_are_the_control_table() -> None:
    control = {"cut_in_percent": 99, "cut_out_percent": 95, "floor_percent": 60}
    times = {"confirm_s": 10, "min_on_s": 20, "min_off_s": 40}
    found = controller_setup(settings({f"control.{key}": value for key, value in {**control, **times}.items()}))
    assert found.settings.limits == Limits(99.0, 95.0, 60.0, 10.0, 20.0, 40.0)


def test_ages_are_in_the_order_of_the_signals_and_missing_where_not_configured() -> None:
    found = controller_setup(settings({"telemetry.state_of_charge.max_age_s": 30, f"{WATER}.topic": "barge/water"}))
    ages = dict(zip(Signal, found.settings.max_age_s, strict=True))
    assert ages.pop(Signal.STATE_OF_CHARGE) == 30.0
    assert ages.pop(Signal.TANK_TEMPERATURE) == 60.0
    assert len(ages) == 5
    assert all(math.isnan(age) for age in ages.values())


def test_the_feedback_time_counts_only_with_a_feedback_pin() -> None:
    assert math.isnan(controller_setup(settings({"relay.feedback_s": 2})).settings.feedback_s)
    assert controller_setup(settings({"relay.feedback_s": 2, "relay.feedback_pin": 27})).settings.feedback_s == 2.0


def test_the_window_and_its_zone_are_read() -> None:
    found = controller_setup(settings({"permissive.window": ["22:00-06:00"], "permissive.timezone": "Europe/London"}))
    assert found.spans == (DayWindow(22 * 60, 6 * 60),)
    assert found.zone == ZoneInfo("Europe/London")
    assert controller_setup(settings()).zone is UTC
    assert controller_setup(settings({"permissive.window": []})).spans == ()


def test_permissives_that_are_not_set_are_missing_the_times_of_the_drain_too() -> None:
    assert all(math.isnan(limit) for limit in permissive_limits(settings()))


def test_permissives_that_are_set_reach_the_core() -> None:
    found = permissive_limits(
        settings(
            {
                f"{VOLTS}.topic": "barge/bank/voltage",
                f"{WATTS}.topic": "barge/bank/power",
                f"{WATER}.topic": "barge/heater/temperature",
                "permissive.voltage_cut_out": 26.4,
                "permissive.voltage_cut_in": 27.2,
                "permissive.tank_cut_out_c": 65,
                "permissive.tank_cut_in_c": 58,
                "permissive.drain_limit_w": 0,
                "permissive.max_on_s": 7200,
                "permissive.max_on_per_day_s": 18_000,
            }
        )
    )
    assert found == PermissiveLimits(26.4, 27.2, 65.0, 58.0, 0.0, 60.0, 900.0, 7200.0, 18_000.0)


def test_each_topic_has_its_fields_in_the_order_of_the_signals() -> None:
    found = settings(
        {
            "telemetry.state_of_charge.topic": "barge/bank",
            "telemetry.state_of_charge.pointer": "/charge",
            "telemetry.state_of_charge.unit": "ratio",
            "telemetry.state_of_charge.max_age_s": 30,
            "telemetry.state_of_charge.timestamp_pointer": "/taken~1at",
            "telemetry.state_of_charge.unknown": [255, "null"],
            "telemetry.solar_power.topic": "barge/panels",
            f"{VOLTS}.topic": "barge/bank",
            f"{VOLTS}.pointer": "/cells/0",
            f"{VOLTS}.unit": "mV",
            f"{VOLTS}.timestamp_pointer": "",
        }
    )
    assert topic_fields(found) == {
        "barge/bank": (
            Field(Signal.STATE_OF_CHARGE, ("charge",), "ratio", 30.0, ("taken/at",), (255.0, "null")),
            Field(Signal.BATTERY_VOLTAGE, ("cells", "0"), "mV", 60.0, (), ()),
        ),
        "barge/panels": (Field(Signal.SOLAR_POWER, (), "W", 60.0, None, ()),),
    }
    assert list(signal_sources(found)) == [Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE, Signal.SOLAR_POWER]
