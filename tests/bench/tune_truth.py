"""What `tune` says of its proposals against what they truly give: the part of the differences inside their intervals.

The boats are those on which the forecast was tuned, with settings of the record as they are and with a low cut-in.
"""

import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from common import Row, absolute, at_least

sys.path.insert(0, str(Path(__file__).parents[1]))

from tune_speed import boat
from voyages import WORLDS, World, sail_on

from dumpload.config.model import flat
from dumpload.records.open import open_record
from dumpload.records.record import ReadLog, TableFormat
from dumpload.tune.grid import VARIED
from dumpload.tune.tune import Proposal, tune

NAMES = ("tail", "north", "float", "small", "hold", "drift")
RECORDED = ({}, {"control.cut_in_percent": 88, "control.cut_out_percent": 80})
DAYS, SETTINGS, MEMBERS = 40, 60, 6
FIGURES = ("caught_kwh", "heat_kwh", "operations")
KWH = 1000.0


def truly(world: World, keys: dict[str, Any], proposal: Proposal) -> tuple[float, float, float]:
    """Return how much more the proposal truly gives in a month of the days that are reported on."""
    days = (np.arange(world.days) // 7) % 2 == 1
    month = 30.0 / int(days.sum())
    chosen = {key: value for key, value in flat(proposal.settings).items() if key in VARIED}
    now, then = sail_on(world, keys)[1], sail_on(world, {**keys, **chosen})[1]
    return (
        float((now.curtailed_wh - then.curtailed_wh)[days].sum()) * month / KWH,
        float((then.energy_wh - now.energy_wh)[days].sum()) * month / KWH,
        float((then.switch_ons - now.switch_ons)[days].sum()) * month,
    )


def measure() -> list[Row]:
    inside: dict[str, list[bool]] = {name: [] for name in FIGURES}
    refused = 0
    for name in NAMES:
        for keys in RECORDED:
            world = WORLDS[name]._replace(days=DAYS, keys={**WORLDS[name].keys, **keys})
            with tempfile.TemporaryDirectory() as folder:
                settings, log = boat(Path(folder), world)
                record = open_record(log, TableFormat(), settings)
                read = ReadLog(lambda _part: None)
                tuning = tune(record, settings, settings, read, count=SETTINGS, members=MEMBERS)
            refused += tuning.now is None
            for proposal in tuning.proposals:
                assert proposal.more is not None
                for figure, true in zip(FIGURES, truly(world, {}, proposal), strict=True):
                    low, high = getattr(proposal.more, figure)[1:]
                    inside[figure].append(low - 1e-6 <= true <= high + 1e-6)
    rows = [
        at_least(f"tune: true {figure} of {len(all_)} proposals inside the 90 % interval", 1.0, sum(all_) / len(all_),
                 0.9, "")
        for figure, all_ in inside.items()
    ]  # fmt: skip
    return [*rows, absolute("tune: records refused, of twelve", refused, 4, "")]
