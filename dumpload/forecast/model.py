"""A record and the settings of its boat to a model that can be played under any other settings of the law."""

import math
from typing import Any, NamedTuple

import numpy as np

from dumpload.config.model import Settings
from dumpload.config.to_core import controller_setup
from dumpload.core.controller import Setup
from dumpload.core.signals import Signal
from dumpload.core.window import HOUR_S
from dumpload.forecast import bank, heater, hidden_sun
from dumpload.forecast.evidence import EvidenceError, Floats, RecordEvidence
from dumpload.forecast.plates import Plates, plates_of
from dumpload.forecast.sight import Sight, look
from dumpload.forecast.step import BULK, FLOAT, RESTING, Course, Hours, Ship
from dumpload.forecast.sun import SunAt
from dumpload.replay.arrays import local_times_between

SOC, TANK = Signal.STATE_OF_CHARGE, Signal.TANK_TEMPERATURE

MEMBERS = 16
STEP_S = 10.0
# How long the bus is low before a charger comes back (s), and what factor of it one member in three is beyond
# (common practice, no source). Where charge falls to the cut-out as the bus falls to the restart, it decides which is
# first.
RESTART_S, RESTART_VARIES = 60.0, 1.6


class Recorded(NamedTuple):
    """Daily sums of the recorded relay: Wh into the load, s on, switch-ons."""

    energy_wh: Floats
    on_s: Floats
    switch_ons: Floats


class Model(NamedTuple):
    """A boat and its recorded days. `ships`, `nets`, `draws`: one for each member of the ensemble.

    `hour`: local hour (0 to 23) of every entry. `ran`: part of each of these hours that the recorded load was on.
    """

    evidence: RecordEvidence
    plates: Plates
    setup: Setup
    sight: Sight
    monitor: bank.SeenMonitor
    voltage: bank.Voltage
    tank: heater.SeenTank
    sky: hidden_sun.SeenSky
    recorded: Recorded
    course: Course
    ships: tuple[Ship, ...]
    nets: Floats
    draws: tuple[Floats, ...]
    days: int
    hour: Any
    ran: Floats


WRONG_SIGN = (
    "battery_power: expected positive while the battery charges; in this record the charge falls while it is positive: "
    "turn its sign with --unit battery_power=W*-1"
)


def build(evidence: RecordEvidence, settings: Settings, recorded_with: Settings, *, members: int = MEMBERS) -> Model:
    """Identify the boat from its record; ratings and place come from `settings`, A's law from `recorded_with`.

    Raises:
        EvidenceError: plates are missing, or the record cannot tell enough.
    """
    plates = plates_of(settings)
    sight = look(evidence, plates)
    seen_charger, step_s, shown_charge = sight.charger, evidence.step_s, evidence.signals[SOC]
    counting = bank.counting_of(step_s, shown_charge, sight.amps, plates.capacity_ah, evidence.charge_step)
    if counting.in_per_ah <= 0.0 or counting.out_per_ah <= 0.0:
        raise EvidenceError(WRONG_SIGN)
    monitor = bank.monitor_of(step_s, shown_charge, sight.amps, counting, seen_charger.full, evidence.charge_step)
    voltage = bank.voltage_of(
        step_s, sight.volts, sight.amps, monitor.charge, counting, plates.cells, plates.ohm, seen_charger.absorption_v
    )
    tank = heater.tank_of(
        step_s, evidence.relay, sight.load_w, sight.volts**2 / sight.element.ohm, evidence.signals.get(TANK),
        _taps(sight.sun), plates.tank,
    )  # fmt: skip
    sky = hidden_sun.sky_of(step_s, sight.net_w, seen_charger.throttled, sight.sun, sight.night_w)
    local = hours_of(evidence, controller_setup(settings))
    day = np.asarray(local.day - local.day[0], np.int64)
    hour = np.clip((evidence.middle - evidence.began - local.day_began_at) / HOUR_S, 0, 23).astype(np.int64)
    nets = hidden_sun.paths(
        step_s, evidence.began, sight.net_w, seen_charger.throttled, sky, sight.night_w, members, seed=7
    )
    ships, draws = _varied(
        _ship(plates, sight, monitor, voltage, tank, evidence), monitor, tank, sight, plates, members
    )
    recorded, course = _recorded(evidence, sight, day), _course(evidence, sight, monitor, voltage, tank, day)
    return Model(
        evidence, plates, controller_setup(recorded_with), sight, monitor, voltage, tank, sky, recorded, course, ships,
        nets, draws, int(day[-1]) + 1, hour, _ran(evidence, hour),
    )  # fmt: skip


