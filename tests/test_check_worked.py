"""Three whole installations worked by hand, every figure of the check against the comment, and three bad ones.

The hand calculations use nothing of the program. Copper at 75 degC is 1 + 0.00393 x 55 = 1.21615 times that at 20 degC.
"""

from pathlib import Path
from typing import Any

import pytest
from judged import settings

from dumpload.config import flat, load_settings
from dumpload.study.check.document import CHECKS, check_document
from dumpload.study.check.lines import Known, run_checks

EXAMPLE = Path(__file__).parent.parent / "config" / "dumpload.toml"

VAN: dict[str, Any] = {
    "battery.capacity_ah": 100,
    "battery.nominal_v": 12.8,
    "battery.lowest_v": 11.2,
    "battery.highest_v": 14.4,
    "battery.chemistry": "lifepo4",
    "battery.resistance_mohm": 4,
    "battery.throttle_percent": 98.5,
    "battery.night_wh": 600,
    "battery.discharge_limit_a": 100,
    "battery.other_loads_a": 30,
    "battery.coldest_c": -5,
    "battery.charge_from_c": 1,
    "battery.counter_offset_a": 0.05,
    "solar.peak_w": 400,
    "control.cut_in_percent": 99,
    "control.cut_out_percent": 95,
    "control.min_on_s": 240,
    "control.min_off_s": 240,
    "telemetry.state_of_charge.max_age_s": 20,
    "telemetry.battery_voltage.topic": "van/bank/voltage",
    "permissive.voltage_cut_out": 13.3,
    "permissive.voltage_cut_in": 13.8,
    "load.rated_w": 200,
    "load.rated_v": 12,
    "tank.volume_l": 10,
    "tank.target_c": 60,
    "tank.cold_c": 15,
    "tank.around_c": 20,
    "tank.loss_kwh_per_day": 0.54,
    "tank.loss_difference_k": 45,
    "tank.thermostat_dc": True,
    "tank.cut_out": True,
    "tank.cut_out_c": 80,
    "tank.relief_valve": True,
    "tank.relief_bar": 3,
    "tank.relief_w": 288,
    "tank.discharge_pipe": True,
    "tank.working_bar": 4.5,
    "tank.supply_bar": 1.2,
    "tank.other_heat": "none",
    "tank.people": 1,
    "tank.litres_per_person": 10,
    "tank.mixing_valve": True,
    "tank.dry_fire_guard": True,
    "tank.sealed": False,
    "wiring.length_m": 2.5,
    "wiring.gauge": "8",
    "wiring.insulation_c": 105,
    "wiring.engine_space": False,
    "wiring.bundled": 4,
    "wiring.fuse_a": 25,
    "wiring.fuse_v": 32,
    "wiring.fuse_interrupts_a": 5000,
    "wiring.fuse_distance_m": 0.1,
    "wiring.fuse_sheathed": False,
    "contact.dc_v": 28,
    "contact.dc_a": 30,
    "contact.dc_w": 600,
    "contact.normally_open": True,
    "contact.operations": 100_000,
    "contact.operations_per_day": 12,
    "driver.transistor": "mosfet",
    "driver.gate_ohm": 470,
    "driver.gate_full_v": 2.5,
    "driver.pull_down_ohm": 10_000,
    "driver.flyback": "diode",
    "driver.coil_ohm": 90,
    "driver.coil_h": 0.3,
    "driver.coil_most_v": 15.6,
    "driver.pull_in_v": 9.6,
}

