"""Worse never looks better, and a figure set to the limit as printed passes: on random installations."""

from random import Random
from typing import Any

import pytest
from installations import KEYS, draw, fitting, value
from judged import settings
from surveyed import BARGE

from dumpload.check.document import CHECKS
from dumpload.check.figures import Grade
from dumpload.check.table import Finding, Known, run_checks
from dumpload.config.model import flat
from dumpload.config.rules import ASCENDING

DEFAULTS = flat(settings({}))

ORDER = (Grade.FAIL, Grade.CAUTION, Grade.PASS, Grade.INFO)

# What is worse for a finding: a larger (+) or a smaller (-) value of each key. Keys that are worse both ways are left
# out, such as a base resistor: too large for the transistor, too small for the pin.
WORSE = {
    "element-plate": "-load.rated_v +battery.highest_v",
    "cable-drop": "+wiring.length_m -wiring.area_mm2 +wiring.conductor_c +load.rated_w",
    "cable-ampacity": "-wiring.area_mm2 -wiring.insulation_c +wiring.bundled +wiring.engine_space +load.rated_w",
    "fuse-load": "-wiring.fuse_a +load.rated_w +battery.highest_v",
    "fuse-cable": "+wiring.fuse_a -wiring.area_mm2 -wiring.insulation_c +wiring.bundled +wiring.engine_space",
    "fuse-distance": "+wiring.fuse_distance_m -wiring.fuse_sheathed",
    "fuse-voltage": "-wiring.fuse_v +battery.highest_v",
    "fuse-breaking": "-wiring.fuse_interrupts_a -battery.resistance_mohm +battery.cranking_a",
    "main-fuse-breaking": "-wiring.main_fuse_interrupts_a -battery.resistance_mohm +battery.cranking_a",
    "fuse-selectivity": "-wiring.main_fuse_a +wiring.fuse_a",
    "main-fuse-load": "-wiring.main_fuse_a +battery.other_loads_a +load.rated_w",
    "fuse-far-short": "+wiring.length_m +wiring.fuse_a +battery.resistance_mohm -battery.lowest_v -wiring.area_mm2",
    "contact-voltage": "-contact.dc_v +battery.highest_v",
    "contact-current": "-contact.dc_a +load.rated_w +battery.highest_v -load.rated_v",
    "contact-power": "-contact.dc_w +load.rated_w",
    "contact-rest": "-contact.normally_open",
    "contact-endurance": "-contact.operations +contact.operations_per_day",
    "feedback-wetting": "+contact.feedback_ohm +contact.feedback_least_ma",
    "thermostat": "-tank.thermostat_v -tank.thermostat_a -tank.thermostat_dc",
    "cut-out-rating": "-tank.cut_out_v -tank.cut_out_a +load.rated_w +battery.highest_v",
    "isolator": "-wiring.isolator_v -wiring.isolator_a +load.rated_w",
    "opto-supply": "+driver.opto_supply_v -driver.pin_v",
    "driver-kind": "+driver.input_ma -driver.pin_ma",
    "coil-pull-in": "+driver.pull_in_v -battery.lowest_v +driver.saturation_v",
    "coil-voltage": "-driver.coil_most_v +battery.highest_v",
    "driver-base": "-driver.least_gain -driver.coil_ohm -driver.pull_down_ohm",
    "driver-gate": "+driver.gate_full_v -driver.pull_down_ohm -driver.pin_ma",
    "transistor-rating": "-driver.transistor_v -driver.transistor_a +driver.clamp_v -driver.coil_ohm",
    "coil-release": "+driver.coil_h -driver.clamp_v",
    "band-dwell": "+control.min_on_s +load.rated_w -battery.capacity_ah",
    "shortest-cycle": "+control.min_on_s +control.min_off_s +load.rated_w -battery.capacity_ah",
    "lost-data": "+telemetry.state_of_charge.max_age_s +load.rated_w -battery.capacity_ah +control.floor_percent",
    "counter-drift": "+battery.counter_offset_a -battery.capacity_ah",
    "cut-in": "-control.cut_in_percent",
    "surplus": "+battery.throttle_percent -control.cut_out_percent",
    "night-floor": "+battery.night_wh -control.floor_percent -battery.capacity_ah",
    "discharge-limit": "-battery.discharge_limit_a +battery.other_loads_a +load.rated_w",
    "cold-charging": "-battery.coldest_c",
    "panels-load": "-solar.peak_w -solar.most_w +load.rated_w",
    "bus-balance": "-solar.charger_a +battery.other_loads_a +load.rated_w",
    "voltage-reach": "+permissive.voltage_cut_in",
    "voltage-evidence": "-permissive.voltage_cut_in",
    "voltage-sag": "+battery.resistance_mohm +permissive.voltage_cut_out",
    "expansion": "+tank.supply_bar -tank.vessel_l +tank.volume_l",
    "relief-valve": "-tank.relief_valve",
    "cut-out": "-tank.cut_out",
    "dry-element": "-tank.dry_fire_guard",
    "scald": "-tank.mixing_valve +tank.target_c +tank.other_c",
    "supply-pressure": "+tank.supply_bar -tank.relief_bar",
    "tank-pressure": "-tank.working_bar +tank.relief_bar",
    "relief-capacity": "-tank.relief_w +load.rated_w +battery.highest_v +tank.other_w",
    "discharge-pipe": "-tank.discharge_pipe",
    "stuck-contact": "-tank.cut_out -tank.relief_valve +load.rated_w +battery.highest_v",
    "other-heater": "+tank.other_c",
    "other-thermostat": "-tank.other_thermostat",
    "other-cut-out": "-tank.other_cut_out",
    "storage": "-tank.other_c -tank.target_c",
    "water-drawn": "+tank.people +tank.litres_per_person",
}

