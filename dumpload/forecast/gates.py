"""Gates of a forecast: give it, give it with warnings, or refuse it and say what to record."""

import math
from collections.abc import Iterator
from typing import Literal, NamedTuple

import numpy as np

from dumpload.core.controller import Setup
from dumpload.core.signals import Signal
from dumpload.forecast.far import SUNLIT, Doubt
from dumpload.forecast.interval import ForecastOutcome
from dumpload.forecast.model import Model, hours_of

Trust = Literal["good", "warned", "refused"]

# Error of the forecast of A against the measured energy (part of it): warned, refused.
HINDCAST_WARNED, HINDCAST_REFUSED = 0.04, 0.08
# Half-width of the energy's interval (part of the energy): warned, refused.
WIDE_WARNED, WIDE_REFUSED = 0.08, 0.15
# Part of the full charges at which the monitor synchronised: warned, refused.
RESYNC_WARNED, RESYNC_REFUSED = 0.9, 0.6
LEAST_ON_H, GAPS_WARNED, GAPS_REFUSED = 5.0, 0.02, 0.15
PLATE_WARNED, PLATE_REFUSED = 0.10, 0.30
KNIFE_EDGE_PERCENT = 0.4
# Part of the heat from estimated (throttled) sun, and part of an hour's sunny minutes from which it counts as hidden.
UNSEEN_WARNED, UNSEEN_REFUSED, UNSEEN_HOURS_REFUSED, HIDDEN_HOUR = 0.2, 0.6, 0.45, 0.85
# The sun is certainly below the horizon (sine of its height); power no idle house explains (W); and the part of all
# incoming energy that may arrive then: warned, refused.
DOWN, SOURCE_W, DARK_WARNED, DARK_REFUSED = -0.05, 30.0, 0.02, 0.06
# Uncertainty of the energy from a drain limit's timer (part of it): warned, refused.
DRAIN_WARNED, DRAIN_REFUSED = 0.015, 0.06


class GateResult(NamedTuple):
    """Trust in a forecast, and the reasons."""

    trust: Trust
    reasons: tuple[str, ...]


def verdict(model: Model, law: Setup, outcome: ForecastOutcome, least_part: float = 0.0) -> GateResult:
    """Judge the outcome by all gates."""
    doubts = [
        *_signals(model),
        *_record(model),
        *_place(model),
        *_monitor(model),
        *_heater(model, outcome),
        *_fit(outcome),
    ]
    doubts += [*outcome.far, *_drain(model, law, outcome), *_hidden(model, law, outcome), *_edge(model, law)]
    doubts += _width(outcome, 1.2 * least_part)
    refused = [doubt.text for doubt in doubts if doubt.refused]
    warned = [doubt.text for doubt in doubts if not doubt.refused]
    trust: Trust = "refused" if refused else "warned" if warned else "good"
    return GateResult(trust, (*refused, *warned))


def _signals(model: Model) -> Iterator[Doubt]:
    evidence = model.evidence
    if not evidence.has(Signal.BATTERY_POWER, Signal.BATTERY_VOLTAGE):
        yield Doubt(False, "The record lacks battery voltage or power, so only the direction of the change is "
                           "reliable. Record both.")  # fmt: skip
    elif not (evidence.has(Signal.LOAD_POWER) or evidence.has(Signal.SOLAR_POWER)):
        yield Doubt(False, "The record lacks the heater's power, so the energy is approximate and only the difference "
                           "is reliable. Record load_power or solar_power.")  # fmt: skip


def _record(model: Model) -> Iterator[Doubt]:
    gaps = 1.0 - float(model.evidence.known.mean())
    if gaps > GAPS_WARNED:
        yield Doubt(gaps > GAPS_REFUSED, f"Gaps make up {100 * gaps:.0f} % of the record. Record without interruption.")
    counting, plate = model.monitor.counting, 100.0 / model.plates.capacity_ah
    off = counting.out_per_ah / plate - 1.0
    if abs(off) > PLATE_WARNED:
        shown = model.plates.capacity_ah / (1.0 + off)
        yield Doubt(
            abs(off) > PLATE_REFUSED,
            f"The state of charge moves like that of a {shown:.0f} Ah battery, but battery.capacity_ah is "
            f"{model.plates.capacity_ah:g}. Correct it, or the scale of battery_power.",
        )


def _place(model: Model) -> Iterator[Doubt]:
    """Yield a doubt if power arrived after dark, from a wrong place, clock or sign, or another charger."""
    net_w, down = np.nan_to_num(model.sight.net_w), model.sight.sun.height < DOWN
    part = float(net_w[down & (net_w > SOURCE_W)].sum() / max(1.0, net_w[net_w > 0.0].sum()))
    if part > DARK_WARNED:
        yield Doubt(
            part > DARK_REFUSED,
            f"{100 * part:.0f} % of the charging energy arrived while the sun was down at solar.latitude and "
            "solar.longitude. Correct them (east is positive) or the record's clock, or record days without another "
            "charger.",
        )


