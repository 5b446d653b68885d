"""The plain loop against `decide` alone on the same events, ready in memory; what reading a record costs beside it.

The compiled loop, against the plain one, on the same month, ready in memory too; a year of seconds from end to end.

Memory is what the process grows by while it replays, for a month and for four.
"""

import csv
import os
import random
import sqlite3
import subprocess
import sys
import time
from array import array
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).parents[1]))

from common import Row, absolute, at_least, at_most, folder, memory_kib, told
from histories import NOON, batch, open_file, start
from judged import settings
from month import COLUMNS, write_month
from month import rows as month_rows
from pyarrow import csv as pa_csv

from dumpload.core import controller
from dumpload.core.controller import Event, decide, remember
from dumpload.core.freshness import is_missing
from dumpload.core.signals import Signal
from dumpload.core.window import LocalTime
from dumpload.history.schema import Entry, RowKind
from dumpload.records import open as records_open
from dumpload.records.csv import CsvRecord
from dumpload.records.items import RowBatch, column_of
from dumpload.records.record import ReadLog, TableFormat
from dumpload.replay import replay as replay_module
from dumpload.replay.arrays import codes_of, local_times, of_batches, with_floats
from dumpload.replay.batches import go_on_compiled
from dumpload.replay.compare import run_trials
from dumpload.replay.compiled import compiled
from dumpload.replay.figures import scenario
from dumpload.replay.replayer import Replayer, Scenario

LOOP_LIMIT = 1.3
COMPILED_LIMIT = 100.0
LINEAR_LIMIT = 2.2
YEAR_LIMIT = 5.0
YEAR_LIMIT_MB = 1000.0
MEMORY_LIMIT_MB = 5.0
ROUNDS = 3
HISTORY_ROWS = 200_000

TOPICS = {f"telemetry.{name}.topic": f"barge/{name}" for name in COLUMNS}
SETTINGS = {"every signal": settings(TOPICS | {"load.rated_w": 300, "load.rated_v": 24}), "charge alone": settings()}


def cpu_s(task: Callable[[], Any]) -> float:
    begin = time.process_time()
    task()
    return time.process_time() - begin


def least_s(*tasks: Callable[[], Any]) -> list[float]:
    """Return the least processor time of each task, run in turn and in random order."""
    best = [float("inf")] * len(tasks)
    for _ in range(ROUNDS):
        for index in random.sample(range(len(tasks)), len(tasks)):
            best[index] = min(best[index], cpu_s(tasks[index]))
    return best


def scan_table(path: Path) -> None:
    with path.open(newline="") as file:
        deque(csv.reader(file), maxlen=0)


def scan_history(path: Path) -> None:
    with closing(sqlite3.connect(path)) as database:
        query = "SELECT wall, boot, sequence, kind, signal, value, cause, text, t, stamp, until FROM record"
        deque(database.execute(f"{query} ORDER BY boot, sequence"), maxlen=0)


Ready = list[tuple[tuple[Event, ...], LocalTime]]


def ready(batches: list[RowBatch], tried: Scenario) -> Ready:
    """Return the events of every row, and the local time then."""
    schedule, ages = tried.setup.schedule(), tried.setup.settings.max_age_s
    rows = [(t, said) for one in batches for t, said in one.row_events()]
    return [
        (tuple(e for e in said if isinstance(e, Event) and ages[e.signal] == ages[e.signal]), schedule.at(t))
        for t, said in rows
    ]


def decide_alone(rows: Ready, tried: Scenario) -> None:
    keys, state = tried.setup.settings, controller.start(rows[0][0][-1].t)
    for (*values, last), local in rows:
        for event in values:
            state = remember(keys, state, event)
        state, _decision = decide(keys, state, last, local)


def play(batches: list[RowBatch], tried: Scenario) -> None:
    replayer = Replayer(tried, float(batches[0].times[0]))
    for one in batches:
        replayer.play(one)
    replayer.finish(float(batches[-1].times[-1]))


def compiled_loop(batches: list[RowBatch], tried: Scenario) -> Callable[[], Any]:
    """Return what plays the same rows compiled, its arrays ready."""
    ages = tried.setup.settings.max_age_s
    heard = {s for s in Signal if not is_missing(ages[s])} - {Signal.LOAD_POWER}
    events, end = of_batches(batches, heard), float(batches[-1].times[-1])
    begin, keys, run = float(batches[0].times[0]), with_floats(tried.setup.settings), compiled().play
    times = local_times(tried.setup.schedule(), events, begin, end)
    run(keys, controller.start(begin), events, times, end, (begin, 0.0))  # is compiled now, if it was not
    return lambda: run(keys, controller.start(begin), events, times, end, (begin, 0.0))


def batch_loop(batches: list[RowBatch], tried: Scenario) -> Callable[[], Any]:
    """Return what a long table is played with, its counting included."""

    def play_batches() -> None:
        replayer = go_on_compiled(Replayer(tried, float(batches[0].times[0])), print)
        for one in batches:
            replayer.play(one)

    return play_batches


def joined(batches: list[RowBatch], count: int) -> Iterator[RowBatch]:
    """Yield batches as long as the Arrow reader makes them."""
    for begin in range(0, len(batches), count):
        some = batches[begin : begin + count]
        columns = {
            signal: column_of(
                [value for one in some for value in one.columns[signal].values.tolist()],
                [code for one in some for code in codes_of(one.columns[signal]).tolist()],
            )
            for signal in some[0].columns
        }
        yield RowBatch(array("d", [t for one in some for t in one.times.tolist()]), columns)


