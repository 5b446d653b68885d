"""The entry point: `off` goes the short way, everything else the long one."""

import subprocess
import sys
from pathlib import Path

import pytest
from waiting import PATIENCE_S

from dumpload import __main__ as entry


@pytest.mark.parametrize(
    ("line", "goes_to", "with_words"),
    [
        (["off"], "dumpload.cli.off", []),
        (["off", "--json", "--config", "x"], "dumpload.cli.off", ["--json", "--config", "x"]),
        (["check", "--json"], "dumpload.cli.commands", ["check", "--json"]),
        (["select", "off"], "dumpload.cli.commands", ["select", "off"]),
        ([], "dumpload.cli.commands", []),
    ],
)
def test_only_the_command_off_goes_the_short_way(
    line: list[str], goes_to: str, with_words: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    called: list[tuple[str, list[str]]] = []
    for module in ("dumpload.cli.off", "dumpload.cli.commands"):
        monkeypatch.setattr(f"{module}.main", lambda words, module=module: called.append((module, words)) or 3)
    monkeypatch.setattr(sys, "argv", ["dumpload", *line])
    assert entry.main() == 3
    assert called == [(goes_to, with_words)]


def test_off_recorded_alone_goes_the_shortest_way_and_the_start_goes_it_too(monkeypatch: pytest.MonkeyPatch) -> None:
    called: list[str] = []
    monkeypatch.setattr("dumpload.gpio.bare_off.main", lambda: called.append("bare") or 1)
    monkeypatch.setattr("dumpload.cli.commands.main", lambda words: called.append(words[0]) or 0)
    monkeypatch.setattr("signal.signal", lambda *_: None)
    monkeypatch.setattr(sys, "argv", ["dumpload", "off", "--recorded"])
    assert (entry.main(), called) == (1, ["bare"])
    monkeypatch.setattr(sys, "argv", ["dumpload", "run"])
    monkeypatch.setenv("STATE_DIRECTORY", "/nowhere")
    assert (entry.main(), called) == (0, ["bare", "bare", "run"])
    monkeypatch.delenv("STATE_DIRECTORY")
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    assert (entry.main(), called) == (0, ["bare", "bare", "run", "run"]), "by hand: the service's daemon may be running"


@pytest.mark.parametrize("words", [["off"], ["off", "--recorded"]])
def test_no_variable_and_no_working_folder_says_what_the_isolated_command_imports(
    words: list[str], tmp_path: Path
) -> None:
    for name in ("os", "struct", "fcntl", "typing", "tomllib", "lgpio", "dumpload", "sitecustomize"):
        (tmp_path / f"{name}.py").write_text("raise SystemExit(7)\n")
    environ = {"PYTHONPATH": str(tmp_path), "PYTHONSTARTUP": str(tmp_path / "os.py"), "PYTHONHOME": str(tmp_path)}
    command = [sys.executable, "-I", "-m", "dumpload", *words]
    done = subprocess.run(
        command, cwd=tmp_path, env=environ, capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    assert done.returncode in (0, 1, 2), done.stderr
    assert "Traceback" not in done.stderr


def test_the_package_runs_as_a_module(tmp_path: Path) -> None:
    file = tmp_path / "dumpload.toml"
    file.write_text("[relay]\npin = 17\npin_factory = 'mock'\n")
    done = subprocess.run(
        [sys.executable, "-m", "dumpload", "off", "--config", str(file)],
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )
    assert (done.returncode, done.stderr) == (1, "")
    assert "nothing was driven" in done.stdout
