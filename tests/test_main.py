"""The entry point: `off` goes the short way, everything else the long one."""

import subprocess
import sys
from pathlib import Path

import pytest

from dumpload import __main__ as entry


@pytest.mark.parametrize(
    ("line", "goes_to", "with_words"),
    [
        (["off"], "dumpload.io.off", []),
        (["off", "--json", "--config", "x"], "dumpload.io.off", ["--json", "--config", "x"]),
        (["check", "--json"], "dumpload.cli", ["check", "--json"]),
        (["select", "off"], "dumpload.cli", ["select", "off"]),
        ([], "dumpload.cli", []),
    ],
)
def test_only_the_command_off_goes_the_short_way(
    line: list[str], goes_to: str, with_words: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    called: list[tuple[str, list[str]]] = []
    for module in ("dumpload.io.off", "dumpload.cli"):
        monkeypatch.setattr(f"{module}.main", lambda words, module=module: called.append((module, words)) or 3)
    monkeypatch.setattr(sys, "argv", ["dumpload", *line])
    assert entry.main() == 3
    assert called == [(goes_to, with_words)]


def test_the_package_runs_as_a_module(tmp_path: Path) -> None:
    file = tmp_path / "dumpload.toml"
    file.write_text("[relay]\npin = 17\npin_factory = 'mock'\n")
    done = subprocess.run(
        [sys.executable, "-m", "dumpload", "off", "--config", str(file)],
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    assert (done.returncode, done.stderr) == (1, "")
    assert "nothing was driven" in done.stdout
