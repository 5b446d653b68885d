"""Settings read again while running: the good ones apply at once, the bad ones leave the old, nothing is reset."""

import os
import signal
from collections.abc import Callable
from pathlib import Path

import pytest
from daemons import SETTINGS, Daemon, run_dumpload, write_settings
from rig import FULL, Barge
from waiting import boot_clock, never

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker


def rewrite(barge: Barge, daemon: Daemon, **changes: object) -> None:
    """Write the settings anew with these changes (dots as two underscores) and ask for a reload."""
    usual = {"mqtt.port": barge.broker.port, "mqtt.protocol": "5" if barge.broker.speaks_5 else "3.1.1"}
    changed = {key.replace("__", "."): value for key, value in changes.items()}
    write_settings(daemon.config, {**SETTINGS, **usual, **changed})
    daemon.signal(signal.SIGHUP)


def test_case_42_new_thresholds_apply_at_once(barge: Barge) -> None:
    daemon = barge.started_on()
    rewrite(barge, daemon, control__cut_in_percent=99.5, control__cut_out_percent=99.0)
    said = daemon.await_log("reloaded")
    assert "control.cut_in_percent 97 → 99.5" in said["text"]
    barge.expect("off", "below_cut_out")
    never(lambda: daemon.line[-1].on, "on below the new cut-in", 1.0)
    rewrite(barge, daemon)
    barge.expect("on", "surplus")


def test_case_42_a_shorter_age_limit_applies_to_the_value_there_is(barge: Barge) -> None:
    daemon = barge.started_on(telemetry__state_of_charge__max_age_s=30)
    sent_at = barge.source.set(None)
    rewrite(barge, daemon, telemetry__state_of_charge__max_age_s=1.0)
    barge.expect("off", "data_lost")
    assert daemon.await_edge(on=False, after=sent_at).t < sent_at + 10


REFUSED: list[tuple[dict[str, object], str]] = [
    ({"control__cut_out_percent": 99.0}, "control.cut_out_percent"),
    ({"control__cutout_percent": 90.0}, "control.cutout_percent"),
    ({"relay__pin": 22}, "needs a restart: relay.pin"),
    ({"mqtt__host": "elsewhere"}, "needs a restart: mqtt.host"),
    ({"telemetry__state_of_charge__topic": "another/topic"}, "needs a restart: telemetry.state_of_charge.topic"),
]


def test_case_42_settings_that_cannot_be_taken_leave_the_old_ones(barge: Barge) -> None:
    barge.complaints_expected = True
    daemon = barge.started_on()
    for changes, words in REFUSED:
        rewrite(barge, daemon, control__cut_in_percent=98.5, **changes)
        daemon.await_log("reload_rejected", text=words)
    assert not daemon.logged("reloaded")
    barge.source.set(92)
    barge.expect("off", "below_cut_out")
    barge.source.set(FULL)  # below the cut-in that came with the rejected ones
    barge.expect("on", "surplus")


def test_case_42_a_broken_file_leaves_the_old_settings(barge: Barge) -> None:
    barge.complaints_expected = True
    daemon = barge.started_on()
    for count, content in enumerate([b"", b"\0\0\0\0", b"[control", None], start=1):
        daemon.config.unlink()
        if content is not None:
            daemon.config.write_bytes(content)
        daemon.signal(signal.SIGHUP)
        daemon.await_log("reload_rejected", times=count, text="keeping the old ones")
    assert daemon.line[-1].on
    barge.source.set(92)
    barge.expect("off", "below_cut_out")


def test_the_command_fails_with_the_reason_unless_the_settings_were_taken(barge: Barge, tmp_path: Path) -> None:
    barge.complaints_expected = True
    daemon = barge.daemon()
    daemon.environ["RUNTIME_DIRECTORY"] = str(tmp_path)
    daemon.start()
    barge.await_presence("up")
    usual = {"mqtt.port": barge.broker.port, "mqtt.protocol": "5" if barge.broker.speaks_5 else "3.1.1"}
    service = {"RUNTIME_DIRECTORY": str(tmp_path), "MAINPID": str(daemon.pid)}
    for changes, words in [*REFUSED, ({}, "")]:
        changed = {key.replace("__", "."): value for key, value in changes.items()}
        write_settings(daemon.config, {**SETTINGS, **usual, **changed})
        done = run_dumpload("reload", folder=daemon.folder, environ=service)
        assert (done.returncode, words in done.stderr) == (1 if changes else 0, True), done.stderr
    assert daemon.is_running


HOSTILE: list[Callable[[Path], object]] = [
    lambda path: path.write_text(".".join(["a"] * 1000) + " = 1\n"),
    lambda path: path.write_text(".".join(["a"] * 60_000) + " = 1\n"),
    lambda path: path.write_text("a = " + "[" * 100_000),
    lambda path: path.write_text("a = " + "{a = " * 1000 + "1" + "}" * 1000),
    lambda path: path.write_text("".join(f"a{number} = 1\n" for number in range(20_000))),
    lambda path: path.write_bytes(b"#" * 1_000_000),
    os.mkfifo,
    Path.mkdir,
    lambda path: path.symlink_to("/dev/zero"),
    lambda path: path.symlink_to(path.name),
]


def test_a_file_that_is_deep_huge_or_none_neither_ends_nor_blocks_the_service(barge: Barge) -> None:
    """The load stays on with a short age of data: the loop that takes them is never held up."""
    barge.complaints_expected = True
    daemon = barge.started_on()
    for count, make in enumerate(HOSTILE, start=1):
        if daemon.config.is_dir():
            daemon.config.rmdir()
        else:
            daemon.config.unlink()
        make(daemon.config)
        daemon.signal(signal.SIGHUP)
        said = daemon.await_log("reload_rejected", times=count, text="keeping the old ones")
        assert len(said["text"].splitlines()) == 2
    daemon.config.unlink()
    rewrite(barge, daemon)
    daemon.await_log("reloaded")
    assert daemon.line[-1].on


def test_case_42_a_reload_in_the_middle_of_a_dwell_does_not_begin_it_anew(barge: Barge) -> None:
    min_off_s = 2.0
    daemon = barge.started_on(control__min_off_s=min_off_s)
    barge.ask(selector="off")
    barge.expect("off", "selector_off")
    off_at = daemon.line[-1].t
    barge.ask(selector="auto")
    barge.await_status(cause="min_off_dwell")
    for count in range(1, 4):
        rewrite(barge, daemon, control__min_off_s=min_off_s, control__floor_percent=50.0 + count)
        daemon.await_log("reloaded", times=count)
    on_at = daemon.await_edge(on=True, after=off_at).t
    assert min_off_s <= on_at - off_at < 2 * min_off_s


def test_case_40_a_hundred_reloads_in_a_row_harm_nothing(barge: Barge) -> None:
    daemon = barge.started_on()
    began = boot_clock()
    for _ in range(100):
        daemon.signal(signal.SIGHUP)
        barge.client.publish(FULL, qos=1)
    daemon.await_log("reloaded", text="nothing changed")
    assert barge.ask()["relay"] == "on"
    assert [edge.on for edge in daemon.line if edge.t > began] == []