def write_year(path: Path) -> None:
    """Write a year of seconds with three signals: five days of the barge, over and over."""
    cells = [f"{charge:.1f},{volts:.2f},{tank:.1f}" for _t, (charge, volts, _b, _s, tank) in month_rows(5.0, 1)]
    clock = [f"T{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}Z," for second in range(86_400)]
    with path.open("w") as file:
        file.write("time,state_of_charge,battery_voltage,tank_temperature\n")
        for day in range(365):
            text, begin = (date(2026, 1, 1) + timedelta(days=day)).isoformat(), day % 5 * 86_400
            rows = zip(clock, cells[begin : begin + 86_400], strict=True)
            file.writelines(f"{text}{clock_time}{row}\n" for clock_time, row in rows)


def measure_year(path: Path) -> Iterator[Row]:
    """Yield what a replay of a year of seconds takes beside pyarrow reading the file, both in constant memory."""

    def scan() -> None:
        deque(pa_csv.open_csv(path, read_options=pa_csv.ReadOptions(use_threads=False)), maxlen=0)

    compiled()
    chosen = {"": settings(TOPICS | {"load.rated_w": 300, "load.rated_v": 24})}
    floor, ours = least_s(scan, lambda: run_trials(path, TableFormat(), chosen))
    yield at_most("replay of a year of seconds, three signals / pyarrow reading it", floor, ours, YEAR_LIMIT, "s")
    yield absolute("peak memory of that process", memory_kib(os.getpid(), "VmHWM") / 1024, YEAR_LIMIT_MB, "MB")


def write_history(path: Path) -> Path:
    """Write a history as the daemon leaves it: a sample a minute of five signals, most of them in runs."""
    draw = random.Random(1)  # noqa: S311
    signals = (Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE, Signal.BATTERY_POWER, Signal.SOLAR_POWER)
    entries = []
    for index in range(HISTORY_ROWS):
        t = 15.0 * index
        signal = signals[index % len(signals)]
        value = (85.0 + draw.random(), 26.5, 100.0, 300.0)[index % len(signals)]
        entries.append(Entry(index + 1, NOON + t, RowKind.SAMPLE, t, t, t + 59.0, signal, value))
    file = open_file(path, start())
    file.write(batch(*entries), durable=True)
    file.close()
    return path


@contextmanager
def plain() -> Iterator[None]:
    """Have big tables read by the plain reader."""
    with patch.object(records_open, "ARROW_FROM_BYTES", sys.maxsize):
        yield


def grown_mb(path: Path) -> float:
    """Return by how much the peak memory of a fresh process grows while it replays."""
    child = subprocess.run([sys.executable, __file__, str(path)], capture_output=True, text=True, check=True)
    return float(child.stdout)


def measure() -> list[Row]:
    with folder() as work:
        write_year(work / "year.csv")
        rows = [*measure_year(work / "year.csv")]
    with plain():
        return rows + measure_plain()


def measure_plain() -> list[Row]:
    rows = []
    with folder() as work:
        month, long = work / "month.csv", work / "long.csv"
        write_month(month)
        batches = list(CsvRecord(month).read(ReadLog()))
        for name, chosen in SETTINGS.items():
            tried = scenario(chosen)
            events = ready(batches, tried)
            floor, ours = least_s(
                lambda events=events, tried=tried: decide_alone(events, tried),
                lambda tried=tried: play(batches, tried),
            )
            rows.append(at_most(f"plain loop over a month ({name}) / decide alone", floor, ours, LOOP_LIMIT, "s"))
            speed = 1.0 / least_s(compiled_loop(batches, tried))[0]
            words = f"compiled loop over a month ({name}) / plain loop, months a second"
            rows.append(at_least(words, 1.0 / ours, speed, COMPILED_LIMIT, "a second"))
            half, all_s = least_s(compiled_loop(batches[: len(batches) // 2], tried), compiled_loop(batches, tried))
            rows.append(
                at_most(f"compiled, linear in rows: a month / half of it ({name})", half, all_s, LINEAR_LIMIT, "s")
            )
            whole = 1.0 / least_s(batch_loop(list(joined(batches, 32)), tried))[0]
            rows.append(told(f"the same, arrays and counting included ({name})", 1.0 / ours, whole, "a second"))
        floor, ours = least_s(lambda: scan_table(month), lambda: deque(CsvRecord(month).read(ReadLog()), maxlen=0))
        rows.append(told("reading a month of CSV / csv.reader", floor, ours, "s"))
        history = write_history(work / "history.sqlite3")
        floor, ours = least_s(
            lambda: scan_history(history), lambda: run_trials(history, TableFormat(), {"": SETTINGS["every signal"]})
        )
        rows.append(told("replay of a history / the plain query", floor, ours, "s"))
        write_month(long, 120.0)
        for words, path in (("one month", month), ("four months", long)):
            rows.append(absolute(f"memory grows while replaying {words}", grown_mb(path), MEMORY_LIMIT_MB, "MB"))
    return rows


if __name__ == "__main__":
    chosen = SETTINGS["every signal"]
    before = memory_kib(os.getpid(), "VmHWM")
    with plain(), patch.object(replay_module, "COMPILED_FROM_ROWS", sys.maxsize):
        run_trials(Path(sys.argv[1]), TableFormat(), {"": chosen})
    print((memory_kib(os.getpid(), "VmHWM") - before) / 1024)