CABIN: dict[str, Any] = {
    "battery.capacity_ah": 200,
    "battery.nominal_v": 51.2,
    "battery.lowest_v": 44.8,
    "battery.highest_v": 57.6,
    "battery.chemistry": "other",
    "battery.resistance_mohm": 12,
    "battery.throttle_percent": 96,
    "battery.night_wh": 4000,
    "battery.discharge_limit_a": 100,
    "battery.other_loads_a": 60,
    "battery.counter_offset_a": 0.03,
    "solar.peak_w": 3000,
    "control.cut_in_percent": 97,
    "control.cut_out_percent": 95,
    "control.min_on_s": 300,
    "control.min_off_s": 300,
    "telemetry.state_of_charge.max_age_s": 60,
    "load.rated_w": 1500,
    "load.rated_v": 60,
    "tank.volume_l": 80,
    "tank.target_c": 65,
    "tank.cold_c": 10,
    "tank.around_c": 20,
    "tank.loss_kwh_per_day": 1.62,
    "tank.loss_difference_k": 45,
    "tank.thermostat_dc": True,
    "tank.cut_out": True,
    "tank.cut_out_c": 90,
    "tank.relief_valve": True,
    "tank.relief_bar": 6,
    "tank.relief_w": 10_000,
    "tank.discharge_pipe": True,
    "tank.working_bar": 7,
    "tank.other_heat": "mains",
    "tank.other_w": 2000,
    "tank.other_c": 60,
    "tank.other_thermostat": True,
    "tank.other_cut_out": True,
    "tank.people": 4,
    "tank.litres_per_person": 25,
    "tank.mixing_valve": True,
    "tank.dry_fire_guard": True,
    "tank.sealed": True,
    "tank.supply_bar": 3,
    "tank.vessel_l": 8,
    "wiring.length_m": 12,
    "wiring.area_mm2": 10,
    "wiring.conductor": "class_5_plain",
    "wiring.insulation_c": 90,
    "wiring.engine_space": False,
    "wiring.bundled": 2,
    "wiring.fuse_a": 30,
    "wiring.fuse_v": 80,
    "wiring.fuse_interrupts_a": 10_000,
    "wiring.fuse_distance_m": 0.5,
    "wiring.fuse_sheathed": True,
    "contact.dc_v": 60,
    "contact.dc_a": 32,
    "contact.normally_open": True,
    "contact.operations": 100_000,
    "contact.operations_per_day": 20,
    "relay.feedback_pin": 27,
    "contact.feedback_ohm": 330,
    "contact.feedback_least_ma": 5,
    "driver.transistor": "bipolar",
    "driver.supply_v": 12,
    "driver.coil_ohm": 144,
    "driver.coil_h": 0.5,
    "driver.coil_most_v": 13.2,
    "driver.pull_in_v": 9,
    "driver.base_ohm": 680,
    "driver.least_gain": 100,
    "driver.pull_down_ohm": 10_000,
    "driver.flyback": "zener",
    "driver.clamp_v": 24,
}

