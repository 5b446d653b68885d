"""What the daemon refuses to start with, and what it starts without. One line each: file, key, value, expectation."""

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from daemons import SETTINGS, TIMED, Daemon, pin_libraries, run_dumpload, write_settings
from rig import Barge
from waiting import eventually

pytest_plugins = ["daemon_fixtures"]

NO_BROKER = {"mqtt.port": 1}


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "existing file"),
        (b"", "the file has none"),
        (b"\0" * 4096, "NUL bytes"),
        (b"[control]\ncut_in_percent = 97\n[telem", "TOML"),
        (b"[control]\ncut_in_percent = 97\n", "relay"),
        (b"\xff\xfename = 1", "UTF-8"),
    ],
    ids=["missing", "empty", "only NUL bytes", "torn", "half of it", "not UTF-8"],
)
def test_case_23_a_settings_file_that_is_not_whole_stops_the_start(
    tmp_path: Path, content: bytes | None, words: str
) -> None:
    file = tmp_path / "dumpload.toml"
    if content is not None:
        file.write_bytes(content)
    ended = run_dumpload("run", "--config", file.name, folder=tmp_path)
    assert (ended.returncode, ended.stdout) == (2, "")
    assert "dumpload.toml" in ended.stderr
    assert words in ended.stderr
    assert "Traceback" not in ended.stderr


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"cut_in_percent": "nan"}, "control.cut_in_percent"),
        ({"cut_in_percent": "inf"}, "control.cut_in_percent"),
        ({"cut_out_percent": "97.0"}, "control.cut_out_percent"),
        ({"cut_out_percent": "98.0"}, "control.cut_out_percent"),
        ({"cut_out_percent": "-1.0"}, "control.cut_out_percent"),
        ({"floor_percent": "95.0"}, "control.floor_percent"),
        ({"min_off_s": "-1"}, "control.min_off_s"),
        ({"confirm_s": "true"}, "control.confirm_s"),
        ({"cut_in_percent": '"97"'}, "control.cut_in_percent"),
    ],
    ids=lambda value: " ".join(f"{k} = {v}" for k, v in value.items()) if isinstance(value, dict) else "",
)
def test_case_25_thresholds_that_make_no_sense_stop_the_start(
    tmp_path: Path, changes: dict[str, str], key: str
) -> None:
    file = write_settings(tmp_path / "dumpload.toml", SETTINGS)
    text = "".join(line + "\n" for line in file.read_text().splitlines() if not any(k in line for k in changes))
    file.write_text(text + "".join(f"control.{name} = {value}\n" for name, value in changes.items()))
    ended = run_dumpload("run", "--config", str(file), folder=tmp_path)
    assert ended.returncode == 2
    assert any(str(file) in line and key in line and "expected" in line for line in ended.stderr.splitlines())


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"relay.pin_factory": "lgpio", "relay.chip_label": "no such chip"}, "no such chip"),
        ({"relay.pin_factory": "native"}, "pin_factory"),
        ({"relay.pin": 400}, "GPIO400"),
        ({"relay.feedback_pin": 400}, "GPIO400"),
    ],
    ids=["wrong label, or no library", "a fallback by name", "no such pin", "no such feedback pin"],
)
def test_case_51_without_its_pin_the_daemon_does_not_start_and_tries_no_other(
    tmp_path: Path, changes: dict[str, object], words: str
) -> None:
    file = write_settings(tmp_path / "dumpload.toml", {**SETTINGS, **NO_BROKER, **changes})
    ended = run_dumpload("run", "--config", str(file), folder=tmp_path)
    assert ended.returncode == 2
    assert words in ended.stderr or "lgpio cannot be imported" in ended.stderr
    assert "fall" not in ended.stderr.lower(), "a fallback was tried"


def test_case_51_another_factory_in_the_environment_is_not_listened_to(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path, {**SETTINGS, **NO_BROKER}, records=False)
    daemon.environ["GPIOZERO_PIN_FACTORY"] = "nothing of the sort"
    daemon.start()
    daemon.await_log("broker_down")
    assert daemon.stop() == 0


def test_case_52_a_setting_in_the_environment_counts_and_a_misspelt_one_is_refused(tmp_path: Path) -> None:
    file = write_settings(tmp_path / "dumpload.toml", SETTINGS)
    right = run_dumpload(
        "check", "--config", str(file), folder=tmp_path, environ={"DUMPLOAD_CONTROL__CUT_IN_PERCENT": "98.5"}
    )
    assert right.returncode == 1  # these settings answer no question of safety
    assert "98.5" in right.stdout
    name = "DUMPLOAD_CONTROL__CUTIN_PERCENT"
    wrong = run_dumpload("run", "--config", str(file), folder=tmp_path, environ={name: "98.5"})
    assert wrong.returncode == 2
    assert name in wrong.stderr


def test_case_53_check_imports_no_pin_library(tmp_path: Path) -> None:
    file = write_settings(tmp_path / "dumpload.toml", SETTINGS)
    assert pin_libraries(run_dumpload("check", "--config", str(file), folder=tmp_path, options=TIMED)) == set()


@pytest.mark.broker
def test_case_40_reload_signals_from_the_first_moment_of_the_program_do_not_end_it(barge: Barge) -> None:
    daemon = barge.daemon(records=False).start()
    status = Path(f"/proc/{daemon.pid}/status")

    def is_ignored() -> bool:
        mask = next(line for line in status.read_text().splitlines() if line.startswith("SigIgn"))
        return bool(int(mask.split()[1], 16) & 1)

    eventually(is_ignored, "the program to ignore SIGHUP")

    def hang_up() -> bool:
        daemon.signal(signal.SIGHUP)
        return barge.presence == "up"

    eventually(hang_up, "the daemon to be up")
    daemon.signal(signal.SIGHUP)
    daemon.await_log("reloaded")
    barge.comes_on(daemon)
    assert daemon.stop() == 0


SPY = """
import runpy, signal, sys

class Spy:
    def find_spec(self, name, path=None, target=None):
        if name == "dumpload.cli.commands":
            print(signal.getsignal(signal.SIGHUP).name)

sys.meta_path.insert(0, Spy())
sys.argv = ["dumpload", "run", "--config", "no such file"]
runpy.run_module("dumpload", run_name="__main__", alter_sys=True)
"""


def test_case_40_reload_signals_are_ignored_before_anything_that_takes_time_is_imported(tmp_path: Path) -> None:
    ended = subprocess.run([sys.executable, "-c", SPY], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stdout) == (2, "SIG_IGN\n")


@pytest.mark.broker
def test_the_daemon_starts_before_its_broker_and_finds_it_later(barge: Barge) -> None:
    barge.broker.stop()
    daemon = barge.daemon(records=False).start()
    daemon.await_log("broker_down", reason="no connection")
    barge.broker.start()
    barge.await_presence("up")
    barge.comes_on(daemon)
