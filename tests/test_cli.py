"""The command line: what is accepted, what is printed where, and the exit codes."""

import argparse
import asyncio
import json
import os
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from contract import retained, status, topic
from scripted_broker import PUBLISH, Peer, scripted_broker

from dumpload import __version__
from dumpload.cli.client import NoAnswerError
from dumpload.cli.commands import build_parser, main
from dumpload.cli.console import INTERRUPTED, OK, USAGE, WRONG
from dumpload.cli.periods import duration

COMMANDS = next(list(action.choices) for action in build_parser()._actions if isinstance(action.choices, dict))

SETTINGS = """
name = "barge"
[telemetry.state_of_charge]
topic = "barge/bank/charge"
[relay]
pin = 17
pin_factory = "mock"
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "dumpload.toml"
    path.write_text(SETTINGS)
    return path


@pytest.fixture
def configured(config: Path, monkeypatch: pytest.MonkeyPatch, _no_settings_from_here: None) -> Path:
    """A settings file that is found without being named."""
    monkeypatch.setenv("DUMPLOAD_CONFIG", str(config))
    return config


@pytest.fixture(autouse=True)
def _no_settings_from_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("DUMPLOAD_")]:
        monkeypatch.delenv(name)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_has_the_same_options_alone_as_among_all(command: str) -> None:
    def help_in(parser: argparse.ArgumentParser) -> str:
        choices = next(action.choices for action in parser._actions if isinstance(action.choices, dict))
        return str(choices[command].format_help())

    assert help_in(build_parser(command)) == help_in(build_parser())


def exit_code(*words: str) -> int:
    """The exit code of a command line, whether it is returned or ends the process."""
    try:
        return main(words)
    except SystemExit as left:
        return int(left.code or 0)


# ---- durations ----


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("45m", 2700.0),
        ("90s", 90.0),
        ("2h", 7200.0),
        ("1h30m", 5400.0),
        ("1h30m15s", 5415.0),
        ("1h5s", 3605.0),
        ("0h1m", 60.0),
        ("007s", 7.0),
    ],
)
def test_a_duration_is_hours_minutes_and_seconds(text: str, seconds: float) -> None:
    assert duration(text) == seconds


@pytest.mark.parametrize(
    "text",
    [
        "",
        "45",
        "m",
        "45 m",
        "45min",
        "1.5h",
        "-5m",
        "+5m",
        "0s",
        "0h0m0s",
        "30m1h",
        "5m5m",
        "45M",
        "soon",
        "\u0664\u0665m",
        "9" * 400 + "h",
        "9" * 5000 + "s",
    ],
)
def test_anything_else_is_no_duration(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="expected a duration such as 45m, 1h30m or 90s"):
        duration(text)


# ---- usage ----


@pytest.mark.usefixtures("configured")
@pytest.mark.parametrize(
    "line",
    [
        "",
        "stoke",
        "run now",
        "status --follow=yes",
        "status --sett control.cut_in_percent=98",
        "select",
        "select up",
        "select hand --for",
        "select hand --for soon",
        "select auto --for 45m",
        "select off --for 45m",
        "select --for 45m",
        "select --reset --for 45m",
        "check --json=yes",
        "demo --config x.toml",
    ],
)
def test_a_line_that_makes_no_sense_is_a_usage_error_on_standard_error(
    line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert exit_code(*line.split()) == USAGE
    told = capsys.readouterr()
    assert told.out == ""
    assert "dumpload" in told.err


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert exit_code(command, "--help") == OK
    assert f"usage: dumpload {command}" in capsys.readouterr().out


def test_these_commands_are_there() -> None:
    assert {"run", "check", "status", "select", "off", "reload", "demo"} <= set(COMMANDS)


def test_the_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert exit_code("--help") == OK
    text = capsys.readouterr().out
    assert all(f"\n    {command} " in text for command in COMMANDS)


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert exit_code("--version") == OK
    assert capsys.readouterr().out == f"dumpload {__version__}\n"


@pytest.mark.usefixtures("configured")
@pytest.mark.parametrize("command", ["run", "check", "status", "select auto"])
@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--config", "/nowhere/dumpload.toml"], ["/nowhere/dumpload.toml", "expected"]),
        (["--set", "control.cut_in_percent=nan"], ["--set", "control.cut_in_percent = nan", "expected"]),
        (["--set", "control.cut_inn=98"], ["control.cut_inn", "unknown setting"]),
        (["--set", "nonsense"], ["--set: (not shown): expected KEY=VALUE"]),
    ],
)
def test_settings_that_cannot_be_used_are_said_in_a_line_with_place_key_value_and_what_was_expected(
    command: str, more: list[str], words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert exit_code(*command.split(), *more) == USAGE
    told = capsys.readouterr()
    assert told.out == ""
    assert len(told.err.splitlines()) == 1
    assert all(word in told.err for word in words)


def test_without_any_settings_file_the_places_looked_at_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["status"], ["/nowhere/dumpload.toml", "./config/dumpload.toml"]) == USAGE
    assert "/nowhere/dumpload.toml or ./config/dumpload.toml" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["check", "replay log.csv", "report --history h.sqlite3"])
def test_in_a_checkout_the_installed_file_is_taken_and_said(
    command: str, config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "config").mkdir()
    sample = tmp_path / "config/dumpload.toml"
    sample.write_text(SETTINGS.replace("barge", "sample"))
    main(command.split(), [str(config), "./config/dumpload.toml"])
    told = capsys.readouterr()
    remark = f"settings from {config}; ignored, although different: {sample} (choose with --config)\n"
    assert told.err.startswith(remark)
    assert "sample" not in told.out


@pytest.mark.usefixtures("configured")
def test_a_word_that_a_space_cut_off_is_not_repeated(capsys: pytest.CaptureFixture[str]) -> None:
    assert exit_code("check", "--set", "mqtt.username=a", "hunter2", "--pwd=hunter2") == USAGE
    assert "unrecognized arguments: (not shown) --pwd\n" in capsys.readouterr().err


@pytest.mark.usefixtures("configured")
def test_no_error_line_is_longer_than_300_characters(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["check", "--config", "x" * 2000], ["select", "--for", "x" * 2000], ["check", "x" * 2000],
                  ["select", "x" * 2000], ["report", "--history", "x" * 20 + "\x1b[2J" * 50]):  # fmt: skip
        assert exit_code(*words) == USAGE
        for line in capsys.readouterr().err.splitlines():
            assert len(line) <= 300 or line.startswith(("usage:", " "))
            assert line.isprintable()


# ---- what is called ----


def test_run_hands_over_the_settings_and_what_to_read_again(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    called: list[Any] = []

    def run_daemon(path: Path, settings: Any, sets: list[str]) -> int:
        called.append((path, settings.control.cut_in_percent, sets))
        return 7

    monkeypatch.setattr("dumpload.daemon.bootstrap.run_daemon", run_daemon)
    sets = ["control.cut_in_percent=98"]
    assert main(["run", "--config", config.name, "--set", sets[0]]) == 7
    assert called == [(config, 98.0, sets)]  # the path is absolute: the working directory may change


def test_demo_runs_the_demo(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dumpload.demo.run_demo", lambda: 0)
    assert main(["demo"]) == OK


def test_an_interrupt_is_130(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted() -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("dumpload.demo.run_demo", interrupted)
    assert main(["demo"]) == INTERRUPTED


@pytest.mark.usefixtures("configured")
def test_without_an_answer_the_reason_is_on_standard_error_and_in_the_document(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    async def watch(*_arguments: Any, follow: bool, every: bool) -> None:
        assert not every  # standard output is no terminal
        raise NoAnswerError("nobody is there" if not follow else "gone")

    monkeypatch.setattr("dumpload.cli.client.watch", watch)
    assert main(["status", "--json"]) == WRONG
    told = capsys.readouterr()
    assert (json.loads(told.out), told.err) == ({"error": "nobody is there"}, "nobody is there\n")
    assert main(["status", "--follow"]) == WRONG
    assert capsys.readouterr() == ("", "gone\n")


# ---- the real thing, in a process of its own ----


def command_line(*words: str) -> list[str]:
    return [sys.executable, "-m", "dumpload", *words]


def test_a_reader_that_goes_away_is_no_reason_for_a_trace(config: Path) -> None:
    out, into = os.pipe()
    os.close(out)
    with os.fdopen(into, "wb") as pipe:
        done = subprocess.run(
            command_line("check", "--config", str(config)), stdout=pipe, stderr=subprocess.PIPE, check=False, timeout=30
        )
    assert done.returncode == WRONG
    assert done.stderr == b""


Script = Callable[[Peer], Coroutine[Any, Any, None]]


class Process:
    """A command, running against a scripted broker."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process

    async def line(self) -> str:
        assert self.process.stdout is not None
        return (await asyncio.wait_for(self.process.stdout.readline(), 20)).decode()

    async def end(self) -> tuple[int | None, str, str]:
        out, err = await asyncio.wait_for(self.process.communicate(), 20)
        return self.process.returncode, out.decode(), err.decode()