# (name, state, figure). By hand, with R = V² / P of the plate, I = V / (R + Rc), P = I² R:
BARGE_LINES = [
    # R = 24² / 300 = 1.92 ohm. Rc = 8 m x 3.39 ohm/km (6 mm², class 5 tinned) x 1.21615 = 32.98 mohm.
    # 22.4 / 1.95298 = 11.47 A, x 11.47 x 1.92 = 252.6 W
    ("power at the lowest bus voltage", "info", "253 W, 11.5 A at 22.4 V (with 33 mohm of cable)"),
    # 25.6 / 1.95298 = 13.108 A, 329.9 W
    ("power at the nominal bus voltage", "info", "330 W, 13.1 A at 25.6 V (with 33 mohm of cable)"),
    # 28.8 / 1.95298 = 14.747 A, 417.5 W
    ("power at the highest bus voltage", "info", "418 W, 14.7 A at 28.8 V (with 33 mohm of cable)"),
    # 28.8² / 1.92 = 432 W; 432 / 300 = 1.44
    ("element against its plate", "pass", "432 W at 28.8 V, 1.44 times the plate (300 W at 24 V, 1.92 ohm)"),
    # 14.747 A x 0.03298 ohm = 0.4864 V; / 28.8 = 1.689 %
    ("drop along the cable", "pass", "1.69 %, 0.49 V, over 2 x 4 m of 6 mm2 class 5 tinned at 75 degC"),
    # 6 mm² holds 10 AWG (5.26 mm²): 60 A at 105 degC; x 0.85 in an engine space = 51 A. 28.8 / 1.92 = 15 A.
    ("what the cable carries", "pass", "carries 51 A (6 mm2 class 5 tinned); the load is 15 A"),
    # 1.25 x 15 = 18.75 A: 20 A is next, 25 A is above that and below 51 A
    ("fuse against the load", "pass", "25 A; the load is 15 A on and on"),
    ("fuse against the cable", "pass", "25 A on a cable that carries 51 A"),
    ("distance of the fuse", "pass", "0.15 m from the battery, sheathed"),
    ("voltage of the fuse", "pass", "rated for 125 V DC"),
    # 28.8 / 0.006 = 4800 A
    ("what the fuse interrupts", "pass", "interrupts 20000 A; a short just behind it draws 4800 A"),
    # 22.4 / (0.006 + 0.03298) = 574.6 A; / 25 = 22.98
    ("short circuit at the load", "pass", "575 A in a short at the load, 23 times the fuse"),
    ("DC voltage of the contact", "pass", "rated for 48 V DC"),
    ("DC current of the contact", "pass", "rated for 40 A DC; the load is 15 A"),
    ("rest position of the contact", "pass", "normally open, as stated"),
    ("level that closes it", "pass", "a high level closes the contact"),
    # 100000 / (8 x 365.25) = 34.22; 86400 / 600 = 144
    (
        "endurance of the contact",
        "pass",
        "34.2 years at 8 a day (100000 rated; the dwells alone allow 144 a day)",
    ),
    ("coil at the lowest voltage", "pass", "pulls in at 18 V; the coil gets 22.4 V at worst"),
    ("coil at the highest voltage", "pass", "the coil stands 31 V; it gets 28.8 V at most"),
    # 28.8 / 320 = 90 mA; (3.3 - 0.7) / 1000 = 2.6 mA, less 0.7 / 10000 = 0.07 mA
    ("transistor and base resistor", "pass", "base gets 2.53 mA of the pin's 2.6 mA; coil takes 90 mA"),
    ("pull-down at the driver's input", "pass", "10000 ohm holds the input at off"),
    ("flyback path of the coil", "pass", "zener"),
    # 0.8 / 320 x ln((28.8 + 27.7) / (2.88 + 27.7)) = 2.5 ms x 0.6139 = 1.535 ms
    ("release time of the coil", "pass", "1.53 ms to a tenth of the current, against 27.7 V"),
    # 280 x 25.6 x 4 % = 286.72 Wh; / 432 W = 39.82 min
    ("band against the dwell", "pass", "4 % is 287 Wh: the load alone crosses it in 39.8 min"),
    # 4 x 286.72 / 432 = 2.6548 h
    ("shortest possible cycle", "pass", "2.65 h, when the surplus is half the load"),
    ("panels against the load", "pass", "panels 1400 W at most, load 432 W"),
    # 432 W x 31 s / 3600 = 3.72 Wh; / 7168 Wh = 0.0519 %
    ("cost of lost data", "pass", "3.72 Wh, 0.052 % of the bank, in 31 s"),
    # 0.02 A x 168 h / 280 Ah = 1.2 %
    ("drift of the counter", "pass", "1.2 % in a week without a full charge"),
    # 1400 / 25.6 = 54.69 A x 6 mohm = 0.328 V; (28.8 - 0.328) / 8 = 3.5590 V a cell, between 3.5352 V at 99.9 % and
    # 3.5611 V at 99.95 %: 99.946 %. Above the cut-in 2.946 % of 7168 Wh = 211 Wh.
    (
        "surplus or charge",
        "caution",
        (
            "the charger throttles from 99.9 %: in 100 % of the band it would still charge, and in 2.95 % (211 Wh) "
            "above the cut-in: that is charge diverted, not surplus"
        ),
    ),
    ("cut-in", "pass", "97 %"),
    # 7168 Wh x 50 % = 3584 Wh
    ("floor against the night", "pass", "the floor of 50 % leaves 3584 Wh"),
    # 15 + 60 = 75 A
    ("discharge limit of the bank", "pass", "75 A with all else running"),
    ("charging in the cold", "pass", "cells down to 4 degC, charging from 2 degC"),
    ("relief valve", "pass", "fitted, as stated"),
    # 432 x 3600 / 2 256 500 J/kg = 0.689 kg/h
    (
        "capacity of the relief valve",
        "pass",
        "carries off 10000 W; the element at 432 W makes 0.69 kg of steam an hour",
    ),
    ("pressure of the tank", "pass", "the relief valve opens at 3 bar; the tank is made for 6 bar"),
    ("supply and relief valve", "pass", "supply 1.4 bar, relief valve 3 bar"),
    ("discharge pipe", "pass", "full width, falling, open and in sight, as stated"),
    # density 999.70 at 10 degC and 977.76 at 70 degC: 40 x 2.244 % = 0.898 l
    ("expansion", "pass", "grows by 0.9 l to 70 degC; the vessel has 5 l"),
    ("thermal cut-out", "pass", "fitted, as stated"),
    ("cut-out temperature", "pass", "acts at 85 degC"),
    # 1200 Wh / 24 h / 45 K = 1.1111 W/K; 18 + 432 / 1.1111 = 406.8 degC. 40 l at 70 degC are 39.11 kg, which take
    # 419.10 - 293.07 kJ/kg to 100 degC: 164.3 kJ/K; 147870 s x ln(336.8 / 306.8) = 13797 s
    (
        "stuck contact",
        "caution",
        (
            "432 W without a stop: the tank at 70 degC boils in 3.83 h; left to stop it, as stated: the thermostat, "
            "the cut-out at 85 degC, the relief valve"
        ),
    ),
    ("thermostat", "pass", "rated for DC, as stated"),
    ("dry element", "caution", "nothing keeps an empty tank from being heated, as stated"),
    ("other heater", "info", "nothing else heats this tank, as stated"),
    ("scald", "pass", "70 degC: second-degree burn in under 1 s, an adult; mixing valve fitted, as stated"),
    (
        "storage temperature",
        "caution",
        "up to 70 degC by surplus alone, which is irregular; count on no disinfection",
    ),
    # About 1.163 x 40 x 60 = 2.79 kWh. 329.9 W as above; C = 2.79 kWh / 60 K = 167.4 kJ/K; end 18 + 329.9 / 1.1111
    # = 314.9 degC; 150660 s x ln(304.9 / 244.9) = 33010 s
    (
        "heating",
        "info",
        "2.79 kWh from 10 to 70 degC; 9.16 h with 330 W at nominal voltage (standing loss 1.11 W/K)",
    ),
    # 1.1111 x 52 = 57.8 W; 39.11 kg x 4.186 = 163.7 kJ/K; 147310 s x ln(52 / 42) = 31462 s
    (
        "standing loss",
        "info",
        "loses 1.11 W/K: 57.8 W at 70 degC, and cools to 60 degC in 8.74 h if nothing is drawn",
    ),
    # 40 x 60 / 30 = 80
    ("mixed water", "info", "80 l at 40 degC from a tank at 70 degC"),
    # 29.99 kg x (167.53 - 42.02 kJ/kg) = 3764 kJ = 1.046 kWh; 57.8 W x 24 h = 1.387 kWh; 2.433 / 0.3299 = 7.37 h
    (
        "water drawn",
        "info",
        (
            "2 people draw 30 l at 40 degC a day: 1.05 kWh, and the tank loses 1.39 kWh: 7.37 h of the element; a hot "
            "tank gives 80 l"
        ),
    ),
]

