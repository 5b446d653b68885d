"""However the daemon ends: the line first, then a word to everyone, and no second start that is rash."""

import signal
import subprocess
from pathlib import Path

import pytest
from daemons import BASE, SETTINGS, run_dumpload, write_settings
from netfaults import Proxy, Way
from rig import FULL, Barge
from waiting import boot_clock

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

AT_ONCE_S = 1.0
# Allowance for a loaded machine.
LATE_S = 1.0


def test_case_05_a_signal_drives_the_line_off_at_once_and_then_tells_everyone(barge: Barge, protocol: str) -> None:
    number, code = (signal.SIGTERM, 0) if protocol == "5" else (signal.SIGINT, 130)
    daemon = barge.started_on(mqtt__protocol=protocol)
    asked_at = daemon.signal(number)
    assert daemon.await_edge(on=False, after=asked_at).t - asked_at < AT_ONCE_S + LATE_S
    assert daemon.wait() == code
    change = barge.expect("off", "stopping")
    assert change["previous_cause"] == "surplus"
    barge.await_status(relay="off")
    barge.await_presence("down")
    assert [edge.on for edge in daemon.line] == [True, False]
    assert daemon.log[-1]["event"] == "stopped"
    leaves = [one.topic.removeprefix(f"{BASE}/") for one in barge.client.heard if one.topic.startswith(BASE)]
    assert leaves[-3:] == ["change", "status", "presence"]


def test_case_05_nothing_that_blocks_stands_before_the_line(barge: Barge, proxy: Proxy) -> None:
    """The link swallows everything and nobody reads the log."""
    daemon = barge.daemon(mqtt__port=proxy.port)
    with subprocess.Popen(["sleep", "60"], stdin=subprocess.PIPE) as reader:
        assert reader.stdin is not None
        daemon.start(stderr=reader.stdin)
        barge.await_presence("up")
        barge.source.set(FULL)
        barge.expect("on", "surplus")
        proxy.way = Way.BLACK_HOLE
        asked_at = daemon.signal(signal.SIGTERM)
        assert daemon.await_edge(on=False, after=asked_at).t - asked_at < AT_ONCE_S + LATE_S
        assert daemon.wait() == 0
        reader.kill()


def test_a_second_signal_changes_nothing(barge: Barge) -> None:
    daemon = barge.started_on()
    daemon.signal(signal.SIGTERM)
    daemon.signal(signal.SIGINT)
    assert daemon.wait() in (0, 130)
    assert [edge.on for edge in daemon.line] == [True, False]


def test_case_02_killed_while_on_it_is_driven_off_by_the_command_and_its_next_start_dwells(barge: Barge) -> None:
    min_off_s = 2.0
    daemon = barge.started_on(control__min_off_s=min_off_s)
    daemon.kill()
    barge.await_presence("down")  # the will
    after = run_dumpload("off", "--config", str(daemon.config), folder=daemon.folder)
    assert after.returncode == 1  # the mock pin: nothing was driven
    began = boot_clock()
    daemon.start()
    assert daemon.await_edge(on=True, after=began).t - began >= min_off_s
    assert barge.expect("on", "surplus")["after_s"] >= min_off_s


def test_the_command_off_needs_neither_a_broker_nor_secrets_nor_sane_thresholds(tmp_path: Path) -> None:
    unusable = {"mqtt.username": "barge", "mqtt.password_file": "/nowhere", "control.cut_in_percent": "high"}
    file = write_settings(tmp_path / "dumpload.toml", {**SETTINGS, **unusable})
    ended = run_dumpload("off", "--config", str(file), folder=tmp_path)
    assert (ended.returncode, ended.stderr) == (1, "")  # the mock pin: nothing was driven


@pytest.mark.parametrize("way", ["killed", "stopped", "black hole"])
def test_case_47_whoever_listens_learns_that_the_daemon_is_gone(barge: Barge, proxy: Proxy, way: str) -> None:
    daemon = barge.started_on(mqtt__port=proxy.port, mqtt__keepalive_s=1)
    if way == "killed":
        daemon.kill()
    elif way == "stopped":
        daemon.stop()
    else:
        proxy.way = Way.BLACK_HOLE
    barge.await_presence("down")
    config = ["--config", str(daemon.config), "--set", f"mqtt.port={barge.broker.port}"]
    asked = run_dumpload("status", *config, folder=daemon.folder)
    assert asked.returncode == 1
    assert "presence is down" in asked.stderr
