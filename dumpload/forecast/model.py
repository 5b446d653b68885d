"""A record and the settings of its boat to a model that can be played under any other settings of the law."""

import math
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple

import numpy as np

from dumpload.check.tank import LOSS, tank_loss_w_k
from dumpload.config.model import Settings, flat
from dumpload.config.to_core import controller_setup
from dumpload.core.controller import ControllerSettings, Setup
from dumpload.core.signals import Signal
from dumpload.forecast import bank, charger, heater, hidden_sun
from dumpload.forecast.evidence import Evidence, EvidenceError, Flags, Floats
from dumpload.forecast.step import BULK, COLUMNS, ENERGY, FLOAT, LOWEST, RESTING, Course, Hours, Ship
from dumpload.forecast.sun import SunAt, sun_at
from dumpload.physics.water import heat_capacity_j_k
from dumpload.replay.arrays import local_times_between, with_floats

SOC, VOLTS, POWER = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE, Signal.BATTERY_POWER
LOAD, SOLAR, TANK = Signal.LOAD_POWER, Signal.SOLAR_POWER, Signal.TANK_TEMPERATURE

MEMBERS = 16
STEP_S = 10.0
# Common practice, no source: what is taken where neither settings nor record say it.
CELL_V, CELL_MOHM_AT_100_AH, LITRES, LOSS_W_K, OPENS_C, AROUND_C, COLD_C = 3.2, 2.0, 40.0, 1.1, 65.0, 15.0, 10.0
RESTART_CELL_V, RESTART_S = 3.3, 60.0


class Plates(NamedTuple):
    """What the settings say of the installation. `ohm`: the bank's; `element_ohm`: of element and cable."""

    latitude: float
    longitude: float
    capacity_ah: float
    cells: int
    ohm: float
    element_ohm: float
    rated_w: float
    tank: heater.TankPlates
    restart_v: float


class Recorded(NamedTuple):
    """What the recorded relay came to, by day: Wh into the load, s on, switch-ons. `measured`: its power was."""

    energy_wh: Floats
    on_s: Floats
    switch_ons: Floats
    measured: bool


class Model(NamedTuple):
    """A boat and its recorded days. `ships`, `nets`: one for each member of the ensemble, the first being the best."""

    evidence: Evidence
    plates: Plates
    setup: Setup
    settings: Settings
    sun: SunAt
    charger: charger.Charger
    monitor: bank.Monitor
    voltage: bank.Voltage
    element: heater.Element
    tank: heater.Tank
    sky: hidden_sun.Sky
    recorded: Recorded
    course: Course
    ships: tuple[Ship, ...]
    nets: Floats
    asked: tuple[Floats, ...]
    days: int
    house_w: float
    doubtful: float


def plates_of(settings: Settings) -> Plates:
    """Return the plates.

    Raises:
        EvidenceError: one is missing without which there is no forecast.
    """
    values = flat(settings)
    needed = ("solar.latitude", "solar.longitude", "battery.capacity_ah", "load.rated_w", "load.rated_v")
    missing = [key for key in needed if key not in values]
    if not ("battery.cells" in values or "battery.nominal_v" in values):
        missing.append("battery.cells")
    if missing:
        msg = f"{missing[0]}: expected to be set for a forecast" + (
            f"; and {', '.join(missing[1:])}" if missing[1:] else ""
        )
        raise EvidenceError(msg)
    cells = int(values.get("battery.cells") or round(values["battery.nominal_v"] / CELL_V))
    capacity_ah = float(values["battery.capacity_ah"])
    usual = CELL_MOHM_AT_100_AH * cells * 100.0 / capacity_ah
    rated_w, rated_v = float(values["load.rated_w"]), float(values["load.rated_v"])
    return Plates(
        float(values["solar.latitude"]), float(values["solar.longitude"]), capacity_ah, cells,
        float(values.get("battery.resistance_mohm", usual)) / 1000.0, rated_v * rated_v / rated_w, rated_w,
        _tank_plates(values),
        float(values.get("solar.rebulk_v", RESTART_CELL_V * cells)),
    )  # fmt: skip


def _tank_plates(values: Mapping[str, Any]) -> heater.TankPlates:
    opens_c = float(values.get("tank.target_c", OPENS_C))
    loss_w_k = LOSS_W_K
    if all(key in values for key in LOSS[:2]):
        loss_w_k = tank_loss_w_k(values)
    return heater.TankPlates(
        heat_capacity_j_k(float(values.get("tank.volume_l", LITRES)), 10.0, 60.0) / 3600.0, loss_w_k, opens_c,
        float(values.get("tank.around_c", AROUND_C)), min(float(values.get("tank.cold_c", COLD_C)), 30.0),
    )  # fmt: skip


