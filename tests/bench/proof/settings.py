"""The settings files of a world: what the owner of a 24 V barge would have written down, and one set of signals."""

from collections.abc import Sequence
from typing import Any

from bench.proof.rule import Rule
from bench.proof.sky import Place
from bench.proof.worlds import World

UNITS = {"state_of_charge": "percent", "battery_voltage": "V", "tank_temperature": "degC"}


def settings_text(world: World, place: Place, rule: Rule, signals: Sequence[str]) -> str:
    """Return a settings file (TOML) with a rule, for a record of these signals."""
    return "\n".join(
        (
            'name = "heater"',
            *(_table(f"telemetry.{signal}", _source(signal)) for signal in signals),
            _table("control", _control(rule)),
            _table("permissive", _permissive(rule, place)),
            _table("relay", {"pin": 17, "pin_factory": "mock"}),
            _table("battery", BATTERY | (world.monitor or {})),
            _table("solar", _solar(world, place)),
            _table("load", {"rated_w": 300, "rated_v": 24}),
            _table("tank", TANK | {"target_c": round(world.boat.tank.opens_c)}),
            _table("wiring", {"length_m": 4, "area_mm2": 6}),
            "",
        )
    )


BATTERY: dict[str, Any] = {
    "capacity_ah": 280, "cells": 8, "nominal_v": 25.6, "lowest_v": 22.4, "highest_v": 28.8, "chemistry": "lifepo4",
    "resistance_mohm": 6,
}  # fmt: skip
TANK: dict[str, Any] = {
    "volume_l": 40, "cold_c": 10, "around_c": 18, "loss_kwh_per_day": 1.2, "loss_difference_k": 45, "people": 2,
    "litres_per_person": 20,
}  # fmt: skip


def _source(signal: str) -> dict[str, Any]:
    return {"topic": f"barge/{signal}", "unit": UNITS.get(signal, "W"), "max_age_s": 180}


def _control(rule: Rule) -> dict[str, Any]:
    return {
        "cut_in_percent": rule.cut_in, "cut_out_percent": rule.cut_out, "floor_percent": rule.floor,
        "confirm_s": rule.confirm_s, "min_on_s": rule.min_on_s, "min_off_s": rule.min_off_s,
    }  # fmt: skip


def _permissive(rule: Rule, place: Place) -> dict[str, Any]:
    # A zone without summer time; by its POSIX name, whose sign is the other way round.
    keys: dict[str, Any] = {
        "window": [f"{_clock(rule.opens_s)}-{_clock(rule.closes_s)}"],
        "timezone": f"Etc/GMT{-place.zone_h:+d}",
    }
    if rule.volts_in == rule.volts_in:
        keys |= {"voltage_cut_in": rule.volts_in, "voltage_cut_out": rule.volts_out}
    if rule.drain_w == rule.drain_w:
        keys |= {"drain_limit_w": rule.drain_w, "drain_limit_s": rule.drain_s, "drain_rest_s": rule.rest_s}
    return keys


def _solar(world: World, place: Place) -> dict[str, Any]:
    keys: dict[str, Any] = {
        "peak_w": world.panels.peak_w,
        "latitude": round(place.latitude_deg, 2),
        "longitude": round(place.longitude_deg, 2),
    } | world.solar
    if world.panels.tilt_deg:
        keys["strings"] = [
            {name: getattr(world.panels, name) for name in ("peak_w", "tilt_deg", "azimuth_deg")},
        ]
    return keys


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 3_600:02d}:{int(seconds) % 3_600 // 60:02d}"


def _table(name: str, keys: dict[str, Any]) -> str:
    return "\n".join((f"\n[{name}]", *(f"{key} = {_toml(value)}" for key, value in keys.items())))


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return f"[{', '.join(_toml(one) for one in value)}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(one)}" for key, one in value.items()) + " }"
    return repr(value)
