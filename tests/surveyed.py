"""The barge as an installation, in dotted keys, and one line of its check, with keys changed."""

from typing import Any

from judged import LEAVE_OUT, settings

from dumpload.check.document import CHECKS
from dumpload.check.table import Finding, Judgement, Missing, run_checks
from dumpload.config.model import flat

BARGE: dict[str, Any] = {
    "installation.place": "boat",
    "installation.rules": "us_boat",
    "battery.capacity_ah": 280,
    "battery.cells": 8,
    "battery.nominal_v": 25.6,
    "battery.lowest_v": 22.4,
    "battery.highest_v": 28.8,
    "battery.chemistry": "lifepo4",
    "battery.resistance_mohm": 6,
    "battery.night_wh": 2400,
    "battery.discharge_limit_a": 150,
    "battery.other_loads_a": 60,
    "battery.coldest_c": 4,
    "battery.charge_from_c": 2,
    "battery.counter_offset_a": 0.02,
    "solar.peak_w": 1400,
    "solar.absorption_v": 28.4,
    "solar.float_v": 27,
    "solar.charger_a": 80,
    "load.rated_w": 300,
    "load.rated_v": 24,
    "tank.volume_l": 40,
    "tank.target_c": 70,
    "tank.cold_c": 10,
    "tank.around_c": 18,
    "tank.loss_kwh_per_day": 1.2,
    "tank.loss_difference_k": 45,
    "tank.thermostat_dc": True,
    "tank.thermostat_v": 32,
    "tank.thermostat_a": 20,
    "tank.cut_out": True,
    "tank.cut_out_c": 85,
    "tank.cut_out_v": 32,
    "tank.cut_out_a": 25,
    "tank.relief_valve": True,
    "tank.relief_bar": 3,
    "tank.mixing_valve": True,
    "tank.dry_fire_guard": True,
    "tank.sealed": True,
    "tank.supply_bar": 1.4,
    "tank.vessel_l": 5,
    "wiring.length_m": 4,
    "wiring.area_mm2": 6,
    "wiring.insulation_c": 105,
    "wiring.engine_space": True,
    "wiring.bundled": 2,
    "wiring.fuse_a": 25,
    "wiring.fuse_v": 125,
    "wiring.fuse_interrupts_a": 20_000,
    "wiring.fuse_distance_m": 0.15,
    "wiring.fuse_sheathed": True,
    "wiring.isolator_v": 48,
    "wiring.isolator_a": 100,
    "contact.dc_v": 48,
    "contact.dc_a": 40,
    "contact.normally_open": True,
    "contact.operations": 100_000,
    "contact.operations_per_day": 8,
    "driver.transistor": "bipolar",
    "driver.coil_ohm": 320,
    "driver.coil_h": 0.8,
    "driver.coil_most_v": 31,
    "driver.pull_in_v": 16.8,
    "driver.saturation_v": 0.3,
    "driver.base_ohm": 1000,
    "driver.least_gain": 100,
    "driver.pull_down_ohm": 10_000,
    "driver.flyback": "zener",
    "driver.clamp_v": 27,
    "driver.transistor_v": 80,
    "driver.transistor_a": 0.5,
}


def survey(changes: dict[str, Any] | None = None) -> tuple[list[Finding], list[Missing]]:
    """Return what the barge's check finds and misses with these keys changed (or left out)."""
    return run_checks(CHECKS, flat(settings({**BARGE, **(changes or {})})))


def line(name: str, changes: dict[str, Any] | None = None) -> Judgement:
    """Return the one verdict of that id or name."""
    findings, _missing = survey(changes)
    (verdict,) = [finding.verdict for finding in findings if name in {finding.check.id, finding.name}]
    return verdict


def state(name: str, changes: dict[str, Any] | None = None) -> str:
    """Return "pass", "info", "caution", "fail", "missing" or "" (it does not apply)."""
    findings, missing = survey(changes)
    states = [finding.verdict.state.value for finding in findings if name in {finding.check.id, finding.name}]
    states += ["missing" for item in missing if name in {item.check.id, item.name}]
    assert len(states) <= 1, states
    return states[0] if states else ""


def needs(name: str, changes: dict[str, Any]) -> tuple[str, ...]:
    """Return the keys the missing check of that name asks for."""
    _findings, missing = survey(changes)
    (item,) = [item for item in missing if name in {item.check.id, item.name}]
    return item.needs


def without(*keys: str) -> dict[str, Any]:
    """Return changes that leave these keys out."""
    return dict.fromkeys(keys, LEAVE_OUT)
