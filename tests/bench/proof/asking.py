"""Asks the program, as a user would: a record and two settings files on the command line, one JSON document back."""

import hashlib
import json
import os
import re
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from bench.proof.settings import settings_text
from bench.proof.truth import Case, Truth, file_mark
from bench.proof.worlds import SETS, Pair, fit

FIGURES = ("energy_wh", "difference_wh_per_day", "switch_ons", "on_time_s", "caught_wh")
# What the open loop gets to see; it is asked once for a pair.
OPEN_SET = "SoC V Pbat Pload"
PATIENCE_S = 1_800.0


class Figure(NamedTuple):
    """A figure and its interval; None where none was given."""

    value: float | None
    low: float | None
    high: float | None


class Answer(NamedTuple):
    """What the program said. `trust`: good, warned, refused; failed where it gave no document."""

    trust: str
    reasons: tuple[str, ...]
    figures: Mapping[str, Figure]


class Result(NamedTuple):
    """One question, what the program said, and what is true."""

    world: str
    pair: str
    signals: str
    answer: Answer
    recorded: Truth
    asked: Truth
    opened: Answer


def tool_key(python: str) -> str:
    """Return a name for the sources that an interpreter would run: answers of other sources are not taken."""
    package = subprocess.run(
        [python, "-c", "import dumpload, sys; sys.stdout.write(dumpload.__path__[0])"],
        check=True, capture_output=True, text=True, cwd=tempfile.gettempdir(),
    ).stdout  # fmt: skip
    digest = hashlib.sha256()
    for file in sorted(Path(package).rglob("*.py")):
        digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


class Folders(NamedTuple):
    """Where answers are kept: of this state of the program; and of the open loop, asked once for all states of it."""

    closed: Path
    opened: Path


def ask(
    case: Case, pair: Pair, signals: str, python: str, folders: Folders, *, closed: bool, opened: bool
) -> Result | None:
    """Return the result of one question. `closed`, `opened`: which loop to ask, where it was not asked before.

    None: there is no answer of the closed loop.
    """
    if not closed and not _kept(case, pair, signals, folders.closed, closed=True).exists():
        return None
    answer = _document(case, pair, signals, python, folders.closed, closed=True)
    is_known = _kept(case, pair, OPEN_SET, folders.opened, closed=False).exists()
    baseline = _document(case, pair, OPEN_SET, python, folders.opened, closed=False) if opened or is_known else {}
    truths = (case.truth(pair.recorded), case.truth(pair.asked))
    return Result(case.world.name, pair.name, signals, read_answer(answer), *truths, read_open(baseline))


def read_answer(document: Mapping[str, Any]) -> Answer:
    """Return what a document of the closed loop says."""
    if "trust" not in document:
        return Answer("failed", (str(document.get("error", "no document")),), {})
    # What was refused is told for those who judge the method: it counts among all pairs, never among the answered.
    told = document.get("withheld") if document["trust"] == "refused" else None
    figures = {name: _figure((told or document).get(name)) for name in FIGURES}
    return Answer(document["trust"], tuple(map(str, document.get("reasons", ()))), figures)


def read_open(document: Mapping[str, Any]) -> Answer:
    """Return what a document of the open loop says."""
    summary = document.get("summary", {})
    figures = {name: Figure(summary.get(name), None, None) for name in ("energy_wh", "switch_ons", "on_time_s")}
    return Answer("open loop", (), figures)


def _figure(value: Any) -> Figure:
    if not isinstance(value, Mapping):
        return Figure(None, None, None)
    return Figure(value.get("value"), value.get("low"), value.get("high"))


def _kept(case: Case, pair: Pair, signals: str, folder: Path, *, closed: bool) -> Path:
    name = f"{file_mark(case.world)}-{pair.name}-{signals if closed else 'open loop'}"
    return folder / f"{re.sub('[^A-Za-z0-9.-]', '_', name)}.json"


def _document(case: Case, pair: Pair, signals: str, python: str, folder: Path, *, closed: bool) -> dict[str, Any]:
    kept = _kept(case, pair, signals, folder, closed=closed)
    if kept.exists():
        return dict(json.loads(kept.read_text()))
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        command = _command(case, pair, SETS[signals], Path(scratch), closed=closed)
        document = _run([python, "-m", "dumpload", *command], scratch)
    if "error" not in document:
        kept.write_text(json.dumps(document))
    return document


def _command(case: Case, pair: Pair, signals: Sequence[str], scratch: Path, *, closed: bool) -> list[str]:
    files = [scratch / name for name in ("record.csv", "recorded.toml", "asked.toml")]
    case.write_record(pair.recorded, signals, files[0])
    for file, rule in zip(files[1:], (pair.recorded, pair.asked), strict=True):
        file.write_text(settings_text(case.world, case.place, fit(rule, case.world), signals))
    record, recorded, asked = map(str, files)
    if closed:
        return ["replay", "--closed-loop", "--json", record, "--recorded-with", recorded, "--config", asked]
    return ["replay", "--json", record, "--config", asked]


def _run(command: Sequence[str], scratch: str) -> dict[str, Any]:
    environ = {name: value for name, value in os.environ.items() if not name.startswith(("DUMPLOAD_", "NUMBA_"))}
    try:
        done = subprocess.run(
            command, check=False, capture_output=True, text=True, cwd=scratch, env=environ, timeout=PATIENCE_S
        )
        document = dict(json.loads(done.stdout))
    except subprocess.TimeoutExpired:
        return {"error": f"no answer within {PATIENCE_S:g} s"}
    except ValueError:
        return {"error": (done.stderr.strip().splitlines() or ["nothing was said"])[-1]}
    document.pop("changes", None)  # thousands of them, which nothing here reads
    return document
