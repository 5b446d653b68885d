"""The demo tells its story whole, by the real daemon and a real broker, and leaves nothing behind."""

import re
import signal
import socket
import subprocess
import sys
import uuid
from collections.abc import Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import pytest
from interrupting import unmeasured
from waiting import PATIENCE_S, eventually

from dumpload import demo

pytestmark = [pytest.mark.broker, pytest.mark.slow]

ROW = re.compile(r" (\d\d):(\d\d) +([\d.]+) % +(\d+) W  (ON|off)(?: +([*~]) (.*))?")
MARK = "DEMO_RUN"


class Row(NamedTuple):
    """One line of the story: minutes of the barge's day, percent, watts."""

    minute: int
    charge: float
    panels_w: float
    heater: str
    kind: str
    words: str


class Demo:
    """A demo in a process of its own, and all the processes that carry its mark."""

    def __init__(self, environ: Mapping[str, str] | None = None) -> None:
        self.mark = f"{MARK}={uuid.uuid4()}"
        command = ["env", self.mark, sys.executable, "-m", "dumpload", "demo"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environ)
        self.port = eventually(self._port, "the barge's process")

    def processes(self) -> Iterator[list[str]]:
        """Yield the command line of each process of this demo that is alive."""
        for folder in Path("/proc").glob("[0-9]*"):
            try:
                if self.mark.encode() in (folder / "environ").read_bytes().split(b"\0"):
                    yield (folder / "cmdline").read_text().rstrip("\0").split("\0")
            except OSError:
                continue

    def _port(self) -> int:
        return next((int(words[-1]) for words in self.processes() if "dumpload.demo.source" in words), 0)

    def leaves_nothing(self) -> None:
        """Nothing runs on, and nothing listens where the broker was."""
        assert list(self.processes()) == []
        with socket.socket() as probe:
            assert probe.connect_ex(("127.0.0.1", self.port)) != 0


def rows(story: str) -> list[Row]:
    found = [match for match in map(ROW.match, story.splitlines()) if match]
    return [
        Row(int(one[1]) * 60 + int(one[2]), float(one[3]), float(one[4]), one[5], one[6] or "", one[7] or "")
        for one in found
    ]


def undisturbed(changes: list[Row], stops: int) -> list[Row]:
    """Leave out what a starved computer adds: data lost before the barge is silent, and the surplus that follows.

    Data are lost after one second without a message. Where eight programs wanted each core, that came to pass.
    """
    kept: list[Row] = []
    waiting = list(changes)
    while waiting:
        change = waiting.pop(0)
        if "data_lost" in change.words and (change.minute < stops or any("data_lost" in row.words for row in kept)):
            waiting.pop(0)
        else:
            kept.append(change)
    return kept


def test_it_tells_a_morning_from_the_first_surplus_to_the_recovery() -> None:
    run = Demo()
    story, complaints = run.process.communicate(timeout=PATIENCE_S)
    assert complaints == ""
    assert run.process.returncode == 0
    run.leaves_nothing()
    told = rows(story)
    scenes = {row.words: row.minute for row in told if row.kind == "~"}
    starts = [next(minute for words, minute in scenes.items() if part in words) for part in ("cloud", "stops", "again")]
    changes = undisturbed([row for row in told if row.kind == "*"], starts[1])
    assert [row.words.partition(":")[0] for row in changes] == [
        "relay ON, surplus",
        "relay OFF, below_cut_out",
        "relay ON, surplus",
        "relay OFF, data_lost",
        "relay ON, surplus",
        "relay OFF, stopping",
    ]
    first_on, cut_out, second_on, lost, recovered, _stopping = changes
    assert min(first_on.charge, second_on.charge, recovered.charge) >= 97.0
    assert cut_out.charge <= 95.0  # strictly below, and rounded to a tenth
    assert starts[0] < cut_out.minute < second_on.minute < starts[1] <= lost.minute < starts[2] <= recovered.minute
    assert [row.heater for row in changes] == ["ON", "off"] * 3
    assert all(later.minute >= row.minute for row, later in pairwise(told))
    assert "NO PIN IS DRIVEN" in story
    ons = sum(row.words.startswith("relay ON") for row in told)
    assert f"The relay went on {ons} times" in story
    heat = re.search(r"(\d+) Wh of sun went into the tank: ([\d.]+) K", story)
    assert heat
    # 40 litres at 1.163 Wh per litre and kelvin (common practice, no source)
    assert float(heat[1]) > 300
    assert float(heat[2]) == pytest.approx(float(heat[1]) / 46.52, abs=0.06)


def test_it_can_be_interrupted_and_leaves_nothing_either() -> None:
    run = Demo(unmeasured())
    assert run.process.stdout is not None
    for line in run.process.stdout:
        if "relay ON" in line:
            break
    run.process.send_signal(signal.SIGINT)
    rest, complaints = run.process.communicate(timeout=PATIENCE_S)
    assert "relay OFF, stopping" in rest
    assert "The relay went on" not in rest
    assert (complaints, run.process.returncode) == ("", 130)
    run.leaves_nothing()


def test_a_barge_that_does_not_start_is_said(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/false")
    assert demo.run_demo() == 1
    assert capsys.readouterr() == ("", "dumpload demo: the simulated barge did not start\n")


def test_a_barge_that_hangs_is_not_waited_for(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    hangs = tmp_path / "hangs"
    hangs.write_text("#!/bin/sh\nexec sleep 100\n")
    hangs.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(hangs))
    monkeypatch.setattr(demo, "READY_S", 0.2)
    assert demo.run_demo() == 1
    assert "did not start" in capsys.readouterr().err


def test_without_the_embedded_broker_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(demo, "find_spec", lambda _name: None)
    assert demo.run_demo() == 2
    assert "pip install 'dumpload[demo]'" in capsys.readouterr().err
