"""Sums over the rows of a table, as `Totals` has them, over arrays; runs as ordinary Python and compiled."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dumpload.core.law import Position
from dumpload.records.items import PLAIN, UNKNOWN
from dumpload.replay.totals import ENERGY_SIGNALS, EnergyShare, LoadRating, Totals, drawn

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]

# Where a change has its time (s), position and state of charge (percent), and before which event it came.
T, POSITION, CHARGE, PLACE = 0, 2, 6, 7


class Cells(NamedTuple):
    """What one signal says in each row, as in `Column`; a value counts for `hold_s`."""

    values: Floats
    codes: Codes
    hold_s: float


class Tally(NamedTuple):
    """The numbers of `Totals` that grow with every row; `load` and `volts` until when they count (s)."""

    at: float
    is_on: bool
    load: tuple[float, float]
    volts: tuple[float, float]
    measured: tuple[float, float]
    by_voltage: tuple[float, float]
    by_rating: tuple[float, float]
    drawing_s: float
    assumed_s: float
    lowest: float


def tally_of(totals: Totals) -> Tally:
    """Return the numbers of totals."""
    energy = totals.energy
    load, volts = (energy.last[signal] for signal in ENERGY_SIGNALS)
    return Tally(
        energy.at, energy.is_on, load, volts,
        (*energy.measured,), (*energy.by_voltage,), (*energy.by_rating,), energy.drawing_s, energy.assumed_s,
        totals.lowest_on,
    )  # fmt: skip


def put_back(totals: Totals, tally: Tally) -> None:
    """Have totals go on from a tally; changes are counted by themselves."""
    energy = totals.energy
    energy.at, energy.is_on = tally[:2]
    energy.last.update(zip(ENERGY_SIGNALS, tally[2:4], strict=True))
    energy.measured, energy.by_voltage = EnergyShare(*tally.measured), EnergyShare(*tally.by_voltage)
    energy.by_rating, energy.drawing_s, energy.assumed_s = EnergyShare(*tally.by_rating), *tally[7:9]
    totals.lowest_on = tally.lowest


def plus(share: tuple[float, float], power_w: float, seconds: float) -> tuple[float, float]:
    """Return a share of the energy (Wh, s), increased."""
    return (share[0] + power_w * seconds / 3600.0, share[1] + seconds)


def advance(tally: Tally, t: float, is_on: bool, rating: LoadRating) -> Tally:  # noqa: FBT001
    """Return the tally with the energy up to `t` (s), and the relay where it is from then on."""
    at, ran, load, volts, measured, by_voltage, by_rating, drawing_s, assumed_s, lowest = tally
    if ran and t > at:
        parts = drawn(at, t, load, volts, rating, False)  # a table does not say
        measured = plus(measured, parts[0], parts[1])
        by_voltage = plus(by_voltage, parts[2], parts[3])
        by_rating = plus(by_rating, parts[4], parts[5])
        drawing_s += parts[6]
        assumed_s += parts[7]
    return Tally(t, is_on, load, volts, measured, by_voltage, by_rating, drawing_s, assumed_s, lowest)


def switch(tally: Tally, change: Floats, rating: LoadRating) -> Tally:
    """Return the tally after a change."""
    return hear_charge(advance(tally, change[T], change[POSITION] == Position.ON + 0, rating), change[CHARGE])


def hear_charge(tally: Tally, percent: float) -> Tally:
    """Return the tally with an accepted state of charge; NaN is none."""
    if not (tally.is_on and percent < tally.lowest):
        return tally
    at, is_on, load, volts, measured, by_voltage, by_rating, drawing_s, assumed_s, _ = tally
    return Tally(at, is_on, load, volts, measured, by_voltage, by_rating, drawing_s, assumed_s, percent)


def measure(tally: Tally, load: tuple[float, float], volts: tuple[float, float]) -> Tally:
    """Return the tally with other measurements of the load power and the bus voltage."""
    at, is_on, _, _, measured, by_voltage, by_rating, drawing_s, assumed_s, lowest = tally
    return Tally(at, is_on, load, volts, measured, by_voltage, by_rating, drawing_s, assumed_s, lowest)


def live_until(cells: Cells, row: int, t: float) -> float:
    """Return until when (s) the value of a row counts; one that is not known ends at once."""
    return t + cells.hold_s if cells.codes[row] == PLAIN else t


def speaks(cells: Cells, row: int) -> bool:
    """Return whether a row says anything of the signal that counts."""
    return bool(cells.codes[row] == PLAIN or cells.codes[row] == UNKNOWN)


def count_rows(
    tally: Tally,
    times: Floats,
    ends: NDArray[np.int64],
    cells: tuple[Cells, Cells, Cells],
    changes: Floats,
    rating: LoadRating,
) -> Tally:
    """Return the tally after some rows and the changes that came with them.

    `ends`: how many events the rows had said, up to each of them. `cells`: charge, load power, bus voltage. A change
    that a row made comes before what the row says, as does one that was due before it.
    """
    charge, load, volts = cells
    done = 0
    for row in range(len(times)):
        t = times[row]
        while done < len(changes) and (changes[done, PLACE] < ends[row] or changes[done, T] < t):
            tally = switch(tally, changes[done], rating)
            done += 1
        if speaks(load, row):
            tally = advance(tally, t, tally.is_on, rating)
            tally = measure(tally, (load.values[row], live_until(load, row, t)), tally.volts)
        if speaks(volts, row):
            tally = advance(tally, t, tally.is_on, rating)
            tally = measure(tally, tally.load, (volts.values[row], live_until(volts, row, t)))
        if charge.codes[row] == PLAIN:
            tally = hear_charge(tally, charge.values[row])
    while done < len(changes):
        tally = switch(tally, changes[done], rating)
        done += 1
    return tally
