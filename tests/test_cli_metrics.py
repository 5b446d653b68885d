"""`dumpload metrics`: which daemons it asks, what it prints or writes, how it ends. Real daemons on real sockets."""

import stat
from collections.abc import Iterator
from pathlib import Path
from subprocess import CompletedProcess

import pytest
from alone import Alone
from daemons import SETTINGS, run_dumpload, write_settings
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from dumpload.cli import nearby
from dumpload.cli.commands import main
from dumpload.daemon import local_socket


@pytest.fixture
def alone(tmp_path: Path) -> Iterator[Alone]:
    one = Alone(tmp_path)
    yield one
    one.kill()


def up(text: str) -> dict[str, float]:
    """Which instances are up, as a parser of the standard reads it."""
    [family] = [one for one in text_string_to_metric_families(text) if one.name == "dumpload_up"]
    return {one.labels.get("name", ""): one.value for one in family.samples}


def near(one: Alone, *words: str) -> CompletedProcess[str]:
    """Run `metrics` beside a daemon, without its settings."""
    return run_dumpload("metrics", *words, folder=one.folder, environ={"RUNTIME_DIRECTORY": f"{one.folder}/run"})


def test_the_daemon_of_the_settings_is_asked_whatever_the_broker_does(alone: Alone) -> None:
    alone.begun()
    told = alone.call("metrics")
    assert (told.returncode, told.stderr) == (0, "")
    assert up(told.stdout) == {"barge": 1}
    assert told.stdout.endswith("# EOF\n")
    assert 'dumpload_cause{name="barge",dumpload_cause="starting"} 1\n' in told.stdout


def test_a_daemon_that_is_away_is_not_up_and_the_exit_status_says_so(alone: Alone) -> None:
    told = alone.call("metrics")
    assert (told.returncode, up(told.stdout)) == (1, {"barge": 0})
    assert told.stderr == "No answer from barge on this computer. Is it running?\n"


def test_a_daemon_that_was_killed_is_not_up_though_its_socket_is_there(alone: Alone) -> None:
    alone.begun().kill()
    assert alone.socket.exists()
    assert up(alone.call("metrics").stdout) == {"barge": 0}


def test_an_instance_is_found_by_its_name_and_one_that_is_not_there_is_away(alone: Alone) -> None:
    alone.begun()
    assert up(near(alone, "--name", "barge").stdout) == {"barge": 1}
    other = near(alone, "--name", "watermaker")
    assert (other.returncode, up(other.stdout)) == (1, {"watermaker": 0})
    assert near(alone, "--name", "no name").returncode == 2
    assert near(alone, "--name", "barge", "--all").returncode == 2


def test_all_are_shown_without_settings_and_none_is_an_error(alone: Alone) -> None:
    nobody = near(alone, "--all")
    assert (nobody.returncode, up(nobody.stdout)) == (1, {"": 0})
    assert "No dumpload daemon is running on this computer" in nobody.stderr
    alone.begun()
    told = near(alone, "--all")
    assert (told.returncode, told.stderr, up(told.stdout)) == (0, "", {"barge": 1})


def test_an_installed_instance_that_does_not_run_is_shown_as_away(
    alone: Alone, monkeypatch: pytest.MonkeyPatch, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    write_settings(alone.folder / "pump.toml", {**SETTINGS, "name": "bilge"})
    (alone.folder / "torn.toml").write_text("name = ")
    monkeypatch.setenv("RUNTIME_DIRECTORY", f"{alone.folder}/run")
    alone.begun()
    assert main(["metrics", "--all"], [str(alone.config)]) == 1
    told = capfdbinary.readouterr()
    assert up(told.out.decode()) == {"barge": 1, "bilge": 0, "torn": 0}
    assert main(["metrics", "--name", "bilge"], [str(alone.config)]) == 1
    assert up(capfdbinary.readouterr().out.decode()) == {"bilge": 0}


def test_a_file_for_a_collector_is_replaced_as_a_whole_and_written_of_a_daemon_that_is_away_too(
    alone: Alone,
) -> None:
    file = alone.folder / "collected" / "dumpload.prom"
    alone.begun()
    assert alone.call("metrics", "--output", str(file)).returncode == 0
    assert up(file.read_text()) == {"barge": 1}
    first = file.stat()
    assert stat.S_IMODE(first.st_mode) & stat.S_IRUSR
    assert alone.stop() == 0
    away = alone.call("metrics", "--output", str(file))
    assert (away.returncode, away.stdout) == (1, "")
    assert up(file.read_text()) == {"barge": 0}
    assert file.stat().st_ino != first.st_ino, "a reader never sees half of it"
    assert [one.name for one in file.parent.iterdir()] == [file.name]


def test_no_file_of_the_settings_is_replaced(alone: Alone) -> None:
    before = alone.config.read_bytes()
    refused = alone.call("metrics", "--output", str(alone.config))
    assert (refused.returncode, alone.config.read_bytes()) == (2, before)
    assert "it is the same file as the settings" in refused.stderr


def test_a_socket_that_this_user_may_not_use_is_named(
    alone: Alone, monkeypatch: pytest.MonkeyPatch, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    async def closed(_path: Path) -> None:
        raise PermissionError

    monkeypatch.setattr(nearby, "sockets", lambda *_: [alone.socket])
    monkeypatch.setattr(local_socket, "connected", closed)
    assert main(["metrics", "--config", str(alone.config)]) == 1
    told = capfdbinary.readouterr()
    assert up(told.out.decode()) == {"barge": 0}
    assert told.err.decode().startswith(f"{alone.socket}: this user may not connect: try sudo")
