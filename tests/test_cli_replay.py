"""The command `replay`: what it prints where, and its exit codes."""

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from half_hour import ROWS, SETTINGS
from interrupting import interrupted
from waiting import PATIENCE_S

from dumpload.cli.commands import main
from dumpload.cli.console import OK, USAGE, WRONG


@pytest.fixture
def barge(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with settings that are found and a record."""
    for name in [name for name in os.environ if name.startswith("DUMPLOAD_")]:
        monkeypatch.delenv(name)
    (tmp_path / "dumpload.toml").write_text(SETTINGS)
    (tmp_path / "log.csv").write_text(ROWS)
    monkeypatch.setenv("DUMPLOAD_CONFIG", str(tmp_path / "dumpload.toml"))
    return tmp_path


def test_text_goes_to_standard_output_and_nothing_elsewhere(barge: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(barge / "log.csv")]) == OK
    out, err = capsys.readouterr()
    assert out.startswith("The relay would have come on once in 29 min 30 s")
    assert err == ""


def test_settings_can_be_changed_and_compared_with_unchanged_ones(
    barge: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    same = str(barge / "dumpload.toml")
    arguments = ["--set", "control.cut_in_percent=99", "--compare", same, "--json"]
    assert main(["replay", str(barge / "log.csv"), *arguments]) == OK
    document = json.loads(capsys.readouterr().out)
    assert document["changes"] == []
    assert len(document["compared"][0]["changes"]) == 2


@pytest.mark.parametrize("words", [[], ["--sort"], ["--all"]])
@pytest.mark.parametrize(
    "content",
    [
        ROWS.replace("state_of_charge", "state_of_charge,\x1b[2J\u202e") + "\x1b]0;x\x07,\x9b31m,\n",
        "time,\x1b[2J\n1,2\n",
        '{"time": 1750075200, "topic": "\\u001b[2J", "payload": "\\u001b", "retain": false}\n',
        '{"time": "\x1b[2J"}\n',
    ],
)
def test_no_byte_of_a_record_drives_a_terminal(
    barge: Path, capsys: pytest.CaptureFixture[str], content: str, words: list[str]
) -> None:
    (barge / "log\x1b[2J").write_text(content)
    main(["replay", str(barge / "log\x1b[2J"), *words, "--report", str(barge / "page.html")])
    told = capsys.readouterr()
    page = (barge / "page.html").read_text() if (barge / "page.html").exists() else ""
    assert all(line.isprintable() for line in (told.out + told.err + page).split("\n"))
    assert told.out + told.err


def test_a_record_of_which_nothing_counts_is_wrong(barge: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (barge / "log.csv").write_text(ROWS.replace(",98", ",980").replace(",90", ",900"))
    assert main(["replay", str(barge / "log.csv")]) == WRONG
    assert "No sample was accepted, so the relay never switches" in capsys.readouterr().out


def test_a_record_that_cannot_be_used_is_an_input_error_in_json_too(
    barge: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (barge / "log.csv").write_text("")
    assert main(["replay", str(barge / "log.csv"), "--json"]) == USAGE
    out, err = capsys.readouterr()
    assert "the file is empty" in err
    assert json.loads(out)["error"] == err.strip()


@pytest.mark.parametrize(
    "arguments",
    [["--unit", "state_of_charge=V"], ["--column", "soc=x"], ["--timezone", "Mars"]],
    ids=lambda one: one[0],
)
def test_an_option_that_makes_no_sense_is_a_usage_error(barge: Path, arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["replay", str(barge / "log.csv"), *arguments])
    assert ended.value.code == USAGE


def test_other_settings_that_are_wrong_are_named(barge: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (barge / "other.toml").write_text(SETTINGS + "cut_in = 99\n")
    assert main(["replay", str(barge / "log.csv"), "--compare", str(barge / "other.toml")]) == USAGE
    assert "other.toml" in capsys.readouterr().err


def write_busy(path: Path, rows: int) -> None:
    """Write a record of which every row must be evaluated: it takes long although it is short."""
    with path.open("w") as file:
        file.write("time,state_of_charge\n")
        file.writelines(f"{1750075200 + 5 * row},{80 if row % 2 else 30}\n" for row in range(rows))


def command(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "dumpload", "replay", *map(str, arguments)]


# Compiled and at hand, a million rows are over before the interrupt; not at hand, nothing interrupts the compiler.
WITHOUT_NUMBA = (
    "import sys; sys.modules['numba'] = None; from dumpload.cli.commands import main; sys.exit(main(sys.argv[1:]))"
)


def test_an_interrupted_replay_shows_nothing_and_says_how_far_it_was(barge: Path) -> None:
    log = (barge / "busy.csv").resolve()
    write_busy(log, 1_000_000)
    code, out, err = interrupted([sys.executable, "-c", WITHOUT_NUMBA, "replay", str(log)], log, 0.5)
    assert (code, out) == (130, "")
    assert err.startswith("interrupted at 2025-06-")
    assert "of the record; an incomplete run gives no result" in err


def test_a_long_replay_shows_a_bar_on_a_terminal_and_only_there(barge: Path) -> None:
    log = barge / "busy.csv"
    write_busy(log, 60_000)
    main_end, terminal = pty.openpty()
    with subprocess.Popen(command(log, "--json"), stdout=subprocess.PIPE, stderr=terminal, text=True) as child:
        os.close(terminal)
        out, _ = child.communicate(timeout=PATIENCE_S)
    shown = os.read(main_end, 100_000).decode()
    os.close(main_end)
    assert "replay [#" in shown
    assert json.loads(out)["rows"] == 60_000
    plain = subprocess.run(command(log, "--json"), capture_output=True, text=True, check=True, timeout=PATIENCE_S)
    assert plain.stderr == ""
