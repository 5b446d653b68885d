"""The word that the daemon leaves about a reload, and the command that waits for it."""

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from dumpload.daemon.reload_answer import NotTakenError, answer, ask

WAIT_S = 30.0

# A daemon as far as a reload goes: it is ready once the file is there, and answers with its argument, if any.
DAEMON = """
import os, pathlib, signal, sys, time
from dumpload.daemon.reload_answer import answer
def reload(*_):
    if sys.argv[1] == "dies":
        os._exit(1)
    if sys.argv[1] != "is silent":
        answer(os.environ, sys.argv[1])
signal.signal(signal.SIGHUP, reload)
pathlib.Path("ready").touch()
time.sleep(60)
"""

Serve = Callable[[str], dict[str, str]]


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Serve]:
    """Start a daemon that answers so; return the environment of a command of its service."""
    started: list[subprocess.Popen[bytes]] = []

    def start(words: str) -> dict[str, str]:
        environ = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)}
        started.append(subprocess.Popen([sys.executable, "-c", DAEMON, words], cwd=tmp_path, env=environ))
        while not (tmp_path / "ready").exists():
            assert started[-1].poll() is None
        return {"RUNTIME_DIRECTORY": str(tmp_path), "MAINPID": str(started[-1].pid)}

    yield start
    for process in started:
        process.kill()
        process.wait()


def test_settings_that_were_taken_are_no_error_and_an_old_answer_does_not_count(serve: Serve, tmp_path: Path) -> None:
    (tmp_path / "reload").write_text("needs a restart: of long ago")
    service = serve("")
    ask(service, WAIT_S)
    ask(service, WAIT_S)


def test_settings_that_were_not_taken_are_an_error_with_the_daemons_reason(serve: Serve) -> None:
    with pytest.raises(NotTakenError, match=r"^needs a restart: relay\.pin\nand more$"):
        ask(serve("needs a restart: relay.pin\nand more"), WAIT_S)


def test_a_daemon_that_does_not_answer_is_given_up(serve: Serve) -> None:
    with pytest.raises(NotTakenError, match="no answer from the daemon within 0 s"):
        ask(serve("is silent"), 0.2)


def test_outside_a_service_nobody_is_asked(tmp_path: Path) -> None:
    for environ in ({}, {"MAINPID": "1"}, {"RUNTIME_DIRECTORY": str(tmp_path)}):
        with pytest.raises(NotTakenError, match="use `systemctl reload dumpload`"):
            ask(environ, WAIT_S)


def test_a_daemon_that_has_gone_cannot_be_asked(tmp_path: Path) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    with pytest.raises(NotTakenError, match="cannot be asked: No such process"):
        ask({"RUNTIME_DIRECTORY": str(tmp_path), "MAINPID": str(gone.pid)}, WAIT_S)


def test_an_answer_that_cannot_be_left_harms_nothing(tmp_path: Path) -> None:
    answer({}, "nobody asked")
    answer({"RUNTIME_DIRECTORY": str(tmp_path / "gone")}, "")
