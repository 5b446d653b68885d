"""The extra `study` against its own libraries: a year of seconds against bare reading, 1,000 settings against sums.

Bare reading is what pyarrow takes to read the same columns into arrays, batch by batch, on one core; the sum is that of
numpy over a year of minutes, once for each setting.
"""

import os
import random
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from common import Row, absolute, at_most, folder, memory_kib
from judged import settings
from month import rows
from pyarrow import csv, parquet
from replay_speed import least_s

from dumpload.core.decode import Reason
from dumpload.core.law import Limits
from dumpload.core.signals import Signal
from dumpload.study.fast.arrays import EMPTY, UNKNOWN, ArrayStretch, NumberColumn, code_of
from dumpload.study.fast.sweep import Sweep
from dumpload.study.records.record import Form
from dumpload.study.replay.compare import run_trials
from dumpload.study.replay.figures import plan
from dumpload.study.replay.player import Plan

READING_LIMIT = 1.5
SWEEP_LIMIT = 6.0
MEMORY_LIMIT_MB = 1000.0
PLANS = 1000
DAYS = 365
NAMES = ("state_of_charge", "battery_voltage", "battery_power")
DIGITS = (1, 2, 0)
TABLES = {"time and charge": NAMES[:1], "time and three signals": NAMES}
SETTINGS = settings(
    {f"telemetry.{name}.topic": f"barge/{name}" for name in NAMES}
    | {"load.rated_w": 300, "load.rated_v": 24, "permissive.voltage_cut_out": 25.0, "permissive.voltage_cut_in": 26.0}
)


def minutes() -> Any:
    """Return a year of the invented barge, a row a minute: Unix time and the signals."""
    return np.array([(t, *values[:3]) for t, values in rows(float(DAYS), 60, 7)])


def seconds(year: Any) -> pa.Table:
    """Return the same with a row a second, as a logger rounds it."""
    t = np.arange(year[0, 0], year[-1, 0] + 60.0)
    columns = {name: np.round(np.interp(t, year[:, 0], year[:, 1 + at]), DIGITS[at]) for at, name in enumerate(NAMES)}
    stamps = pa.array((t * 1e6).astype(np.int64)).cast(pa.timestamp("us", "UTC"))
    return pa.table({"time": stamps, **columns})


def write_csv(table: pa.Table, path: Path) -> None:
    """Write it with times in RFC 3339."""
    with path.open("wb") as file:
        file.write((",".join(table.column_names) + "\n").encode())
        options = csv.WriteOptions(include_header=False, quoting_style="none")
        for part in table.to_batches(1_000_000):
            stamps = pc.strftime(part.column("time").cast(pa.timestamp("s", "UTC")), "%Y-%m-%dT%H:%M:%SZ")
            columns = [stamps, *part.columns[1:]]
            csv.write_csv(pa.table(columns, names=table.column_names), file, options)


def read_parquet(path: Path) -> None:
    for batch in parquet.ParquetFile(path).iter_batches(131_072, use_threads=False):
        for column in batch.columns:
            column.to_numpy(zero_copy_only=False)


def read_csv(path: Path, names: tuple[str, ...]) -> None:
    kinds = {"time": pa.timestamp("us", "UTC"), **dict.fromkeys(names, pa.float64())}
    with csv.open_csv(
        path, csv.ReadOptions(use_threads=False), None, csv.ConvertOptions(column_types=kinds, null_values=[""])
    ) as batches:
        for batch in batches:
            for column in batch.columns:
                column.to_numpy(zero_copy_only=False)


def with_outages(year: Any) -> ArrayStretch:
    """Return the year of minutes with gaps, codes for unknown, and cells that do not count or are empty."""
    draw = np.random.default_rng(1)
    codes, kept = np.zeros(len(year), np.uint8), np.ones(len(year), np.bool_)
    for place in draw.integers(0, len(year), 100):
        kept[place : place + draw.integers(2, 300)] = False
    for place in draw.integers(0, len(year), 100):
        codes[place : place + draw.integers(1, 100)] = UNKNOWN
    codes[draw.integers(0, len(year), 1000)] = code_of(Reason.OUT_OF_RANGE)
    codes[draw.integers(0, len(year), 1000)] = EMPTY
    charges = np.where(codes == 0, np.round(year[:, 1], 1), np.nan)
    column = NumberColumn(Signal.STATE_OF_CHARGE, charges[kept], codes[kept])
    return ArrayStretch(year[kept, 0], {Signal.STATE_OF_CHARGE: column})


def plans() -> list[Plan]:
    """Return random settings: thresholds, confirmation and dwells."""
    draw = random.Random(1)  # noqa: S311
    usual = plan(SETTINGS)
    ages = (150.0, *usual.setup.max_age_s[1:])
    found = []
    for _ in range(PLANS):
        cut_in = draw.uniform(80.0, 100.0)
        cut_out = cut_in - draw.uniform(0.5, 15.0)
        times = draw.choice([0, 30, 60, 120, 600]), *(draw.choice([0, 60, 300, 900]) for _ in range(2))
        limits = Limits(cut_in, cut_out, min(50.0, cut_out), *times)
        setup = usual.setup._replace(limits=limits, max_age_s=ages, permissives=plan(settings()).setup.permissives)
        found.append(usual._replace(setup=setup))
    return found


def peak_mb(path: Path) -> float:
    """Return the peak memory of a process that replays the file."""
    child = subprocess.run([sys.executable, __file__, str(path)], capture_output=True, text=True, check=True)
    return float(child.stdout)


def replay(path: Path) -> None:
    run_trials(path, Form(), {"": SETTINGS})


def measure_reading(table: pa.Table, words: str, work: Path) -> Iterator[Row]:
    packed, text, names = work / "year.parquet", work / "year.csv", tuple(table.column_names[1:])
    parquet.write_table(table, packed)
    write_csv(table, text)
    bare_packed, ours_packed, bare_text, ours_text = least_s(
        lambda: read_parquet(packed), lambda: replay(packed), lambda: read_csv(text, names), lambda: replay(text)
    )
    yield at_most(f"a year of seconds, Parquet, {words} / pyarrow", bare_packed, ours_packed, READING_LIMIT, "s")
    yield at_most(f"a year of seconds, CSV, {words} / pyarrow", bare_text, ours_text, READING_LIMIT, "s")
    for path in (packed, text):
        yield absolute(f"  peak memory, {path.suffix[1:]}", peak_mb(path), MEMORY_LIMIT_MB, "MB")


def measure() -> Iterator[Row]:
    year = minutes()
    table = seconds(year)
    with folder() as work:
        for words, names in TABLES.items():
            yield from measure_reading(table.select(["time", *names]), words, work)
    stretch, tried, numbers = with_outages(year), plans(), np.ascontiguousarray(year[:, 1])
    floor, ours = least_s(lambda: [numbers.sum() for _ in tried], lambda: list(map(Sweep(stretch).play, tried)))
    yield at_most("1,000 settings on a year of minutes with outages / sums", floor, ours, SWEEP_LIMIT, "s")


if __name__ == "__main__":
    replay(Path(sys.argv[1]))
    print(memory_kib(os.getpid(), "VmHWM") / 1024)