VAN_LINES = [
    # 0.72 ohm. 8 AWG boat cable: 14810 circular mils = 7.504 mm²; 1000 / (58 x 7.504) = 2.2975 ohm/km; x 5 m x 1.21615
    # = 13.97 mohm. 11.2 / 0.73397 = 15.259 A, 167.65 W
    ("power at the lowest bus voltage", "info", "168 W, 15.3 A at 11.2 V (with 14 mohm of cable)"),
    (
        "power at the nominal bus voltage",
        "info",
        "219 W, 17.4 A at 12.8 V (with 14 mohm of cable)",
    ),  # 17.439 A, 218.98 W
    (
        "power at the highest bus voltage",
        "info",
        "277 W, 19.6 A at 14.4 V (with 14 mohm of cable)",
    ),  # 19.619 A, 277.14 W
    ("element against its plate", "pass", "288 W at 14.4 V, 1.44 times the plate (200 W at 12 V, 0.72 ohm)"),
    # 19.619 x 0.01397 = 0.2741 V; / 14.4 = 1.903 %
    ("drop along the cable", "pass", "1.9 %, 0.27 V, over 2 x 2.5 m of 8 AWG boat cable at 75 degC"),
    # 80 A x 0.6 for four together = 48 A
    ("what the cable carries", "pass", "carries 48 A (8 AWG boat cable); the load is 20 A"),
    ("fuse against the load", "pass", "25 A; the load is 20 A on and on"),  # 1.25 x 20 = 25
    ("fuse against the cable", "pass", "25 A on a cable that carries 48 A"),
    ("distance of the fuse", "pass", "0.1 m from the battery, not sheathed"),
    ("voltage of the fuse", "pass", "rated for 32 V DC"),
    ("what the fuse interrupts", "pass", "interrupts 5000 A; a short just behind it draws 3600 A"),  # 14.4 / 0.004
    # 11.2 / (0.004 + 0.01397) = 623.2 A; / 25 = 24.93
    ("short circuit at the load", "pass", "623 A in a short at the load, 24.9 times the fuse"),
    ("DC voltage of the contact", "pass", "rated for 28 V DC"),
    ("DC current of the contact", "pass", "rated for 30 A DC; the load is 20 A"),
    ("DC power of the contact", "pass", "rated for 600 W DC; the load is 288 W"),
    ("rest position of the contact", "pass", "normally open, as stated"),
    ("level that closes it", "pass", "a high level closes the contact"),
    # 100000 / (12 x 365.25) = 22.82; 86400 / 480 = 180
    (
        "endurance of the contact",
        "pass",
        "22.8 years at 12 a day (100000 rated; the dwells alone allow 180 a day)",
    ),
    ("coil at the lowest voltage", "pass", "pulls in at 9.6 V; the coil gets 11.2 V at worst"),
    ("coil at the highest voltage", "pass", "the coil stands 15.6 V; it gets 14.4 V at most"),
    # 3.3 / 470 = 7.02 mA
    (
        "transistor and gate resistor",
        "pass",
        "gate specified at 2.5 V, the pin gives 3.3 V and at first 7.02 mA",
    ),
    ("pull-down at the driver's input", "pass", "10000 ohm holds the input at off"),
    ("flyback path of the coil", "pass", "diode"),
    # 0.3 / 90 x ln((14.4 + 0.7) / (1.44 + 0.7)) = 3.333 ms x 1.954 = 6.513 ms
    ("release time of the coil", "pass", "6.51 ms to a tenth of the current, against 0.7 V"),
    # 100 x 12.8 x 4 % = 51.2 Wh; / 288 W = 10.67 min; x 4 = 42.67 min
    ("band against the dwell", "pass", "4 % is 51.2 Wh: the load alone crosses it in 10.7 min"),
    ("shortest possible cycle", "pass", "42.7 min, when the surplus is half the load"),
    ("panels against the load", "pass", "panels 400 W at most, load 288 W"),
    ("cost of lost data", "pass", "1.68 Wh, 0.13 % of the bank, in 21 s"),  # 288 x 21 / 3600; / 1280 Wh
    # 0.05 x 168 / 100 = 8.4 %: far more than the 1 % from the cut-in to full
    ("drift of the counter", "caution", "8.4 % in a week without a full charge"),
    # (98.5 - 95) / (99 - 95) = 87.5 %; but four cells at rest have 4 x 3.3479 = 13.39 V, and 13.8 V is asked for
    (
        "surplus or charge",
        "pass",
        "the charger throttles from 98.5 %: in 87.5 % of the band it would still charge",
    ),
    ("cut-in", "pass", "99 %"),
    ("floor against the night", "pass", "the floor of 50 % leaves 640 Wh"),
    ("discharge limit of the bank", "pass", "50 A with all else running"),
    ("charging in the cold", "caution", "cells down to -5 degC, charging from 1 degC"),
    ("relief valve", "pass", "fitted, as stated"),
    # 288 x 3600 / 2 256 500 = 0.459 kg/h
    (
        "capacity of the relief valve",
        "pass",
        "carries off 288 W; the element at 288 W makes 0.46 kg of steam an hour",
    ),
    ("pressure of the tank", "pass", "the relief valve opens at 3 bar; the tank is made for 4.5 bar"),
    ("supply and relief valve", "pass", "supply 1.2 bar, relief valve 3 bar"),
    ("discharge pipe", "pass", "full width, falling, open and in sight, as stated"),
    # 10 x (999.10 / 983.20 - 1) = 0.162 l
    ("expansion", "info", "grows by 0.16 l to 60 degC, back into the supply"),
    ("thermal cut-out", "pass", "fitted, as stated"),
    ("cut-out temperature", "pass", "acts at 80 degC"),
    # 540 / 24 / 45 = 0.5 W/K; 20 + 288 / 0.5 = 596 degC. 9.832 kg x (419.10 - 251.22 kJ/kg) / 40 K = 41.26 kJ/K;
    # 82530 s x ln(536 / 496) = 6401 s
    (
        "stuck contact",
        "caution",
        (
            "288 W without a stop: the tank at 60 degC boils in 107 min; left to stop it, as stated: the thermostat, "
            "the cut-out at 80 degC, the relief valve"
        ),
    ),
    ("thermostat", "pass", "rated for DC, as stated"),
    ("dry element", "pass", "something keeps an empty tank from being heated, as stated"),
    ("other heater", "info", "nothing else heats this tank, as stated"),
    ("scald", "pass", "60 degC: second-degree burn in 3 s, an adult; mixing valve fitted, as stated"),
    (
        "storage temperature",
        "caution",
        "up to 60 degC by surplus alone, which is irregular; count on no disinfection",
    ),
    # 0.5222 kWh; 219 W as above; 41778 J/K / 0.5 x ln(442.96 / 397.96) = 83556 s x 0.10713 = 8951 s
    (
        "heating",
        "info",
        "0.52 kWh from 15 to 60 degC; 2.49 h with 219 W at nominal voltage (standing loss 0.5 W/K)",
    ),
    ("standing loss", "info", "loses 0.5 W/K: 20 W at 60 degC"),
    ("mixed water", "info", "18 l at 40 degC from a tank at 60 degC"),  # 10 x 45 / 25
    # 9.991 kg x (167.53 - 62.98 kJ/kg) = 1045 kJ = 0.290 kWh; 20 W x 24 h = 0.48 kWh; 0.770 / 0.219 = 3.52 h
    (
        "water drawn",
        "info",
        (
            "1 person draws 10 l at 40 degC a day: 0.29 kWh, and the tank loses 0.48 kWh: 3.52 h of the element; a hot "
            "tank gives 18 l"
        ),
    ),
]