@asynccontextmanager
async def running(script: Script, config: Path, *words: str) -> AsyncIterator[Process]:
    async with scripted_broker(script) as broker:
        process = await asyncio.create_subprocess_exec(
            *command_line(*words, "--config", str(config), "--set", f"mqtt.port={broker.port}"),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        try:
            yield Process(process)
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()


def daemon(*later: dict[str, Any]) -> Script:
    """A daemon that has published a status, and answers the first request with these."""

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(retained(peer, "presence", "up"), retained(peer, "status", json.dumps(status())))
        while True:
            packet = await peer.receive()
            await peer.answer(packet)
            if packet.kind == PUBLISH:
                for one in later:
                    leaf = "change" if "refused" in one else "status"
                    await peer.publish(topic(leaf), json.dumps(one).encode())

    return script


async def test_status_is_a_screen_of_lines(config: Path) -> None:
    async with running(daemon(), config, "status") as process:
        code, out, err = await process.end()
    assert (code, err) == (OK, "")
    assert out.startswith("barge: heater OFF since 16 Jun 2025 10:02 UTC (below_cut_in)\n")
    assert all(len(line) <= 80 for line in out.splitlines())


async def test_status_brief_is_one_line(config: Path) -> None:
    async with running(daemon(), config, "status", "--brief") as process:
        code, out, err = await process.end()
    assert (code, err) == (OK, "")
    assert out.startswith("barge: heater OFF since 16 Jun 2025 10:02 UTC (below_cut_in). No surplus")
    assert len(out.splitlines()) == 1


async def test_status_as_json_is_the_daemon_s_own_document(config: Path) -> None:
    async with running(daemon(), config, "status", "--json") as process:
        code, out, err = await process.end()
    assert (code, err) == (OK, "")
    assert json.loads(out)["cause"] == "below_cut_in"


async def test_following_goes_on_until_it_is_interrupted(config: Path) -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(retained(peer, "presence", "up"), retained(peer, "status", json.dumps(status())))
        await peer.publish(topic("status"), json.dumps(status(relay="on", cause="surplus", sequence=8)).encode())
        await peer.serve()

    async with running(script, config, "status", "--follow", "--json") as process:
        seen = [json.loads(await process.line())["relay"] for _ in range(2)]
        process.process.send_signal(signal.SIGINT)
        code, out, err = await process.end()
    assert seen == ["off", "on"]
    assert (code, out, err) == (INTERRUPTED, "", "")


async def test_following_into_a_reader_that_goes_away_ends(config: Path) -> None:
    go_on = asyncio.Event()

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(retained(peer, "presence", "up"), retained(peer, "status", json.dumps(status())))
        await go_on.wait()
        await peer.publish(topic("status"), json.dumps(status(relay="on", sequence=8)).encode())
        await peer.serve()

    async with running(script, config, "status", "--follow") as process:
        await process.line()
        process.process._transport.get_pipe_transport(1).close()  # type: ignore[attr-defined]
        go_on.set()
        code = await asyncio.wait_for(process.process.wait(), 20)
        assert process.process.stderr is not None
        assert (code, await process.process.stderr.read()) == (WRONG, b"")


async def test_select_waits_for_the_effect_and_says_it(config: Path) -> None:
    until = "2025-06-17T08:00:00.000Z"
    asked = daemon(status(selector="hand", relay="on", cause="hand", sequence=8, hand_until=until))
    async with running(asked, config, "select", "hand", "--for", "1h30m") as process:
        code, out, err = await process.end()
    assert (code, err) == (OK, "")
    assert out.startswith("barge: heater ON since ")
    assert "Running by hand until 17 Jun 2025 08:00 UTC." in out


async def test_select_reset_asks_for_a_reset_alone(config: Path) -> None:
    requests: list[dict[str, Any]] = []

    async def script(peer: Peer) -> None:
        await peer.accept()
        locked = status(lockout="pin_fault", cause="lockout")
        await peer.send(retained(peer, "presence", "up"), retained(peer, "status", json.dumps(locked)))
        while not peer.publications:
            await peer.answer(await peer.receive())
        requests.append(json.loads(peer.publications[0].payload))
        await peer.publish(topic("status"), json.dumps(status(sequence=8)).encode())
        await peer.serve()

    async with running(script, config, "select", "--reset", "--json") as process:
        code, out, _err = await process.end()
    assert (code, json.loads(out)["lockout"]) == (OK, None)
    assert {key: requests[0][key] for key in requests[0] if key not in {"issued_at", "boot_id"}} == {"reset": True}


async def test_a_refused_request_is_1_with_the_reason(config: Path) -> None:
    async with running(daemon({"refused": "over-long: hand"}), config, "select", "hand") as process:
        code, out, err = await process.end()
    assert (code, out, err) == (WRONG, "", "Refused: hand\n")