def _ran(evidence: RecordEvidence, hour: Any) -> Floats:
    known = evidence.known
    on = np.bincount(hour[known], evidence.relay[known], 24)
    return np.asarray(on / np.maximum(1, np.bincount(hour[known], minlength=24)), np.float64)


def _taps(sun: SunAt) -> Floats:
    """Return when hot water is drawn (mean 1): evenly from seven in the morning to ten at night."""
    awake = (sun.hours > -5.0) & (sun.hours < 10.0)
    return awake / max(1e-9, float(awake.mean()))


def hours_of(evidence: RecordEvidence, setup: Setup) -> Hours:
    """Return the local time of every entry under some settings."""
    end = evidence.began + evidence.entries * evidence.step_s
    local = local_times_between(setup.schedule(), evidence.began, end)
    place = np.searchsorted(local.wall, evidence.middle, side="right") - 1
    return Hours(local.inside[place], local.day[place], local.day_began_at[place] - evidence.began)


def _recorded(evidence: RecordEvidence, sight: Sight, day: Any) -> Recorded:
    hours, days = evidence.step_s / HOUR_S, int(day[-1]) + 1
    on = evidence.relay > 0.5
    begun = np.concatenate([[False], on[1:] & ~on[:-1]]) & evidence.known
    parts = (sight.load_w * hours, evidence.relay * evidence.step_s, begun)
    energy, on_s, ons = (np.bincount(day, np.where(evidence.known, part, 0.0), days) for part in parts)
    return Recorded(*(np.asarray(sums, np.float64) for sums in (energy, on_s, ons)))


def _course(
    evidence: RecordEvidence, sight: Sight, monitor: bank.SeenMonitor, voltage: bank.Voltage, tank: heater.SeenTank,
    day: Any,
) -> Course:  # fmt: skip
    substeps, amps, seen = max(1, round(evidence.step_s / STEP_S)), sight.amps, sight.charger
    after = RESTING if math.isnan(seen.float_v) else FLOAT
    stage = np.where(seen.absorbing, BULK, np.where(seen.floating | seen.resting, after, -1)).astype(np.int64)
    return Course(
        step_s=evidence.step_s / substeps,
        slow_keep=math.exp(-evidence.step_s / substeps / bank.SLOW_S),
        substeps=substeps,
        known=evidence.known & np.isfinite(sight.power_w),
        throttled=seen.throttled,
        stage=stage,
        sun_up=sight.sun.height > -0.02,
        power_w=sight.power_w,
        load_w=sight.load_w,
        volts=sight.volts,
        shown_charge=sight.shown_charge,
        house_w=sight.house_w,
        charge=np.minimum(monitor.charge, 100.0),
        offset=monitor.offset,
        extra=_unexplained(monitor, amps, evidence.step_s) / substeps,
        drift=monitor.rate * evidence.step_s / substeps,
        bias_v=sight.volts - bank.expected_v(voltage, monitor.charge, amps, monitor.counting, evidence.step_s),
        draw_w=tank.draw_w,
        missing_wh=tank.missing_wh,
        relay_on=evidence.relay > 0.5,
        day=day,
    )


def _unexplained(monitor: bank.SeenMonitor, amps: Floats, step_s: float) -> Floats:
    """Return the charge (percent, in each entry) that the bank gained or lost beyond what its current explains."""
    per_ah = np.where(amps > 0, monitor.counting.in_per_ah, monitor.counting.out_per_ah)
    extra = np.gradient(monitor.charge) - per_ah * amps * step_s / HOUR_S
    return np.where(np.abs(extra) > 1.0, 0.0, _smoothed(extra, round(7200.0 / step_s)))


