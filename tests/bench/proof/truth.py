"""What really happens in a world under a rule: runs the plant, and keeps record and sums in the cache folder."""

import hashlib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from bench.proof import household, plant, sky
from bench.proof.plant import COLUMNS, Floats
from bench.proof.rule import Rule
from bench.proof.worlds import DAYS, PAIRS, WORLDS, Pair, World, fit

SOURCES = ("sky.py", "household.py", "rule.py", "plant.py", "worlds.py")
STEPS = {"battery_voltage": 2, "state_of_charge": 1, "tank_temperature": 1}


class Truth(NamedTuple):
    """What came of a rule in a world."""

    energy_wh: float
    switch_ons: float
    on_time_s: float
    caught_wh: float


def sources_key() -> str:
    """Return a name for the present state of the worlds' sources: records of another state are not taken."""
    digest = hashlib.sha256()
    for name in SOURCES:
        digest.update(Path(__file__).with_name(name).read_bytes())
    return digest.hexdigest()[:12]


def file_mark(world: World) -> str:
    """Return what the names of a world's files begin with; a drawn world's stands for all of it, however drawn."""
    if world in WORLDS:
        return str(world.seed)
    return f"{world.seed}-{hashlib.sha256(repr(world).encode()).hexdigest()[:12]}"


class Case:
    """One world, its weather and its people."""

    def __init__(self, world: World, folder: Path) -> None:
        self.world = world
        self._folder = folder / f"truth-{sources_key()}"
        self._folder.mkdir(parents=True, exist_ok=True)
        self.place = sky.read_year(world.year).place
        self.begins = sky.start_of(self.place, world.first_day)

    @cache  # noqa: B019  (a handful of worlds, alive as long as the bench)
    def _surroundings(self) -> tuple[Floats, Floats, Floats]:
        world = self.world
        sun = sky.offered_w(
            sky.read_year(world.year), world.panels, world.first_day, DAYS, cloud_s=world.cloud_s, seed=world.seed
        )
        return (
            sun,
            household.demand_w(world.house, DAYS, world.seed + 1),
            household.tapped_l(world.house, DAYS, world.seed + 2),
        )

    def run(self, rule: Rule, *, allowed: bool = True) -> tuple[Floats, Floats]:
        """Return the record and the sums of a run, from the cache where they are there."""
        rule = fit(rule, self.world)
        name = hashlib.sha256(f"{file_mark(self.world)} {rule} {allowed}".encode()).hexdigest()[:16]
        file = self._folder / f"{name}.npz"
        if not file.exists():
            record, sums = plant.run(self.world.boat, rule, *self._surroundings(), self.world.seed + 3, allowed)
            beside = file.with_suffix(".part.npz")
            np.savez(beside, record=record.astype(np.float32), sums=sums)
            beside.replace(file)
        with np.load(file) as kept:
            return kept["record"], kept["sums"]

    def truth(self, rule: Rule) -> Truth:
        """Return what came of a rule; sun caught is what would have been wasted without any load, less what was."""
        wasted = [_wasted_wh(self.run(rule, allowed=allowed)[1]) for allowed in (False, True)]
        sums = plant.totals(self.run(rule)[1])
        return Truth(sums["energy_wh"], sums["switch_ons"], sums["on_time_s"], wasted[0] - wasted[1])

    def write_record(self, rule: Rule, signals: Sequence[str], file: Path) -> None:
        """Write the record under a rule as CSV: time (Unix s), these signals, and the relay."""
        record = self.run(rule)[0].astype(np.float64)
        names = [*signals, "relay"]
        columns = [_texts(name, record[:, COLUMNS.index(name)]) for name in names]
        times = [str(self.begins + int(t)) for t in record[:, 0]]
        lines = map(",".join, zip(times, *columns, strict=True))
        file.write_text("\n".join((",".join(("time", *names)), *lines, "")))


def generate(world: World, pairs: Sequence[Pair], folder: Path) -> str:
    """Fill the cache with all that the pairs need of a world; return the world's name."""
    case = Case(world, folder)
    for pair in pairs:
        case.truth(pair.recorded)
        case.truth(pair.asked)
    return world.name


def all_rules() -> list[Rule]:
    """Return every rule of the pairs, once."""
    return list(dict.fromkeys(rule for pair in PAIRS for rule in (pair.recorded, pair.asked)))


def _texts(name: str, values: Floats) -> list[str]:
    digits = STEPS.get(name, 0)
    return [f"{value:.{digits}f}" for value in values]


def _wasted_wh(sums: Floats) -> float:
    named = plant.totals(sums)
    return float(named["offered_wh"] - named["solar_wh"])