CABIN_LINES = [
    # 60² / 1500 = 2.4 ohm. 24 m x 1.91 ohm/km (10 mm², class 5 plain) x 1.21615 = 55.75 mohm.
    (
        "power at the lowest bus voltage",
        "info",
        "799 W, 18.2 A at 44.8 V (with 55.7 mohm of cable)",
    ),  # 18.243 A, 798.7 W
    ("power at the nominal bus voltage", "info", "1043 W, 20.8 A at 51.2 V (with 55.7 mohm of cable)"),  # 20.849 A
    ("power at the highest bus voltage", "info", "1320 W, 23.5 A at 57.6 V (with 55.7 mohm of cable)"),  # 23.455 A
    # 57.6² / 2.4 = 1382.4 W; / 1500 = 0.9216
    ("element against its plate", "pass", "1382 W at 57.6 V, 0.92 times the plate (1500 W at 60 V, 2.4 ohm)"),
    # 23.455 x 0.05575 = 1.3076 V; / 57.6 = 2.270 %
    ("drop along the cable", "pass", "2.27 %, 1.31 V, over 2 x 12 m of 10 mm2 class 5 plain at 75 degC"),
    # 10 mm² holds 8 AWG (8.37 mm²): 70 A at 90 degC. 57.6 / 2.4 = 24 A.
    ("what the cable carries", "pass", "carries 70 A (10 mm2 class 5 plain); the load is 24 A"),
    ("fuse against the load", "pass", "30 A; the load is 24 A on and on"),  # 1.25 x 24 = 30
    ("fuse against the cable", "pass", "30 A on a cable that carries 70 A"),
    ("distance of the fuse", "pass", "0.5 m from the battery, sheathed"),
    ("voltage of the fuse", "pass", "rated for 80 V DC"),
    ("what the fuse interrupts", "pass", "interrupts 10000 A; a short just behind it draws 4800 A"),  # 57.6 / 0.012
    # 44.8 / (0.012 + 0.05575) = 661.3 A; / 30 = 22.04
    ("short circuit at the load", "pass", "661 A in a short at the load, 22 times the fuse"),
    ("DC voltage of the contact", "pass", "rated for 60 V DC"),
    ("DC current of the contact", "pass", "rated for 32 A DC; the load is 24 A"),
    ("rest position of the contact", "pass", "normally open, as stated"),
    ("level that closes it", "pass", "a high level closes the contact"),
    # 100000 / (20 x 365.25) = 13.69
    (
        "endurance of the contact",
        "pass",
        "13.7 years at 20 a day (100000 rated; the dwells alone allow 144 a day)",
    ),
    ("wetting of the feedback contact", "pass", "10 mA through 330 ohm"),
    ("coil at the lowest voltage", "pass", "pulls in at 9 V; the coil gets 12 V at worst"),
    ("coil at the highest voltage", "pass", "the coil stands 13.2 V; it gets 12 V at most"),
    # 12 / 144 = 83.3 mA; 2.6 / 680 = 3.82 mA, less 0.07 mA
    ("transistor and base resistor", "pass", "base gets 3.75 mA of the pin's 3.82 mA; coil takes 83.3 mA"),
    ("pull-down at the driver's input", "pass", "10000 ohm holds the input at off"),
    ("flyback path of the coil", "pass", "zener"),
    # 0.5 / 144 x ln(36.7 / 25.9) = 3.472 ms x 0.3485 = 1.210 ms
    ("release time of the coil", "pass", "1.21 ms to a tenth of the current, against 24.7 V"),
    # 200 x 51.2 x 2 % = 204.8 Wh; / 1382.4 W = 8.889 min; x 4 = 35.56 min
    ("band against the dwell", "pass", "2 % is 205 Wh: the load alone crosses it in 8.89 min"),
    ("shortest possible cycle", "pass", "35.6 min, when the surplus is half the load"),
    ("panels against the load", "pass", "panels 3000 W at most, load 1382 W"),
    ("cost of lost data", "pass", "23.4 Wh, 0.23 % of the bank, in 61 s"),  # 1382.4 x 61 / 3600; / 10240 Wh
    ("drift of the counter", "pass", "2.52 % in a week without a full charge"),  # 0.03 x 168 / 200
    # (96 - 95) / (97 - 95) = 50 %, and no voltage is asked for
    (
        "surplus or charge",
        "caution",
        "the charger throttles from 96 %: in 50 % of the band it would still charge",
    ),
    ("floor against the night", "pass", "the floor of 50 % leaves 5120 Wh"),
    ("discharge limit of the bank", "pass", "84 A with all else running"),
    ("relief valve", "pass", "fitted, as stated"),
    # (1382.4 + 2000) x 3600 / 2 256 500 = 5.396 kg/h
    (
        "capacity of the relief valve",
        "pass",
        "carries off 10000 W; both heaters at 3382 W make 5.4 kg of steam an hour",
    ),
    ("pressure of the tank", "pass", "the relief valve opens at 6 bar; the tank is made for 7 bar"),
    ("supply and relief valve", "pass", "supply 3 bar, relief valve 6 bar"),
    ("discharge pipe", "pass", "full width, falling, open and in sight, as stated"),
    # 80 x (999.70 / 980.55 - 1) = 1.5625 l; / (1 - 4.01325 / 6.41325) = 4.175 l needed
    ("expansion", "pass", "grows by 1.56 l to 65 degC; the vessel has 8 l"),
    ("thermal cut-out", "pass", "fitted, as stated"),
    ("cut-out temperature", "pass", "acts at 90 degC"),
    # 1620 / 24 / 45 = 1.5 W/K; 20 + 1382.4 / 1.5 = 941.6 degC. 78.44 kg x (419.10 - 272.12 kJ/kg) / 35 K = 329.4 kJ/K;
    # 219600 s x ln(876.6 / 841.6) = 8948 s
    (
        "stuck contact",
        "caution",
        (
            "1382 W without a stop: the tank at 65 degC boils in 2.49 h; left to stop it, as stated: the thermostat, "
            "the cut-out at 90 degC, the relief valve"
        ),
    ),
    ("thermostat", "pass", "rated for DC, as stated"),
    ("dry element", "pass", "something keeps an empty tank from being heated, as stated"),
    ("other heater", "pass", "the mains heater heats to 60 degC, the element to 65 degC"),
    ("other heater's thermostat", "pass", "has its own, as stated"),
    ("other heater's cut-out", "pass", "has its own, as stated"),
    # 3 s x (1.5 / 3) ^ (5 / 5.6) = 1.616 s, between the rows of 60 and 65.6 degC
    ("scald", "pass", "65 degC: second-degree burn in 1.62 s, an adult; mixing valve fitted, as stated"),
    (
        "storage temperature",
        "pass",
        "held at 60 degC by the mains heater, up to 65 degC by surplus; count on no disinfection",
    ),
    # 2 x 2.5555 = 5.111 kWh; 1043 W as above; 334534 J/K / 1.5 x ln(705.5 / 650.5) = 223023 s x 0.08117 = 18103 s
    (
        "heating",
        "info",
        "5.11 kWh from 10 to 65 degC; 5.03 h with 1043 W at nominal voltage (standing loss 1.5 W/K)",
    ),
    # 1.5 x 45 = 67.5 W; 78.44 kg x 4.186 = 328.3 kJ/K; 218900 s x ln(45 / 40) = 25783 s
    (
        "standing loss",
        "info",
        "loses 1.5 W/K: 67.5 W at 65 degC, and cools to 60 degC in 7.16 h if nothing is drawn",
    ),
    ("mixed water", "info", "147 l at 40 degC from a tank at 65 degC"),  # 80 x 55 / 30 = 146.7
    # 99.97 kg x (167.53 - 42.02 kJ/kg) = 12547 kJ = 3.485 kWh; 67.5 W x 24 h = 1.62 kWh; 5.105 / 1.043 = 4.89 h
    (
        "water drawn",
        "info",
        (
            "4 people draw 100 l at 40 degC a day: 3.48 kWh, and the tank loses 1.62 kWh: 4.89 h of the element; a hot "
            "tank gives 147 l"
        ),
    ),
]


