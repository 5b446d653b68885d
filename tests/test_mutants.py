"""The suite is worth something: twelve ways to break the daemon that look harmless, and each of them is noticed.

A copy of the package is changed in one place and a few of the tests are run against the copy. They must pass on the
unchanged copy and fail on every changed one.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

import dumpload

TESTS = Path(__file__).parent
PACKAGE = Path(dumpload.__file__).parent

pytestmark = pytest.mark.slow


SERVICE = ("test_service.py", "test_service_life.py", "test_service_speech.py")


class Mutant(NamedTuple):
    """What is changed (file, old text, new text), and which tests must notice."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


MUTANTS = (
    Mutant(
        "a connection is trusted and a value never expires",
        "core/freshness.py",
        "return datum.value if t < datum.expires_at else MISSING",
        "return datum.value",
        ("test_freshness.py", "test_controller.py"),
    ),
    Mutant(
        "arrival is stamped when the callback runs",
        "mqtt/session.py",
        "if self._client.fill(self.drained_at):",
        "if self._client.fill(before):",
        ("test_mqtt_session.py",),
    ),
    Mutant(
        "values out of range are clamped",
        "core/decode.py",
        "    if not in_range(field.signal, value):\n        raise _RejectedError(Reason.OUT_OF_RANGE)\n",
        "    value = max(QUANTITIES[field.signal].low, min(QUANTITIES[field.signal].high, value))\n",
        ("test_decode.py",),
    ),
    Mutant(
        "one message that is not retained counts as proof",
        "core/law.py",
        "confirmed = stamp >= above_since + limits.confirm_s and inputs.t >= heard_at + limits.confirm_s",
        "confirmed = True",
        ("test_law.py",),
    ),
    Mutant(
        "a missing value is compared as if it were a number",
        "core/law.py",
        "    if is_missing(soc):\n        return Cause.DATA_LOST if inputs.seen else Cause.STARTING\n",
        "",
        ("test_law.py",),
    ),
    Mutant(
        "the minimum on-time holds against a veto",
        "core/law.py",
        "(Position.ON, Situation.VETOED): Dwell(\n        running=Rule(Position.OFF, Why.VETO),\n",
        "(Position.ON, Situation.VETOED): Dwell(\n        running=Rule(Position.ON, Why.DWELL_ON),\n",
        ("test_law.py",),
    ),
    Mutant(
        "it is told before the pin is driven off",
        "daemon/loop.py",
        '        """Drive the pin; only then notify anyone. Return what came of it."""\n',
        "        if decision.changed:\n            self.notify(decision)\n",
        SERVICE,
    ),
    Mutant(
        "ages run on the wall clock",
        "core/topics.py",
        "    t, wall = arrival.t, arrival.wall\n",
        "    t, wall = arrival.wall, arrival.wall\n",
        ("test_topics.py",),
    ),
    Mutant(
        "the end of the program is left to atexit",
        "daemon/bootstrap.py",
        "    signal.signal(signal.SIGTERM, end)\n",
        "    __import__('atexit').register(service.stop, 0)\n",
        ("test_daemon_stop.py",),
    ),
    Mutant(
        "a reconnect leaves the evidence for surplus as it was",
        "daemon/service.py",
        "            return  # we are not any more\n        self.control.happened(Kind.EVIDENCE_RESET)\n",
        "            return\n",
        SERVICE,
    ),
    Mutant(
        "the watchdog is fed from a thread of its own",
        "daemon/service.py",
        "            self._notifier.watchdog()\n",
        "            __import__('threading').Timer(0, self._notifier.watchdog).start()\n",
        SERVICE,
    ),
    Mutant(
        "the hand position outlives a restart",
        "daemon/loop.py",
        "Selector.OFF if saved.selector_off else Selector.AUTO",
        "Selector.OFF if saved.selector_off else Selector.HAND",
        SERVICE,
    ),
)


def run_tests(folder: Path, names: tuple[str, ...], **environment: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "no:cov"]
    command += ["-o", "addopts=--import-mode=importlib", "--rootdir", str(TESTS.parent), "-c"]
    command += [str(TESTS.parent / "pyproject.toml"), *(str(TESTS / name) for name in names)]
    environ = {key: value for key, value in os.environ.items() if not key.startswith(("COV", "PYTEST"))}
    environ |= {"PYTHONPATH": str(folder), "CI": "1", "PYTHONDONTWRITEBYTECODE": "1"} | environment
    return subprocess.run(
        command, cwd=folder, env=environ, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL
    )


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    shutil.copytree(PACKAGE, tmp_path / "dumpload", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path


def test_the_unchanged_copy_passes(copied: Path) -> None:
    names = tuple(sorted({name for mutant in MUTANTS for name in mutant.tests}))
    result = run_tests(copied, names)
    assert result.returncode == 0, result.stdout[-3000:]


@pytest.mark.parametrize("mutant", MUTANTS, ids=[mutant.name for mutant in MUTANTS])
def test_the_suite_notices_when(copied: Path, mutant: Mutant) -> None:
    file = copied / "dumpload" / mutant.file
    text = file.read_text()
    assert text.count(mutant.old) == 1, f"{mutant.file} no longer has the line that this mutant changes"
    file.write_text(text.replace(mutant.old, mutant.new))
    result = run_tests(copied, mutant.tests, PATIENCE_S="20")
    assert result.returncode == 1, result.stdout[-3000:]
    assert "failed" in result.stdout
