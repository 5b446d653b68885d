"""What the record tells of element and tank: resistance, when the thermostat was open, and how much heat is asked for."""

import math
from typing import NamedTuple

import numpy as np

from dumpload.forecast.evidence import Flags, Floats
from dumpload.forecast.runs import runs_of

HOUR_S = 3600.0
# An element that draws less than this part of what it should has its thermostat open.
OPEN_BELOW = 0.3
# Usual difference between opening and closing (K), and of the water that comes in to the one that is hot.
BAND_K, RISE_K = 8.0, 55.0


class Element(NamedTuple):
    """The element: its resistance with its cable (ohm), and by its plate. `measured`: the record has shown it."""

    ohm: float
    plate_ohm: float
    measured: bool


class Tank(NamedTuple):
    """The tank as heat missing until the thermostat opens (Wh): at the beginning, and the most there can be.

    `asked_w`: heat that draws and loss take, at every entry. `band_wh`: what is missing when it closes again.
    `seen`: it was seen to open; else nothing is known of it, and it is taken never to.
    """

    missing_wh: float
    most_wh: float
    asked_w: Floats
    band_wh: float
    seen: bool


def element_of(relay: Floats, volts: Floats, load_w: Floats | None, plate_ohm: float) -> Element:
    """Return the element: by what it drew with the relay on, else by its plate."""
    if load_w is not None:
        on = (relay > 0.99) & (load_w > 0.5 * volts * volts / plate_ohm / 2.0) & np.isfinite(volts)  # noqa: PLR2004
        if on.sum() >= 10:  # noqa: PLR2004
            return Element(float(np.median(volts[on] ** 2 / load_w[on])), plate_ohm, True)
    return Element(plate_ohm, plate_ohm, False)


class Guess(NamedTuple):
    """What the load took where it was not measured (W), and where that is doubtful."""

    load_w: Floats
    doubtful: Flags


def guess_load(
    relay: Floats, volts: Floats, power_w: Floats, solar_w: Floats | None, ohm: float, house_w: float, throttled: Flags
) -> Guess:
    """Return what the load took, from the relay and the steps that an open thermostat leaves in the other powers."""
    drawn = volts * volts / ohm
    if solar_w is not None:
        closed = (solar_w - power_w) >= 0.85 * drawn + 0.5 * house_w
        return Guess(np.where(closed, relay * drawn, 0.0), np.zeros(len(relay), np.bool_))
    load_w, doubtful = relay * drawn, np.zeros(len(relay), np.bool_)
    for run in runs_of(relay > 0.0):
        opened = _opened_at(run.begin, run.end, power_w, drawn, throttled)
        load_w[opened : run.end] = 0.0
        doubtful[run.begin : run.end] = throttled[run.begin : run.end]
    return Guess(load_w, doubtful)


def _opened_at(begin: int, end: int, power_w: Floats, drawn: Floats, throttled: Flags) -> int:
    """Return the entry at which the thermostat opened in a run of the relay; the run's end: it did not."""
    after = slice(end, min(end + 3, len(power_w)))
    if throttled[max(0, end - 3) : end + 3].any() or end - begin < 4 or not len(power_w[after]):  # noqa: PLR2004
        return end
    step = float(np.median(power_w[after]) - np.median(power_w[end - 3 : end - 1]))
    if step > 0.5 * float(drawn[end - 1]):
        return end
    rises = power_w[begin + 2 : end] - power_w[begin : end - 2]
    return begin + 1 + int(np.argmax(rises)) if len(rises) and rises.max() > 0.6 * drawn[end - 1] else end


def tank_of(
    step_s: float, relay: Floats, load_w: Floats, drawn_w: Floats, *, capacity_wh_k: float, loss_w: float
) -> Tank:
    """Return the tank: the heat asked for between two openings of the thermostat is what went in between them."""
    hours = step_s / HOUR_S
    entries = len(relay)
    is_open = (relay > 0.9) & (load_w < OPEN_BELOW * drawn_w)  # noqa: PLR2004
    is_closed = (relay > 0.9) & (load_w > 0.7 * drawn_w)  # noqa: PLR2004
    opened = [
        run.begin
        for run in runs_of(is_open)
        if is_closed[max(0, run.begin - 4) : run.begin].any() or is_open[run.begin : run.begin + 2].all()
    ]
    most_wh = capacity_wh_k * RISE_K
    heat = np.concatenate([[0.0], np.cumsum(np.nan_to_num(load_w) * hours)])
    band_wh = _band(opened, is_open, is_closed, heat, capacity_wh_k * BAND_K)
    if not opened:
        mean_w = max(loss_w, heat[-1] / max(1e-9, entries * hours))
        return Tank(most_wh / 2, most_wh, np.full(entries, mean_w), band_wh, False)
    asked = np.full(entries, np.nan)
    for begin, end in zip(opened[:-1], opened[1:], strict=True):
        asked[begin:end] = (heat[end] - heat[begin]) / ((end - begin) * hours)
    first, last = opened[0], opened[-1]
    usual = (heat[last] - heat[first]) / ((last - first) * hours) if last > first else loss_w
    asked[:first], asked[last:] = usual, usual
    missing = float(np.clip(heat[first] - usual * first * hours, 0.0, most_wh))
    return Tank(missing, most_wh, asked, band_wh, True)


def _band(opened: list[int], is_open: Flags, is_closed: Flags, heat: Floats, usual_wh: float) -> float:
    """Return the heat between closing and opening: what goes in while the relay stays on between two openings."""
    found = []
    for begin, end in zip(opened[:-1], opened[1:], strict=True):
        if (is_open[begin:end] | is_closed[begin:end]).mean() > 0.95:  # noqa: PLR2004
            found.append(heat[end] - heat[begin])
    good = [one for one in found if math.isfinite(one) and one > 0.1 * usual_wh]
    return float(np.median(good)) if good else usual_wh
