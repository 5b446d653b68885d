"""First look at a record: powers, house load, element and charger."""

from typing import NamedTuple

import numpy as np

from dumpload.core.signals import Signal
from dumpload.forecast import charger, heater
from dumpload.forecast.evidence import EvidenceError, Floats, RecordEvidence
from dumpload.forecast.plates import Plates
from dumpload.forecast.seen import Seen
from dumpload.forecast.sun import SunAt, sun_at

SOC, VOLTS, POWER = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE, Signal.BATTERY_POWER
LOAD, SOLAR = Signal.LOAD_POWER, Signal.SOLAR_POWER


class Sight(NamedTuple):
    """Series on the grid of the record; a signal that was not recorded is derived from the others.

    `net_w`: power of bank and load together. `night_w`: mean of the house by night. `house_w`: in every entry.
    `measured`: the load's power was.
    """

    sun: SunAt
    shown_charge: Floats
    volts: Floats
    power_w: Floats
    load_w: Floats
    net_w: Floats
    house_w: Floats
    night_w: float
    element: heater.Element
    charger: charger.SeenCharger
    measured: bool

    @property
    def amps(self) -> Floats:
        """Current into the bank."""
        amps: Floats = self.power_w / self.volts
        return amps


def look(evidence: RecordEvidence, plates: Plates) -> Sight:
    """Derive the series of a record.

    Raises:
        EvidenceError: there is no state of charge.
    """
    sun = sun_at(evidence.middle, plates.latitude, plates.longitude)
    shown_charge = filled(evidence.signals[SOC])
    volts, power_w = _powers(evidence, plates, shown_charge, sun)
    solar_w, load_w = evidence.signals.get(SOLAR), evidence.signals.get(LOAD)
    night = evidence.known & (sun.height < -0.1) & (evidence.relay == 0.0)
    night_w = float(np.clip(np.mean(-power_w[night]), 1.0, 2000.0)) if night.any() else 20.0
    other_w = power_w if solar_w is None else power_w - np.nan_to_num(solar_w)
    element = heater.element_of(evidence.relay, volts, load_w, plates.element_ohm, other_w, exact=solar_w is not None)
    drawn_w = evidence.relay * volts**2 / element.ohm if load_w is None else np.nan_to_num(load_w)
    seen_charger = charger.find_charger(
        Seen(
            evidence.step_s, volts, power_w / volts, power_w + drawn_w, solar_w, sun.height, night_w, plates.cells,
            plates.capacity_ah, plates.absorption_v, plates.float_v, plates.restart_v,
            plates.begins_daily,
        )
    )  # fmt: skip
    if load_w is None:
        guess = heater.guess_load(
            evidence.relay, volts, power_w, solar_w, element.ohm, night_w, seen_charger.throttled,
            comes_back=bool(np.isnan(seen_charger.float_v) and seen_charger.resting.any()),
        )  # fmt: skip
        drawn_w = np.nan_to_num(guess)
    net_w = np.where(evidence.known, power_w + drawn_w, np.nan)
    house = _house(net_w, night_w, solar_w, seen_charger)
    return Sight(
        sun, shown_charge, volts, power_w, drawn_w, net_w, house, night_w, element, seen_charger, load_w is not None
    )


def _house(net_w: Floats, house_w: float, solar_w: Floats | None, seen_charger: charger.SeenCharger) -> Floats:
    """Return the house load in each entry: measured where possible, else its mean by night."""
    if solar_w is not None:
        return np.clip(np.nan_to_num(solar_w - net_w, nan=house_w), 0.0, None)
    return np.where(seen_charger.resting, np.clip(np.nan_to_num(-net_w, nan=house_w), 0.0, None), house_w)


def filled(values: Floats) -> Floats:
    """Return the values, with those that are missing taken from before (or after)."""
    good = np.flatnonzero(np.isfinite(values))
    if not len(good):
        msg = "expected a state of charge in the record"
        raise EvidenceError(msg)
    place = np.searchsorted(good, np.arange(len(values)), side="right") - 1
    return values[good[np.maximum(place, 0)]]


def _powers(evidence: RecordEvidence, plates: Plates, shown_charge: Floats, sun: SunAt) -> tuple[Floats, Floats]:
    """Return bus voltage and battery power, derived from the charge if not recorded."""
    if evidence.has(POWER):
        power_w = np.where(evidence.known, np.nan_to_num(filled(evidence.signals[POWER])), 0.0)
    else:
        width = max(3, round((900.0 if evidence.charge_step < 0.3 else 3600.0) / evidence.step_s))
        smooth = np.convolve(np.pad(shown_charge, width // 2, mode="edge"), np.ones(width) / width, mode="valid")[
            : len(shown_charge)
        ]
        power_w = np.gradient(smooth) / evidence.step_s * 3600.0 / 100.0 * plates.capacity_ah * plates.cells * 3.3
    if evidence.has(VOLTS):
        return filled(evidence.signals[VOLTS]), power_w
    rest = plates.cells * np.where(shown_charge > 99.4, 3.55, 3.32)
    absorbing = (shown_charge > 99.4) & (sun.height > 0.1) & (np.abs(power_w) < 0.05 * plates.capacity_ah * rest)
    volts = np.where(absorbing, 3.55 * plates.cells, 3.32 * plates.cells + plates.ohm * power_w / rest)
    return volts, power_w
