"""The worlds, the pairs of settings and the sets of signals. Seeds are here and nowhere else.

What the settings files say of a boat is what its owner reads on plates and in manuals; what is true of it is a little
otherwise: a used bank, a charger that reads its own volts, an element of 3 % more ohms.
"""

from typing import NamedTuple

from bench.proof.household import Household
from bench.proof.plant import Bank, Boat, Charger, Monitor, Tank, Telemetry
from bench.proof.rule import Rule
from bench.proof.sky import Panels

DAYS = 60


class World(NamedTuple):
    """One boat in one season. `solar`, `monitor`: what its owner says of charger and monitor, as keys of settings."""

    name: str
    year: str
    first_day: int
    seed: int
    boat: Boat
    solar: dict[str, float | bool]
    panels: Panels = Panels(1_400.0)
    house: Household = Household()
    cloud_s: float = 240.0
    monitor: dict[str, float] | None = None


FLOATS = {"absorption_v": 28.4, "float_v": 27.0, "charger_a": 60.0}
SPRING, SUMMER, AUTUMN = 62, 160, 258

WORLDS = (
    World(
        "float, spring", "greensboro", SPRING, 4101,
        Boat(telemetry=Telemetry(keeps_s=30, keeps_changes=True)),
        FLOATS | {"absorption_s": 5_400.0},
        house=Household(base_w=58.0, litres_a_day=45.0),
        monitor={"counter_full_v": 28.2, "counter_full_a": 11.0, "counter_full_s": 120.0},
    ),
    World(
        "stops, summer", "greensboro", SUMMER, 4102,
        Boat(
            Bank(capacity_ah=283.0, slow_ohm=0.005, hysteresis_v=0.07),
            Charger(absorption_v=28.38, stops=True, absorption_s=3_600.0, rebulk_v=26.65, daily=False),
            telemetry=Telemetry(keeps_s=60),
        ),
        {"absorption_v": 28.4, "charger_a": 60.0, "stops_when_full": True, "rebulk_v": 26.6, "absorption_s": 3_600.0,
         "begins_daily": False},
        panels=Panels(1_400.0, derate=0.72),
        house=Household(base_w=85.0, litres_a_day=50.0, sociable=3.0),
    ),
    World(
        "never resyncs, autumn", "greensboro", AUTUMN, 4103,
        Boat(
            Bank(capacity_ah=266.0),
            Charger(absorption_v=28.43, absorption_s=7_200.0, tail_a=8.0),
            monitor=Monitor(gain=-0.004, offset_a=-0.012, efficiency=0.995, resyncs=False),
            telemetry=Telemetry(keeps_s=60, keeps_changes=True, soc_step=0.1),
        ),
        FLOATS | {"absorption_s": 7_200.0, "tail_a": 8.0},
        house=Household(base_w=48.0, litres_a_day=40.0),
    ),
    World(
        "no absorption, winter", "miami", 4, 4104,
        Boat(
            Bank(capacity_ah=276.0, series_ohm=0.010),
            Charger(absorption_v=28.39, float_v=27.21, absorption_s=0.0),
            monitor=Monitor(full_v=27.0, full_a=11.0, full_s=180.0),
            telemetry=Telemetry(keeps_s=30, soc_step=0.5, every_s=10),
        ),
        {"absorption_v": 28.4, "float_v": 27.2, "charger_a": 60.0, "absorption_s": 0.0},
        panels=Panels(1_400.0, 10.0, 170.0, derate=0.72),
        house=Household(base_w=60.0, litres_a_day=55.0),
        cloud_s=150.0,
    ),
    World(
        "on and off, no taper, summer", "miami", SUMMER + 20, 4105,
        Boat(
            Bank(capacity_ah=271.0, series_ohm=0.006),
            Charger(absorption_v=28.21, absorbs=False, stops=True, rebulk_v=26.91, rebulk_s=20.0, most_a=48.0),
            monitor=Monitor(full_v=28.0, full_a=48.0, full_s=20.0),
            telemetry=Telemetry(keeps_s=30, keeps_changes=True),
        ),
        {"absorption_v": 28.2, "charger_a": 50.0, "absorption_s": 0.0, "stops_when_full": True, "rebulk_v": 26.9},
        panels=Panels(1_400.0, derate=0.70),
        house=Household(base_w=80.0, lamps_w=80.0, litres_a_day=60.0),
        cloud_s=360.0,
    ),
    World(
        "coarse monitor, hot tank, autumn", "miami", AUTUMN, 4106,
        Boat(
            Bank(capacity_ah=280.0, quick_ohm=0.003, hysteresis_v=0.12),
            Charger(absorption_v=28.63, float_v=27.18, absorption_s=3_600.0, tail_a=6.0),
            Tank(opens_c=56.0, closes_c=51.0, loss_w_k=0.8, gauge_upper=0.9),
            Monitor(full_s=60.0),
            telemetry=Telemetry(keeps_s=60, soc_step=1.0),
        ),
        {"absorption_v": 28.6, "float_v": 27.2, "charger_a": 60.0},
        house=Household(base_w=55.0, lamps_w=90.0, sociable=4.0, litres_a_day=18.0),
        cloud_s=420.0,
    ),
    World(
        "seldom full, spring", "sand-point", 96, 4107,
        Boat(
            Bank(capacity_ah=269.0, series_ohm=0.009, slow_ohm=0.009),
            Charger(absorption_v=28.42, float_v=27.03, absorption_s=7_200.0),
            Tank(cold_c=6.0, around_c=11.0),
            Monitor(offset_a=-0.008, full_v=28.2, full_a=5.6, full_s=3_000.0),
            Telemetry(keeps_s=30, keeps_changes=True),
        ),
        FLOATS | {"absorption_s": 7_200.0},
        panels=Panels(1_400.0, 30.0),
        house=Household(base_w=36.0, sociable=1.0, litres_a_day=45.0),
    ),
    World(
        "stops, bright summer", "sand-point", SUMMER, 4108,
        Boat(
            Bank(capacity_ah=278.0),
            Charger(absorption_v=28.37, stops=True, absorption_s=7_200.0, tail_a=10.0, rebulk_v=26.45, rebulk_s=120.0),
            Tank(cold_c=8.0, around_c=13.0),
            Monitor(full_s=60.0),
            Telemetry(keeps_s=60, keeps_changes=True),
        ),
        {"absorption_v": 28.4, "charger_a": 60.0, "stops_when_full": True, "rebulk_v": 26.4},
        panels=Panels(1_400.0, 15.0, 200.0),
        house=Household(base_w=50.0, litres_a_day=50.0),
    ),
    World(
        "shaded afternoons, spring", "miami", SPRING, 4109,
        Boat(
            Bank(capacity_ah=272.0),
            Charger(absorption_v=28.40, float_v=26.92, absorption_s=3_600.0, rebulk_v=26.0, rebulk_s=300.0),
            monitor=Monitor(offset_a=0.006, efficiency=1.0),
            telemetry=Telemetry(keeps_s=30, volts_noise=0.01, watts_noise=5.0),
        ),
        {"absorption_v": 28.4, "float_v": 26.9, "charger_a": 60.0},
        panels=Panels(1_400.0, derate=0.74, shaded_from_deg=235.0, shaded_to=0.25),
        house=Household(base_w=70.0, litres_a_day=45.0),
        cloud_s=300.0,
    ),
)  # fmt: skip


