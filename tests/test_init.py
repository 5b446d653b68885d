"""`dumpload init`: from nothing to a settings file that loads, with or without somebody to ask."""

import io
import os
import pty
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from waiting import PATIENCE_S

from dumpload.commissioning.ask import Interview, interview
from dumpload.commissioning.questions import AFTER_SIGNALS, QUESTIONS, judged, settings_text, toml
from dumpload.config.layers import ConfigError
from dumpload.config.model import load_settings

GIVEN = ["--set", "relay.pin=17", "--propose", "state_of_charge=barge/bank /soc"]


def init(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "dumpload", "init", *words]
    return subprocess.run(
        command, cwd=folder, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )


def test_without_a_terminal_the_options_are_the_answers(tmp_path: Path) -> None:
    done = init(tmp_path, "boat.toml", *GIVEN, "--set", "control.cut_in_percent=99")
    assert done.returncode == 0, done.stderr
    settings = load_settings(tmp_path / "boat.toml", {})
    assert (settings.relay.pin, settings.control.cut_in_percent, settings.name) == (17, 99, "heater")
    assert settings.telemetry.state_of_charge.pointer == "/soc"


def test_a_file_that_is_there_is_never_touched(tmp_path: Path) -> None:
    file = tmp_path / "dumpload.toml"
    file.write_text("mine")
    done = init(tmp_path, *GIVEN)
    assert done.returncode == 2
    assert "expected a new file" in done.stderr
    assert file.read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (GIVEN[2:], "relay.pin: expected --set relay.pin=VALUE, or a terminal to ask at"),
        (GIVEN[:2], "telemetry.state_of_charge: expected --propose"),
        ([*GIVEN, "--set", "mqtt.port=0"], "--set: mqtt.port: expected a whole number from 1 to 65535"),
        ([*GIVEN, "--set", "moon=1"], "--set: moon: expected one of control.cut_in_percent"),
        (
            [*GIVEN, "--set", "control.cut_out_percent=99"],
            "control.cut_out_percent: expected less than control.cut_in_percent, which is 98",
        ),
    ],
)
def test_what_is_missing_or_wrong_is_said_and_nothing_is_written(
    tmp_path: Path, words: list[str], complaint: str
) -> None:
    done = init(tmp_path, *words)
    assert done.returncode == 2
    assert complaint in done.stderr
    assert list(tmp_path.iterdir()) == []


def typed(*lines: str) -> tuple[Interview, list[str]]:
    """Return an interview with a person who types these lines, and what was shown to that person."""
    answers: Iterator[str] = iter(lines)
    shown: list[str] = []

    def prompt(question: str) -> str:
        shown.append(question)
        return next(answers)

    return Interview({}, prompt, shown.append), shown


def test_an_empty_line_takes_the_default_and_a_wrong_answer_is_asked_again() -> None:
    talk, shown = typed("", "boat.lan", "70000", "1884", "")
    talk.ask_all(QUESTIONS)
    assert talk.answers == {"name": "heater", "mqtt.host": "boat.lan", "mqtt.port": 1884}
    assert [line for line in shown if "expected a whole number from 1 to 65535" in line]


def test_the_password_is_asked_for_only_with_a_user() -> None:
    talk, _ = typed("", "", "", "barge", "/etc/dumpload/password")
    talk.ask_all(QUESTIONS)
    assert talk.answers["mqtt.username"] == "barge"


def test_topics_are_asked_for_until_they_can_be_read() -> None:
    talk, shown = typed("", "a b", "barge/bank /soc", "", "", "", "")
    (wish,) = talk.ask_for_topics([])
    assert (wish.topic, wish.pointer) == ("barge/bank", "/soc")
    assert sum("expected SIGNAL=TOPIC" in line for line in shown) == 2


def test_every_default_is_an_answer_that_its_setting_takes() -> None:
    for question in (*QUESTIONS, *AFTER_SIGNALS):
        if question.default is not None:
            assert judged(question.key, question.default, {}).complaint == "", question.key


@pytest.mark.parametrize("value", ['a "quoted" name', "C:\\x", "ü", 17, 1.5, True, ["09:00-12:00", "13:00-17:00"]])
def test_a_value_is_written_as_toml_that_means_it(value: object) -> None:
    assert tomllib.loads(f"x = {toml(value)}") == {"x": value}


def test_the_file_says_that_it_keeps_nothing_safe() -> None:
    assert "not what keeps the installation safe" in settings_text({}, "")


def test_a_person_at_a_terminal_is_asked(tmp_path: Path) -> None:
    """A real terminal; everything but the topic and the pin is left at its default."""
    leader, follower = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "dumpload", "init"],
        cwd=tmp_path, stdin=follower, stdout=follower, stderr=follower,
    )  # fmt: skip
    os.close(follower)
    answers = iter(["", "", "", "", "barge/charge", "", "", "", "", "17"])
    seen = io.StringIO()
    while True:
        try:
            seen.write(os.read(leader, 4096).decode())
        except OSError:  # the program has ended
            break
        if seen.getvalue().endswith(": "):
            os.write(leader, f"{next(answers, '')}\n".encode())
    os.close(leader)
    assert process.wait(60) == 0, seen.getvalue()
    assert load_settings(tmp_path / "dumpload.toml", {}).relay.pin == 17


def test_an_unknown_answer_names_those_there_are() -> None:
    with pytest.raises(ConfigError, match="--set: moon: expected one of"):
        interview({"moon": "1"}, None, print)