def told_again(apart_s: int) -> tuple[str, str, str]:
    """None of the three sources sends a time; all confirm for 30 s."""
    often = f"again and again, less than {apart_s} s apart and for 30 s,"
    figure = f"no timestamp: an old value that a bridge or a queue delivers {often} counts as surplus"
    return "old values told again", "caution", figure


def installation(keys: dict[str, Any]) -> Known:
    return flat(settings(keys))


@pytest.mark.parametrize(
    ("known", "lines"),
    [
        pytest.param(
            flat(load_settings(EXAMPLE, {})), [*BARGE_LINES, told_again(30)], id="the barge, 24 V, as in the example"
        ),
        pytest.param(installation(VAN), [*VAN_LINES, told_again(20)], id="a van, 12 V"),
        pytest.param(installation(CABIN), [*CABIN_LINES, told_again(60)], id="a cabin, 48 V"),
    ],
)
def test_every_line_of_a_whole_installation_is_what_the_hand_says(
    known: Known, lines: list[tuple[str, str, str]]
) -> None:
    found, missing = run_checks(CHECKS, known)
    assert missing == []
    said = {finding.name: (finding.name, finding.verdict.state.value, finding.verdict.figure) for finding in found}
    assert len(said) == len(found)
    assert sorted(said.values()) == sorted(lines)