class Pair(NamedTuple):
    """Settings with which the record was made, and those that are asked about. `needs`: signals that B's law reads."""

    name: str
    recorded: Rule
    asked: Rule
    needs: tuple[str, ...] = ()


PLAIN = Rule()
NARROW = Rule(cut_out=96.5)
SLOW = NARROW._replace(min_on_s=1_800.0, min_off_s=1_200.0)
VOLTS = ("battery_voltage",)
# The permissive's volts; a world whose set point is lower takes them 0.2 V lower (see `fit`).
WITH_VOLTS = Rule(volts_in=28.1, volts_out=26.4)
PAIRS = (
    Pair("cut-in 97 > 95", PLAIN, Rule(cut_in=95.0)),
    Pair("band 97/93 > 98/96", PLAIN, Rule(cut_in=98.0, cut_out=96.0)),
    Pair("cut-out 93 > 85", PLAIN, Rule(cut_out=85.0)),
    Pair("cut-in 97 > 99", PLAIN, Rule(cut_in=99.0, cut_out=95.0)),
    Pair("band 95/88 > 98/95", Rule(cut_in=95.0, cut_out=88.0), Rule(cut_in=98.0, cut_out=95.0)),
    Pair("band 98/96 > 88/75", Rule(cut_in=98.0, cut_out=96.0), Rule(cut_in=88.0, cut_out=75.0)),
    Pair("dwells 300 > 1800/1200", NARROW, SLOW),
    Pair("dwells 1800/1200 > 120/60", SLOW, NARROW._replace(min_on_s=120.0, min_off_s=60.0)),
    Pair("confirm 30 > 1800", PLAIN, Rule(confirm_s=1_800.0)),
    Pair("voltage added", PLAIN, WITH_VOLTS, VOLTS),
    Pair("voltage taken away", WITH_VOLTS._replace(cut_in=96.0), Rule(cut_in=96.0, cut_out=92.0), VOLTS),
    Pair("drain limit added", PLAIN, Rule(cut_out=80.0, drain_w=150.0), ("battery_power",)),
    Pair("never ran > 97/93", Rule(cut_in=100.0, cut_out=99.9, opens_s=7_200.0, closes_s=7_260.0), PLAIN),
)  # fmt: skip

SETS = {
    "SoC": ("state_of_charge",),
    "SoC V": ("state_of_charge", "battery_voltage"),
    "SoC V Pbat": ("state_of_charge", "battery_voltage", "battery_power"),
    "SoC V Pbat Psolar": ("state_of_charge", "battery_voltage", "battery_power", "solar_power"),
    "SoC V Pbat Pload": ("state_of_charge", "battery_voltage", "battery_power", "load_power"),
    "all six": (
        "state_of_charge", "battery_voltage", "battery_power", "solar_power", "load_power", "tank_temperature",
    ),
}  # fmt: skip


def fit(rule: Rule, world: World) -> Rule:
    """Return a rule with the permissive's volts 0.3 V below the set point that the owner of the world reads."""
    if rule.volts_in != rule.volts_in:  # NaN: no such permissive
        return rule
    return rule._replace(volts_in=round(float(world.solar["absorption_v"]) - 0.3, 2))