def _smoothed(values: Floats, width: int) -> Floats:
    width = max(3, width)
    padded = np.pad(values, width // 2, mode="edge")
    smooth: Floats = np.convolve(padded, np.ones(width) / width, mode="valid")[: len(values)]
    return smooth


def _ship(
    plates: Plates, sight: Sight, monitor: bank.SeenMonitor, voltage: bank.Voltage, tank: heater.SeenTank,
    evidence: RecordEvidence,
) -> Ship:  # fmt: skip
    seen_charger = sight.charger
    return Ship(
        absorption_v=seen_charger.absorption_v,
        float_v=seen_charger.float_v,
        restart_v=plates.restart_v if math.isnan(seen_charger.restart_v) else seen_charger.restart_v,
        restart_s=RESTART_S if math.isnan(plates.restart_s) else plates.restart_s,
        absorption_s=seen_charger.absorption_s,
        tail_a=seen_charger.tail_a,
        counts_pauses=seen_charger.counts_pauses,
        begins_daily=seen_charger.begins_daily,
        ohm=voltage.ohm,
        slow_ohm=voltage.slow_ohm,
        hysteresis_v=voltage.hysteresis_v,
        side_per_percent=voltage.side_per_percent,
        in_per_ah=monitor.counting.in_per_ah,
        out_per_ah=monitor.counting.out_per_ah,
        charge_step=evidence.charge_step,
        resyncs=bool(monitor.resync_share > 0.5),
        resync_at=monitor.resync_at,
        element_ohm=sight.element.ohm,
        band_wh=tank.band_wh, most_wh=plates.tank.most_wh, opens_c=plates.tank.opens_c, wh_per_k=plates.tank.wh_per_k,
        loss_w_k=plates.tank.loss_w_k, around_c=plates.tank.around_c, cold_c=plates.tank.cold_c,
        rest_v=voltage.rest_v,
    )  # fmt: skip


def _varied(
    ship: Ship, monitor: bank.SeenMonitor, tank: heater.SeenTank, sight: Sight, plates: Plates, members: int
) -> tuple[tuple[Ship, ...], tuple[Floats, ...]]:
    """Return the ship of every member, each different by what the record leaves open."""
    draw = np.random.default_rng(11)
    ships, draws = [], []
    for member in range(members):
        first, second, third, fourth, fifth = (0.0,) * 5 if member == 0 else draw.standard_normal(5)
        count = 1.0 + max(0.01, monitor.counting.error) * first
        ships.append(
            ship._replace(
                in_per_ah=ship.in_per_ah * count,
                out_per_ah=ship.out_per_ah * count,
                ohm=ship.ohm * (1.0 + 0.1 * second),
                element_ohm=ship.element_ohm * (1.0 + (0.0 if sight.element.measured else 0.02) * third),
                absorption_s=ship.absorption_s * (1.0 + 0.05 * third),
                restart_v=ship.restart_v + 0.015 * fourth,
                restart_s=ship.restart_s * (RESTART_VARIES**fifth if math.isnan(plates.restart_s) else 1.0),
            )
        )
        draws.append(tank.draw_w * _draw_factor(tank, plates.tank, member / max(1, members - 1), fourth))
    return tuple(ships), tuple(draws)


def _draw_factor(tank: heater.SeenTank, plates: heater.TankPlates, place: float, normal: float) -> float:
    """Return by what a member's draws differ; `place`: of the member, from 0 to 1.

    Where the tank was never seen to get hot, anything from just enough to far more may be wanted.
    """
    if tank.is_known:
        return 1.0 + 0.02 * normal
    factor = math.exp((0.4 if plates.is_set else 2.5) * (2.0 * place - 1.0))
    return max(factor, tank.least_w / max(1e-9, plates.usual_w, tank.least_w))
