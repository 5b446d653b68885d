"""One picture, and the page of a year, against the same by a plotting library, and how long the page is.

The floor is what anyone would do first: import matplotlib.pyplot in a fresh interpreter, plot what there is, save it as
SVG: every minute's charge, or all of the page, four pictures and a strip for each of 360 days. Ours is from a chronicle
in memory.
"""

import random
import subprocess
import sys
import time
from array import array
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from chronicles import off, on, rough, told, wall
from common import HERE, Row, absolute, at_most, folder
from judged import settings

from dumpload.replay.figures import figures
from dumpload.report.data import ReportData
from dumpload.report.page import report_page
from dumpload.report.pictures import charge_picture

LIMIT = 1 / 20
MOST_KB = 150.0
ROUNDS = 5
DAYS = 365
SETTINGS = settings({"load.rated_w": 300, "load.rated_v": 24})

FLOOR = """
import sys, time
from array import array
charge = array("d")
charge.frombytes(open(sys.argv[1], "rb").read())
begin = time.process_time()
import matplotlib
matplotlib.use("svg")
import matplotlib.pyplot as plt
def save(figure, name):
    figure.savefig(f"{sys.argv[2]}/{name}.svg")
    plt.close(figure)
figure, axes = plt.subplots(figsize=(12, 4))
axes.plot(range(len(charge)), charge)
save(figure, "charge")
if sys.argv[3] == "all":
    days = [charge[day * 1440 : (day + 1) * 1440] for day in range(365)]
    figure, axes = plt.subplots(figsize=(12, 4))
    axes.pcolormesh([[day[hour * 60] for day in days] for hour in range(24)])
    save(figure, "hours")
    for name in ("energy", "switch-ons"):
        figure, axes = plt.subplots(figsize=(12, 4))
        axes.bar(range(365), [day[0] for day in days])
        save(figure, name)
    for month in range(12):
        figure, axes = plt.subplots(30, 1, figsize=(6, 16))
        for row, day in zip(axes, days[month * 30 :]):
            row.plot(range(1440), day)
            row.axis("off")
        save(figure, f"month-{month}")
print(time.process_time() - begin)
"""


def year() -> "tuple[ReportData, array[float]]":
    """Return a year of a charge every minute and three runs a day, and the charge."""
    draw = random.Random(1)  # noqa: S311
    begin = wall(2025, 1, 1)
    charge = array("d", [80.0])
    for _ in range(DAYS * 1440 - 1):
        charge.append(min(100.0, max(45.0, charge[-1] + draw.uniform(-0.5, 0.5) + 0.001 * (85.0 - charge[-1]))))
    moments = sorted(draw.sample(range(1, DAYS * 86_400), 6 * DAYS))
    changes = [(off if index % 2 else on)(begin + at) for index, at in enumerate(moments)]
    samples = {begin + 60 * minute: percent for minute, percent in enumerate(charge)}
    return told(begin, begin + DAYS * 86_400, changes, samples=samples, is_replay=False), charge


def page(one: ReportData) -> str:
    return report_page(one, figures(SETTINGS, one.result.summary), SETTINGS)


def least_s(task: Callable[[], object]) -> float:
    """Return the least processor time that a task takes."""
    best = float("inf")
    for _ in range(ROUNDS):
        begin = time.process_time()
        task()
        best = min(best, time.process_time() - begin)
    return best


def drawing_environment() -> Path | None:
    """Return the interpreter of a virtual environment with matplotlib and nothing of ours; None if it cannot be had."""
    drawing = HERE.parents[1] / ".venv-bench-drawing"
    python = drawing / "bin" / "python"
    if not python.exists():
        subprocess.run([sys.executable, "-m", "venv", drawing], check=True)
    pip = [python, "-m", "pip", "--disable-pip-version-check", "-q", "install", "matplotlib"]
    there = subprocess.run([python, "-c", "import matplotlib"], capture_output=True, check=False)
    if there.returncode and subprocess.run(pip, capture_output=True, check=False).returncode:
        return None
    return python


def floor_s(python: Path, charge: "array[float]", what: str) -> float:
    """Return the least processor time in which the library is imported and draws the charge, or "all" of the page."""
    with folder() as work:
        (work / "charge").write_bytes(charge.tobytes())
        command = [python, "-c", FLOOR, work / "charge", work, what]
        runs = [subprocess.run(command, capture_output=True, text=True, check=True) for _ in range(ROUNDS)]
    return min(float(run.stdout) for run in runs)  # the first one makes a cache of the fonts


def measure() -> list[Row]:
    one, charge = year()
    tasks = {
        "one picture of a year": (lambda: charge_picture(one, 97.0, 93.0).file(), "charge"),
        "the page of a year": (lambda: page(one), "all"),
    }
    python = drawing_environment()
    rows = []
    for name, (task, what) in tasks.items():
        words = f"{name} / matplotlib imported, SVG of the same"
        if python is None:
            rows.append(absolute(f"{words} (skipped: it cannot be had)", least_s(task), float("inf"), "s"))
        else:
            rows.append(at_most(words, floor_s(python, charge, what), least_s(task), LIMIT, "s"))
    for name, chosen in {"three runs a day": one, "40 runs a day": rough(DAYS, 40)}.items():
        size_kb = len(page(chosen).encode()) / 1000
        rows.append(absolute(f"size of the page of a year of {name}", size_kb, MOST_KB, "kB"))
    return rows
