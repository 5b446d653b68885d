"""The exports of 1,000 boats as one table: DuckDB's question over all of them, against pyarrow reading the same files.

The floor is the least that any engine must do: open every part and decode its columns. Beside it what an export costs:
against sqlite3 fetching the same rows.

python tests/bench/run.py export
"""

import contextlib
import io
import sqlite3
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import duckdb
import pyarrow.parquet as pq
from common import Row, at_most, fact, folder, told
from fleet import boat

from dumpload.cli.commands import main

BOATS = 1000
DAYS = 2
ROUNDS = 3
LIMIT = 3.0


def timed(task: Callable[[], int]) -> tuple[float, int]:
    """Return the least time that a task takes (s), and what it returns."""
    best, value = float("inf"), 0
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        value = task()
        best = min(best, time.perf_counter() - begin)
    return best, value


def export(settings: Path, out: Path) -> None:
    with contextlib.redirect_stdout(io.StringIO()):
        assert main(["export", "--config", str(settings), "--output", str(out)]) == 0


def make_fleet(work: Path, out: Path) -> float:
    """Write a thousand histories and export each; return the seconds that an export took on average."""
    spent_s = 0.0
    for seed in range(BOATS):
        settings = boat(work, f"boat-{seed}", days=DAYS, seed=seed)
        begin = time.perf_counter()
        export(settings, out)
        spent_s += time.perf_counter() - begin
    return spent_s / BOATS


def fetch_all(history: Path) -> int:
    with closing(sqlite3.connect(history)) as database:
        return len(database.execute("SELECT * FROM record").fetchall())


def measure() -> list[Row]:
    with folder() as work:
        out = work / "fleet"
        export_s = make_fleet(work, out)
        parts = sorted(out.glob("table=samples/*/*/part.parquet"))
        floor_s, rows = timed(lambda: sum(len(pq.ParquetFile(part).read()) for part in parts))
        engine = duckdb.connect()
        samples = f"read_parquet('{out}/table=samples/*/*/part.parquet', hive_partitioning = true)"
        days = f"read_parquet('{out}/table=days/*/*/part.parquet', hive_partitioning = true)"
        question = f"""SELECT instance, day, count(*), avg(battery_voltage_v), min(state_of_charge_percent)
            FROM {samples} GROUP BY ALL"""
        ours_s, groups = timed(lambda: len(engine.sql(question).fetchall()))
        [(counted, boats)] = engine.sql(f"SELECT count(*), count(DISTINCT instance) FROM {samples}").fetchall()
        day_s, _days = timed(lambda: len(engine.sql(f"SELECT day, sum(energy_wh) FROM {days} GROUP BY 1").fetchall()))
        fetch_s, fetched = timed(lambda: fetch_all(work / "boat-0.db"))
    return [
        fact(f"{boats} boats, {len(parts)} parts, {rows} rows: the engine sees them all", holds=counted == rows),
        at_most(f"samples by boat and day ({groups}) in DuckDB / pyarrow reads the parts", floor_s, ours_s, LIMIT, "s"),
        told("energy of the fleet by day in DuckDB / pyarrow reads the samples", floor_s, day_s, "s"),
        told(f"export of one boat, {fetched} rows / sqlite3 fetches them", fetch_s, export_s, "s"),
    ]