def _monitor(model: Model) -> Iterator[Doubt]:
    share = model.monitor.resync_share
    if math.isnan(share):
        yield Doubt(True, "The battery never became full in this record, so the monitor's drift is not known. Record "
                          "for longer, or with settings that let it charge fully.")  # fmt: skip
    elif share < RESYNC_WARNED:
        yield Doubt(
            share < RESYNC_REFUSED,
            f"The monitor reached 100 % at only {100 * share:.0f} % of the full charges, so its state of charge "
            "drifts. Adjust its full-charge detection, and record again.",
        )


def _heater(model: Model, outcome: ForecastOutcome) -> Iterator[Doubt]:
    on_h = float(model.recorded.on_s.sum()) / 3600.0
    if on_h < LEAST_ON_H:
        yield Doubt(True, f"The heater ran for only {on_h:.1f} h in this record, too little to show its effect on the "
                          "battery. Record at least a week with the heater in use.")  # fmt: skip
        return
    off = model.sight.element.plate_ohm / model.sight.element.ohm - 1.0
    if model.sight.element.measured and abs(off) > PLATE_WARNED:
        yield Doubt(
            abs(off) > PLATE_REFUSED,
            f"The heater draws {100 * abs(off):.0f} % {'more' if off > 0 else 'less'} than load.rated_w and "
            "load.rated_v say. Correct them, or the scale of load_power.",
        )
    more = outcome.figures["energy_wh"].value / max(1.0, outcome.recorded_wh)
    if not model.tank.is_known and more > 1.1:
        yield Doubt(False, "The water seldom or never got hot in this record, so it does not show how much more heat "
                           "the tank takes. Record tank_temperature, or days on which the water gets hot.")  # fmt: skip


def _fit(outcome: ForecastOutcome) -> Iterator[Doubt]:
    wrong = abs(outcome.hindcast - 1.0)
    if wrong > HINDCAST_WARNED:
        yield Doubt(
            wrong > HINDCAST_REFUSED,
            f"Forecast for the recorded settings, these days come to {100 * outcome.hindcast:.0f} % of the measured "
            "energy, so the model does not fit this boat. Check the ratings in the settings, and record for longer.",
        )


def _edge(model: Model, law: Setup) -> Iterator[Doubt]:
    """Yield a doubt if the cut-in is the charge at which float holds the bank."""
    percent = model.course.shown_charge[model.sight.charger.floating]
    if len(percent) * model.evidence.step_s < 3600.0:
        return
    level = float(np.median(percent))
    limits = law.settings.limits
    if abs(limits.cut_in_percent - level) < KNIFE_EDGE_PERCENT and level < 99.9:
        yield Doubt(False, f"The cut-in of {limits.cut_in_percent:g} % is almost exactly the charge at which float "
                           f"holds the battery ({level:.1f} %), so a small error decides whether the heater "
                           "starts.")  # fmt: skip


def _drain(model: Model, law: Setup, outcome: ForecastOutcome) -> Iterator[Doubt]:
    """Yield a doubt if a drain limit acts on what happens between two rows."""
    if outcome.drain <= DRAIN_WARNED:
        return
    rows_s, limit_s = model.evidence.rows_s, law.settings.permissives.drain_limit_s
    yield Doubt(
        outcome.drain > DRAIN_REFUSED,
        f"The drain limit acts within {limit_s:g} s, and clouds between rows {rows_s:.0f} s apart may or may not trip "
        f"it. Record with such a drain limit, or with rows at most {max(1.0, limit_s / 6.0):.0f} s apart.",
    )


def _hidden(model: Model, law: Setup, outcome: ForecastOutcome) -> Iterator[Doubt]:
    """Yield a doubt if the heat comes from sun that was not measured, because the charger throttled."""
    part = outcome.unseen
    if part <= UNSEEN_WARNED:
        return
    hours = hidden_hours(model, law)
    when = f", and in the hours {', '.join(map(str, hours))} (local time) nearly always" if hours else ""
    refused = part > (UNSEEN_HOURS_REFUSED if hours else UNSEEN_REFUSED)
    yield Doubt(
        refused,
        f"{100 * part:.0f} % of this heat comes from sun that was not measured, because the charger throttled for "
        f"{100 * model.sky.hidden_part:.0f} % of the sunny time{when}. Record days with the heater in use then.",
    )


def hidden_hours(model: Model, law: Setup) -> list[int]:
    """Return the sunlit local hours of the window in which the charger nearly always throttled."""
    hour = model.hour
    lit = hours_of(model.evidence, law).inside & (model.sight.sun.height > SUNLIT) & model.course.known
    count, hidden = (np.bincount(hour[some], minlength=24) for some in (lit, lit & model.course.throttled))
    usual = count >= 0.25 * max(1, int(count.max()))
    return [int(hour_of_day) for hour_of_day in np.flatnonzero(usual & (hidden > HIDDEN_HOUR * np.maximum(1, count)))]


def _width(outcome: ForecastOutcome, least_part: float) -> Iterator[Doubt]:
    figure = outcome.figures["energy_wh"]
    part = figure.half / max(figure.value, 0.25 * outcome.recorded_wh, 1.0)
    if part > WIDE_WARNED:
        more = ". Record days with settings closer to these, and the heater's power" if part > WIDE_REFUSED else ""
        yield Doubt(part > WIDE_REFUSED and part > least_part, f"The energy is uncertain by {100 * part:.0f} %{more}.")