def fails(keys: dict[str, Any]) -> list[dict[str, Any]]:
    document = check_document(Path("bad.toml"), settings(keys))
    assert (document["verdict"] == "fail") == bool(document["counts"]["fail"])
    return [finding for finding in document["findings"] if finding["state"] == "fail"]


def test_an_undersized_cable_fails_for_fire() -> None:
    # The van with 16 AWG: 2336 circular mils = 1.1837 mm², 14.566 ohm/km, x 5 m x 1.21615 = 88.57 mohm;
    # 0.08857 / 0.80857 = 10.95 %. Table 5: 25 A x 0.6 = 15 A for a load of 20 A and a fuse of 25 A.
    drop, carries, fuse = fails({**VAN, "wiring.gauge": "16"})
    assert [one["danger"] for one in (drop, carries, fuse)] == ["fire"] * 3
    assert drop["name"] == "drop along the cable"
    assert drop["figure"].startswith("11 %, 1.58 V,")
    # 12 AWG: 5833 circular mils = 2.9556 mm², 35.47 mohm, 4.70 %. 10 AWG: 9343, 4.7342 mm², 22.15 mohm, 2.98 %, and
    # 60 A x 0.6 = 36 A takes a fuse of 25 A.
    assert drop["change"] == "Use 10 AWG boat cable or more."
    assert carries["figure"] == "carries 15 A (16 AWG boat cable); the load is 20 A"
    assert fuse["figure"] == "25 A on a cable that carries 15 A"
    assert fuse["limit"] == "at most 15 A (US boats below 50 V may by law go to 22.5 A, 150 %)"


def test_a_relay_with_an_ac_rating_only_fails_for_its_arc() -> None:
    keys = {key: value for key, value in VAN.items() if not key.startswith("contact.dc")}
    (only,) = fails({**keys, "contact.ac_v": 250})
    assert (only["name"], only["danger"]) == ("AC rating only", "arc")
    assert only["figure"] == "rated for 250 V AC, and no DC rating given"
    assert "an AC rating is not one" in only["limit"]
    assert "DC rating" in only["change"]


def test_a_band_shorter_than_the_dwell_fails_for_the_bank() -> None:
    # The cabin with 96.5 to 97 %: 10240 x 0.5 % = 51.2 Wh, 133.3 s at 1382.4 W, for a dwell of 300 s.
    # What the dwell takes: 1382.4 x 300 / 3600 = 115.2 Wh = 1.125 %.
    (only,) = fails({**CABIN, "control.cut_out_percent": 96.5})
    assert (only["name"], only["danger"]) == ("band against the dwell", "bank")
    assert only["figure"] == "0.5 % is 51.2 Wh: the load alone crosses it in 2.22 min"
    assert only["limit"] == "at least 5 min, control.min_on_s"
    assert "at least 1.13 % wide, or control.min_on_s at most 133 s" in only["change"]