def build(evidence: Evidence, settings: Settings, recorded_with: Settings, *, members: int = MEMBERS) -> Model:
    """Return what the record tells of the boat; plates and place come from `settings`, A's law from `recorded_with`.

    Raises:
        EvidenceError: plates are missing, or the record cannot tell enough.
    """
    plates = plates_of(settings)
    sun = sun_at(evidence.middle, plates.latitude, plates.longitude)
    told = _filled(evidence.signals[SOC])
    volts, power_w = _powers(evidence, plates, told, sun)
    amps = power_w / volts
    solar_w = evidence.signals.get(SOLAR)
    night = evidence.known & (sun.height < -0.1) & (evidence.relay == 0.0)
    house_w = float(np.clip(np.mean(-power_w[night]), 1.0, 2000.0)) if night.any() else 20.0
    load_w = evidence.signals.get(LOAD)
    element = heater.element_of(evidence.relay, volts, load_w, plates.element_ohm)
    doubtful = 0.0
    first_load = np.nan_to_num(load_w) if load_w is not None else evidence.relay * volts**2 / element.ohm
    seen = charger.Seen(
        evidence.step_s,
        volts,
        amps,
        power_w + first_load,
        solar_w,
        sun.height,
        house_w,
        plates.cells,
        plates.capacity_ah,
    )
    found = charger.find_charger(seen)
    if load_w is None:
        guess = heater.guess_load(evidence.relay, volts, power_w, solar_w, element.ohm, house_w, found.throttled)
        first_load, doubtful = np.nan_to_num(guess.load_w), float(guess.doubtful.mean())
    net_w = np.where(evidence.known, power_w + first_load, np.nan)
    counting = bank.counting_of(evidence.step_s, evidence.signals[SOC], amps, plates.capacity_ah)
    if counting.in_per_ah <= 0.0 or counting.out_per_ah <= 0.0:
        raise EvidenceError(WRONG_SIGN)
    monitor = bank.monitor_of(evidence.step_s, evidence.signals[SOC], amps, counting, found.full, evidence.charge_step)
    voltage = bank.voltage_of(evidence.step_s, volts, amps, monitor.charge, plates.cells, plates.ohm)
    tank = heater.tank_of(
        evidence.step_s, evidence.relay, first_load, volts**2 / element.ohm, evidence.signals.get(TANK),
        _taps(sun), plates.tank,
    )  # fmt: skip
    sky = hidden_sun.sky_of(evidence.step_s, net_w, found.throttled, sun, house_w)
    setup = controller_setup(recorded_with)
    hours = hours_of(evidence, controller_setup(settings))
    day = hours.day - hours.day[0]
    course = _course(evidence, sun, found, monitor, voltage, tank, power_w, first_load, volts, day)
    ship = _ship(plates, found, monitor, voltage, element, tank, house_w, evidence)
    blocks = hidden_sun.blocks_of(evidence.step_s, evidence.began, net_w, found.throttled, house_w, sky)
    nets = hidden_sun.paths(evidence.step_s, net_w, found.throttled, sky, blocks, house_w, members, seed=7)
    ships, asked = _varied(ship, monitor, tank, element, members)
    days = int(day[-1]) + 1
    return Model(
        evidence, plates, setup, settings, sun, found, monitor, voltage, element, tank, sky,
        _recorded(evidence, first_load, day, days, measured=load_w is not None), course, ships, nets, asked, days, house_w, doubtful,
    )  # fmt: skip


def _taps(sun: SunAt) -> Floats:
    """Return when hot water is drawn (mean 1): evenly from seven in the morning to ten at night."""
    awake = (sun.hours > -5.0) & (sun.hours < 10.0)
    return awake / max(1e-9, float(awake.mean()))


WRONG_SIGN = (
    "battery_power: expected positive while the battery charges; in this record the charge falls while it is positive: "
    "turn its sign with --unit battery_power=W*-1"
)


def _filled(values: Floats) -> Floats:
    """Return the values, with those that are missing taken from before (or after)."""
    good = np.flatnonzero(np.isfinite(values))
    if not len(good):
        msg = "expected a state of charge in the record"
        raise EvidenceError(msg)
    place = np.searchsorted(good, np.arange(len(values)), side="right") - 1
    return values[good[np.maximum(place, 0)]]


