"""Whether a forecast is given, given with a warning, or refused; and what to record to get one."""

import math
from collections.abc import Iterator
from typing import Literal, NamedTuple

import numpy as np

from dumpload.core.controller import Setup
from dumpload.core.signals import Signal
from dumpload.forecast import interval
from dumpload.forecast.interval import ForecastOutcome
from dumpload.forecast.model import Model

Trust = Literal["good", "warned", "refused"]

# By how much the forecast of A may miss what was measured (part), for a warning and for a refusal.
HINDCAST_WARNED, HINDCAST_REFUSED = 0.04, 0.12
# Half the interval of the energy (part of it).
WIDE_WARNED, WIDE_REFUSED = 0.06, 0.14
# Part of the full charges after which the monitor synchronised.
RESYNC_WARNED, RESYNC_REFUSED = 0.9, 0.6
LEAST_ON_H, GAPS_WARNED, GAPS_REFUSED = 5.0, 0.02, 0.15
PLATE_WARNED, PLATE_REFUSED = 0.10, 0.30
KNIFE_EDGE_PERCENT = 0.4
HIDDEN_WARNED = 0.35


class GateResult(NamedTuple):
    """How far a forecast is to be trusted, and why."""

    trust: Trust
    reasons: tuple[str, ...]


class Doubt(NamedTuple):
    """One reason against a forecast; `refused`: it forbids one."""

    refused: bool
    words: str


def verdict(model: Model, law: Setup, outcome: ForecastOutcome, least_part: float = 0.0) -> GateResult:
    """Return whether the outcome is to be given."""
    doubts = [*_signals(model), *_record(model), *_monitor(model), *_heater(model, outcome), *_fit(model, outcome)]
    doubts += [*_edge(model, law), *_drain(model, law), *_width(outcome, 1.2 * least_part)]
    refused = [one.words for one in doubts if one.refused]
    warned = [one.words for one in doubts if not one.refused]
    trust: Trust = "refused" if refused else "warned" if warned else "good"
    return GateResult(trust, (*refused, *warned))


def _signals(model: Model) -> Iterator[Doubt]:
    evidence = model.evidence
    if not evidence.has(Signal.BATTERY_POWER, Signal.BATTERY_VOLTAGE):
        yield Doubt(False, "Battery voltage or power is not in the record, so only the direction of the change can be "
                           "relied on: record both.")  # fmt: skip
    elif not (evidence.has(Signal.LOAD_POWER) or evidence.has(Signal.SOLAR_POWER)):
        yield Doubt(False, "The heater's power is not in the record, so the energy is rough and only the difference "
                           "can be relied on: record load_power or solar_power.")  # fmt: skip


def _record(model: Model) -> Iterator[Doubt]:
    gaps = 1.0 - float(model.evidence.known.mean())
    if gaps > GAPS_WARNED:
        yield Doubt(gaps > GAPS_REFUSED, f"{100 * gaps:.0f} % of the record are gaps: record without interruption.")
    counting, plate = model.monitor.counting, 100.0 / model.plates.capacity_ah
    off = counting.out_per_ah / plate - 1.0
    if abs(off) > PLATE_WARNED:
        shown = model.plates.capacity_ah / (1.0 + off)
        yield Doubt(
            abs(off) > PLATE_REFUSED,
            f"The charge moves as in a bank of {shown:.0f} Ah, but battery.capacity_ah is "
            f"{model.plates.capacity_ah:g}: correct it, or the scale of battery_power.",
        )


def _monitor(model: Model) -> Iterator[Doubt]:
    share = model.monitor.resync_share
    if math.isnan(share):
        yield Doubt(True, "The bank was never seen to become full, so the monitor's drift is not known: record for "
                          "longer, or with settings that let it fill.")  # fmt: skip
    elif share < RESYNC_WARNED:
        yield Doubt(
            share < RESYNC_REFUSED,
            f"The monitor showed 100 % after only {100 * share:.0f} % of the full charges, so its state of charge "
            "drifts: set its full-charge detection, and record again.",
        )


def _heater(model: Model, outcome: ForecastOutcome) -> Iterator[Doubt]:
    on_h = float(model.recorded.on_s.sum()) / 3600.0
    if on_h < LEAST_ON_H:
        yield Doubt(True, f"The heater ran for {on_h:.1f} h in this record, so what it does to the bank was never "
                          "seen: record at least a week with the heater in use.")  # fmt: skip
        return
    off = model.sight.element.plate_ohm / model.sight.element.ohm - 1.0
    if model.sight.element.measured and abs(off) > PLATE_WARNED:
        yield Doubt(
            abs(off) > PLATE_REFUSED,
            f"The heater draws {100 * abs(off):.0f} % {'more' if off > 0 else 'less'} than load.rated_w and "
            "load.rated_v say: correct them, or the scale of load_power.",
        )
    more = outcome.figures["energy_wh"].value / max(1.0, outcome.recorded_wh)
    if not model.tank.is_known and more > 1.1:
        yield Doubt(False, "The water was seldom or never seen to get hot, so how much more of it is wanted is not "
                           "known: record tank_temperature, or days on which the water gets hot.")  # fmt: skip


def _fit(model: Model, outcome: ForecastOutcome) -> Iterator[Doubt]:
    wrong = abs(outcome.hindcast - 1.0)
    if math.isnan(wrong) or wrong <= HINDCAST_WARNED:
        return
    yield Doubt(
        wrong > HINDCAST_REFUSED,
        f"The recorded days themselves are forecast with {100 * outcome.hindcast:.0f} % of the energy that was "
        "measured: something about this boat is not understood. Check the plates in the settings, and record for "
        "longer.",
    )
    if model.sky.hidden_part > HIDDEN_WARNED:
        yield Doubt(False, f"For {100 * model.sky.hidden_part:.0f} % of the time the charger held the sun back: record "
                           "days with the heater in use.")  # fmt: skip


def _edge(model: Model, law: Setup) -> Iterator[Doubt]:
    """Yield that the cut-in is what the charger's float just holds."""
    held = model.course.told[model.sight.charger.floating]
    if len(held) * model.evidence.step_s < 3600.0:
        return
    level = float(np.median(held))
    limits = law.settings.limits
    if abs(limits.cut_in_percent - level) < KNIFE_EDGE_PERCENT and level < 99.9:
        yield Doubt(False, f"The cut-in of {limits.cut_in_percent:g} % is just where float holds the bank "
                           f"({level:.1f} %): a small error decides whether the heater starts.")  # fmt: skip


def _drain(model: Model, law: Setup) -> Iterator[Doubt]:
    """Yield that a drain limit trips within seconds, which rows a minute apart do not show."""
    if not interval.trips_anew(model, law):
        return
    yield Doubt(
        math.isnan(model.sight.charger.float_v) and math.isfinite(model.sight.charger.absorption_s),
        "A drain limit acts within seconds, which this record does not show: record with a drain limit like this.",
    )


def _width(outcome: ForecastOutcome, least_part: float) -> Iterator[Doubt]:
    figure = outcome.figures["energy_wh"]
    part = figure.half / max(figure.value, 0.25 * outcome.recorded_wh, 1.0)
    if part > WIDE_WARNED:
        more = ": record days with settings nearer to these, and the heater's power" if part > WIDE_REFUSED else ""
        yield Doubt(part > WIDE_REFUSED and part > least_part, f"The energy is known to {100 * part:.0f} % only{more}.")
