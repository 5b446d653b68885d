"""The closed-loop replay on the boats that it is tuned on: `python tests/bench/forecast_voyages.py [--worlds NAME]`.

Twenty boats of the program's own plant x 22 pairs of settings. A fault is looked for and mended here, gates and
widths are set here; what is then claimed is measured on other boats (`proof`).
"""

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))  # the folder `tests`

from voyages import (
    AT_ONCE,
    BASE,
    COLUMNS,
    FAR_PAIRS,
    NOT_DAILY,
    PAIRS,
    SHADED,
    WORLDS,
    World,
    chosen,
    sail_on,
    write_csv,
)

from dumpload.config.to_core import controller_setup
from dumpload.forecast import gates, interval
from dumpload.forecast.closed_loop import least_part_of
from dumpload.forecast.evidence import gather
from dumpload.forecast.model import Model, build
from dumpload.forecast.repeat import repeating
from dumpload.forecast.step import compiled_sail
from dumpload.records.csv import CsvRecord
from dumpload.records.record import ReadLog

ALL_WORLDS = {**WORLDS, **SHADED, **AT_ONCE, **NOT_DAILY}
ALL_PAIRS = {**PAIRS, **FAR_PAIRS}
SETS = {"load": COLUMNS[:4], "solar": (*COLUMNS[:3], COLUMNS[4]), "power": COLUMNS[:3], "all": COLUMNS}


class Score(NamedTuple):
    """One question: how far it was trusted, errors (part), half the interval (part), and whether it held the truth."""

    trust: str
    error: float
    half: float
    inside: bool
    ons_error: float
    ons_inside: bool
    reasons: tuple[str, ...]


def main() -> None:
    """Ask, a line a question, and say what it comes to."""
    parser = argparse.ArgumentParser(description="forecast the boats that the forecast is tuned on")
    parser.add_argument("--worlds", nargs="+", choices=ALL_WORLDS, default=ALL_WORLDS)
    parser.add_argument("--pairs", nargs="+", choices=ALL_PAIRS, default=ALL_PAIRS)
    parser.add_argument("--signals", choices=SETS, default="load")
    wanted = parser.parse_args()
    scores = []
    for name in wanted.worlds:
        for pair, score in scored(ALL_WORLDS[name], wanted.pairs, SETS[wanted.signals]):
            scores.append(score)
            print(
                f"{name:8} {pair:16} {score.trust:8} energy {100 * score.error:+6.1f} % (half {100 * score.half:5.1f}, "
                f"{'in' if score.inside else 'OUT'}) ons {100 * score.ons_error:+6.1f} % "
                f"({'in' if score.ons_inside else 'OUT'}) {score.reasons[0][:60] if score.reasons else ''}",
                flush=True,
            )
    for title, some in (("all", scores), ("answered", [one for one in scores if one.trust != "refused"])):
        print(summary(title, some))


def scored(world: World, pairs: Any, signals: Any) -> Iterator[tuple[str, Score]]:
    """Yield every pair's score on one boat."""
    models: dict[str, Model] = {}
    for pair in pairs:
        recorded, asked = ({**BASE, **keys} for keys in ALL_PAIRS[pair])
        if str(recorded) not in models:
            models[str(recorded)] = modelled(world, recorded, signals)
        yield pair, score_of(models[str(recorded)], world, asked)


def modelled(world: World, keys: dict[str, Any], signals: Any) -> Model:
    """Return what a boat's record tells of it."""
    rows, _truth, began = sail_on(world, keys)
    told = chosen(world, keys)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "record.csv"
        write_csv(path, rows, began, world.row_s, signals)
        model = build(gather(CsvRecord(path).read(ReadLog())), told, told)
    return repeating(model, compiled_sail())


def score_of(model: Model, world: World, keys: dict[str, Any]) -> Score:
    """Return how well the forecast of some settings is."""
    law, truth = controller_setup(chosen(world, keys)), sail_on(world, keys)[1]
    least_part = least_part_of(model.evidence.has)
    sums = interval.sums_of(model, law, compiled_sail(), lambda _part: None)
    outcome = interval.outcome_of(model, law, sums, least_part=least_part)
    verdict = gates.verdict(model, law, outcome, least_part)
    energy, ons = outcome.figures["energy_wh"], outcome.figures["switch_ons"]
    energy_wh, switch_ons = max(1.0, float(truth.energy_wh.sum())), max(1.0, float(truth.switch_ons.sum()))
    return Score(
        verdict.trust, energy.value / energy_wh - 1.0, energy.half / energy_wh, energy.low <= energy_wh <= energy.high,
        ons.value / switch_ons - 1.0, ons.low <= switch_ons <= ons.high, verdict.reasons,
    )  # fmt: skip


def summary(title: str, scores: list[Score]) -> str:
    """Return errors (median, nine in ten, worst) and how often the truth was inside."""
    if not scores:
        return f"{title}: none"
    energy, ons = (
        " / ".join(f"{100 * one:.1f}" for one in np.percentile(np.abs(errors), (50, 90, 100)))
        for errors in ([one.error for one in scores], [one.ons_error for one in scores])
    )
    inside = "/".join(f"{100 * np.mean(some):.0f}" for some in ([one.inside for one in scores],
                                                               [one.ons_inside for one in scores]))  # fmt: skip
    return f"{title}: {len(scores)}, energy {energy} %, switch-ons {ons} %, inside {inside} %"


if __name__ == "__main__":
    main()