def _powers(evidence: Evidence, plates: Plates, told: Floats, sun: SunAt) -> tuple[Floats, Floats]:
    """Return bus voltage and battery power; where they were not recorded, what the charge tells of them."""
    if evidence.has(POWER):
        power_w = np.where(evidence.known, np.nan_to_num(_filled(evidence.signals[POWER])), 0.0)
    else:
        width = max(3, round((900.0 if evidence.charge_step < 0.3 else 3600.0) / evidence.step_s))
        smooth = np.convolve(np.pad(told, width // 2, mode="edge"), np.ones(width) / width, mode="valid")[: len(told)]
        power_w = np.gradient(smooth) / evidence.step_s * 3600.0 / 100.0 * plates.capacity_ah * plates.cells * 3.3
    if evidence.has(VOLTS):
        return _filled(evidence.signals[VOLTS]), power_w
    rest = plates.cells * np.where(told > 99.4, 3.55, 3.32)
    held = (told > 99.4) & (sun.height > 0.1) & (np.abs(power_w) < 0.05 * plates.capacity_ah * rest)
    volts = np.where(held, 3.55 * plates.cells, 3.32 * plates.cells + plates.ohm * power_w / rest)
    return volts, power_w


def hours_of(evidence: Evidence, setup: Setup) -> Hours:
    """Return the local time of every entry under some settings."""
    end = evidence.began + evidence.entries * evidence.step_s
    local = local_times_between(setup.schedule(), evidence.began, end)
    place = np.searchsorted(local.wall, evidence.middle, side="right") - 1
    return Hours(local.inside[place], local.day[place], local.day_began_at[place] - evidence.began)


def _recorded(evidence: Evidence, load_w: Floats, day: Any, days: int, *, measured: bool) -> Recorded:
    hours = evidence.step_s / 3600.0
    on = evidence.relay > 0.5
    begun = np.concatenate([[False], on[1:] & ~on[:-1]]) & evidence.known
    return Recorded(
        np.bincount(day, np.where(evidence.known, load_w, 0.0) * hours, days),
        np.bincount(day, np.where(evidence.known, evidence.relay, 0.0) * evidence.step_s, days),
        np.bincount(day, begun, days),
        measured,
    )


def _course(
    evidence: Evidence, sun: SunAt, found: charger.Charger, monitor: bank.Monitor, voltage: bank.Voltage,
    tank: heater.Tank, power_w: Floats, load_w: Floats, volts: Floats, day: Any,
) -> Course:  # fmt: skip
    substeps = max(1, round(evidence.step_s / STEP_S))
    step_s = evidence.step_s / substeps
    amps = power_w / volts
    stage = np.where(found.floating, FLOAT, np.where(found.resting & ~found.floating, FLOAT, -1))
    if math.isnan(found.float_v):
        stage = np.where(found.resting, RESTING, -1)
    stage = np.where(found.absorbing, BULK, stage).astype(np.int64)
    per_ah = np.where(amps > 0, monitor.counting.in_per_ah, monitor.counting.out_per_ah)
    counted = per_ah * amps * evidence.step_s / 3600.0
    extra = (np.gradient(monitor.charge) - counted) / substeps
    extra = np.where(np.abs(extra) * substeps > 1.0, 0.0, _smoothed(extra, round(7200.0 / evidence.step_s)))
    model_v = np.interp(np.clip(monitor.charge, 0, 100), np.linspace(0, 100, 1001), voltage.rest_v)
    model_v = model_v + voltage.ohm * amps + voltage.slow_ohm * bank.slow_amps(evidence.step_s, amps)
    return Course(
        step_s, substeps, evidence.known & np.isfinite(power_w), found.throttled, stage, sun.height > -0.02, power_w,
        load_w, volts, _filled(evidence.signals[SOC]), np.minimum(monitor.charge, 100.0), monitor.offset, extra,
        monitor.rate * step_s, volts - model_v, tank.draw_w, tank.missing_wh,
        evidence.relay > 0.5, np.asarray(day, np.int64),
    )  # fmt: skip


def _smoothed(values: Floats, width: int) -> Floats:
    width = max(3, width)
    padded = np.pad(values, width // 2, mode="edge")
    smooth: Floats = np.convolve(padded, np.ones(width) / width, mode="valid")[: len(values)]
    return smooth


def _ship(
    plates: Plates, found: charger.Charger, monitor: bank.Monitor, voltage: bank.Voltage, element: heater.Element,
    tank: heater.Tank, house_w: float, evidence: Evidence,
) -> Ship:  # fmt: skip
    return Ship(
        absorption_v=found.absorption_v,
        float_v=found.float_v,
        restart_v=plates.restart_v if math.isnan(found.restart_v) else found.restart_v,
        restart_s=RESTART_S,
        absorption_s=found.absorption_s,
        tail_a=found.tail_a,
        begins_daily=found.begins_daily,
        ohm=voltage.ohm,
        slow_ohm=voltage.slow_ohm,
        slow_s=bank.SLOW_S,
        in_per_ah=monitor.counting.in_per_ah,
        out_per_ah=monitor.counting.out_per_ah,
        charge_step=evidence.charge_step,
        resyncs=bool(monitor.resync_share > 0.5),
        resync_at=monitor.resync_at,
        element_ohm=element.ohm,
        house_w=house_w,
        band_wh=tank.band_wh,
        most_wh=plates.tank.most_wh,
        opens_c=plates.tank.opens_c,
        wh_per_k=plates.tank.wh_per_k,
        loss_w_k=plates.tank.loss_w_k,
        around_c=plates.tank.around_c,
        cold_c=plates.tank.cold_c,
        rest_v=voltage.rest_v,
    )


def _varied(
    ship: Ship, monitor: bank.Monitor, tank: heater.Tank, element: heater.Element, members: int
) -> tuple[tuple[Ship, ...], tuple[Floats, ...]]:
    """Return the ship of every member, each different by what the record leaves open."""
    draw = np.random.default_rng(11)
    ships, asked = [], []
    for member in range(members):
        one, more, third, fourth = (0.0,) * 4 if member == 0 else draw.standard_normal(4)
        count = 1.0 + max(0.01, monitor.counting.error) * one
        ships.append(
            ship._replace(
                in_per_ah=ship.in_per_ah * count,
                out_per_ah=ship.out_per_ah * count,
                ohm=ship.ohm * (1.0 + 0.1 * more),
                element_ohm=ship.element_ohm * (1.0 + (0.0 if element.measured else 0.02) * third),
                absorption_s=ship.absorption_s * (1.0 + 0.05 * third),
            )
        )
        asked.append(tank.draw_w * max(0.2, 1.0 + (0.02 if tank.openings else 0.3) * fourth))
    return tuple(ships), tuple(asked)


def play(
    model: Model,
    laws: Sequence[Setup],
    members: int | None = None,
    *,
    run: Callable[..., Any],
    heated: bool = True,
    anchored: bool = True,
    substeps: int | None = None,
    threads: int | None = None,
    watch: Callable[[float], None] = lambda _part: None,
) -> Floats:
    """Return the daily sums (law, member, day, column of `step`) of the recorded days under each of the laws.

    `run`: `step.sail`, or compiled (then `threads` run side by side). `substeps`: steps to an entry of the record, else
    as many as make 10 s.
    """
    members = len(model.ships) if members is None else min(members, len(model.ships))
    sums = np.zeros((len(laws), members, model.days, COLUMNS))
    sums[..., LOWEST] = np.inf
    course = model.course if substeps is None else _coarser(model.course, substeps)
    cache: dict[Any, Hours] = {}
    for law in laws:
        key = (law.spans, law.zone)
        if key not in cache:
            cache[key] = hours_of(model.evidence, law)

    def one(place: tuple[int, int]) -> None:
        law, member = place
        setup = laws[law]
        with_asked = course._replace(draw_w=model.asked[member])
        run(
            model.ships[member], with_floats(setup.settings), with_asked, cache[setup.spans, setup.zone],
            model.nets[member], heated, anchored, sums[law, member],
        )  # fmt: skip

    places = [(law, member) for law in range(len(laws)) for member in range(members)]
    with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
        for done, _ in enumerate(pool.map(one, places), 1):
            watch(done / len(places))
    return sums


def _coarser(course: Course, substeps: int) -> Course:
    factor = course.substeps / substeps
    return course._replace(
        step_s=course.step_s * factor, substeps=substeps, extra=course.extra * factor, drift=course.drift * factor
    )


def hindcast(model: Model, run: Callable[..., Any], *, anchored: bool) -> Floats:
    """Return the daily sums of A under A (member, day, column)."""
    return play(model, [model.setup], run=run, anchored=anchored)[0]


def total(sums: Floats, column: int = ENERGY) -> Floats:
    """Return a column's sum over the days."""
    whole: Floats = sums[..., column].sum(axis=-1)
    return whole


Mapped = Mapping[str, Flags]
Law = ControllerSettings
