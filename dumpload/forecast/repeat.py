"""The charger's restart, set so that the model repeats the record.

At rest a bus of LiFePO4 falls by hundredths of a volt in an hour, so a restart voltage that is wrong by as little
wastes the sun of half a day or none of it: forecasts of the recorded settings came to 115 to 335 % of what was
measured.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from dumpload.forecast.model import Model
from dumpload.forecast.play import play
from dumpload.forecast.step import ENERGY

# Restart voltages that are tried, beside the one that was identified (V), and with how many members. So far from it (V)
# a better one has to halve the error.
TRIED_V, MEMBERS, FAR_V = np.arange(-0.12, 0.121, 0.02), 4, 0.15


def repeating(model: Model, run: Callable[..., Any]) -> Model:
    """Return the model with the restart voltage that repeats the recorded energy best, day by day.

    A charger that floats and begins anew daily hardly needs it, and a record without the load says nothing of it: the
    model is returned as it is.
    """
    charger, recorded_wh = model.sight.charger, model.recorded.energy_wh
    is_daily_float = charger.begins_daily and not math.isnan(charger.float_v)
    if is_daily_float or not (charger.resting | charger.floating).any() or not recorded_wh.any():
        return model
    wrong_wh = [_wrong_wh(_shifted(model, volts), run) * (1.0 + (volts / FAR_V) ** 2) for volts in TRIED_V]
    return _shifted(model, float(TRIED_V[int(np.argmin(wrong_wh))]))


def _shifted(model: Model, volts: float) -> Model:
    return model._replace(ships=tuple(ship._replace(restart_v=ship.restart_v + volts) for ship in model.ships))


def _wrong_wh(model: Model, run: Callable[..., Any]) -> float:
    """Return by how much the days of some members differ from the record, all together (Wh)."""
    again = play(model, [model.setup], MEMBERS, run=run, anchored=False)[0, :, :, ENERGY]
    return float(np.abs(again - model.recorded.energy_wh).sum())