FINDINGS = {check.id: [one for one in CHECKS if one.id == check.id] for check in CHECKS}


def verdict(name: str, known: Known) -> Finding | None:
    found, _missing = run_checks(FINDINGS[name], known)
    return found[0] if found else None


def in_order(known: Known) -> bool:
    """Return whether values are in the order that the settings ask for."""
    return all(
        known[low] < known[high] or (may_be_equal and known[low] == known[high])
        for low, high, may_be_equal in ASCENDING
        if low in known and high in known
    )


def pairs(seed: int, count: int) -> dict[str, int]:
    """Compare random pairs; return how many of each finding were."""
    random = Random(seed)  # noqa: S311  (the same examples on every run)
    compared = dict.fromkeys(WORSE, 0)
    turns = [(name, one[0], one[1:]) for name, words in WORSE.items() for one in words.split()]
    while sum(compared.values()) < count:
        name, way, key = random.choice(turns)
        known = {**DEFAULTS, **fitting(draw(random, BARGE))}
        values = sorted((value(random, KEYS[key]), value(random, KEYS[key])), reverse=way == "-")
        if not all(in_order({**known, key: one}) for one in values):
            continue
        better, worse = (verdict(name, {**known, key: one}) for one in values)
        if better is None or worse is None:
            continue
        compared[name] += 1
        states = [ORDER.index(one.verdict.state) for one in (worse, better)]
        assert states[0] <= states[1], (name, key, values, better.verdict, worse.verdict)
    return compared


def printed_limits(seed: int, count: int) -> int:
    """Set figures to their limit as printed; return how many were."""
    random = Random(seed)  # noqa: S311  (the same examples on every run)
    tried = 0
    while tried < count:
        known: dict[str, Any] = {**DEFAULTS, **fitting(draw(random, BARGE))}
        found, _missing = run_checks(CHECKS, known)
        for one in found:
            for number in one.verdict.numbers:
                if number.key and number.limit:
                    printed = float(number.limit_text.split()[2])
                    again = verdict(one.check.id, {**known, number.key: printed})
                    # With a limit of microvolts the printed one is so much larger that the check no longer applies.
                    for same in again.verdict.numbers if again else ():
                        if same.key == number.key:
                            assert same.state is Grade.PASS, (one.check.id, number, number.limit_text, same)
                    tried += 1
    return tried


def test_worse_never_looks_better() -> None:
    pairs(1, 1200)


def test_a_figure_set_to_the_limit_as_printed_passes() -> None:
    printed_limits(1, 600)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_worse_never_looks_better_in_twenty_thousand_pairs() -> None:
    compared = pairs(2, 20_000)
    assert all(compared.values()), compared


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_ten_thousand_figures_set_to_the_limit_as_printed_pass() -> None:
    printed_limits(2, 10_000)


def test_every_figure_that_is_a_setting_names_a_setting() -> None:
    found, _missing = run_checks(CHECKS, flat(settings(BARGE)))
    for one in found:
        assert {number.key for number in one.verdict.numbers if number.key} <= set(KEYS) | {"permissive.voltage_cut_in"}
        assert one.check.to_change() or one.verdict.state in {Grade.PASS, Grade.INFO}, one.check.id
