"""The units: they load, they are closed tight, and they drive the pin off after every exit."""

import os
import shutil
import subprocess
from collections import defaultdict
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "systemd"
PROGRAM = "/opt/dumpload/bin/dumpload"
MAIN, TEMPLATE, BOOT = "dumpload.service", "dumpload@.service", "dumpload-boot-off.service"
HIGHEST_EXPOSURE = 12
"""Ten times the score of `systemd-analyze security`; the network and the GPIO chips alone come to 11."""

DAEMONS = pytest.mark.parametrize("unit", [MAIN, TEMPLATE])
ALL = pytest.mark.parametrize("unit", [MAIN, TEMPLATE, BOOT])

Unit = dict[str, dict[str, list[str]]]


def read(unit: str) -> Unit:
    """Return section, then key, then every value in order."""
    settings: Unit = defaultdict(lambda: defaultdict(list))
    section = ""
    for text in (FOLDER / unit).read_text(encoding="utf-8").splitlines():
        if text.startswith("["):
            section = text.strip("[]")
        elif text and not text.startswith("#"):
            key, _, value = text.partition("=")
            settings[section][key].append(value)
    return settings


def one(unit: str, section: str, key: str) -> str:
    (value,) = read(unit)[section][key]
    return value


@pytest.fixture
def analyze() -> str:
    tool = shutil.which("systemd-analyze")
    if tool is None:
        pytest.skip("systemd-analyze is not here")
    return tool


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """The units, with the program where it can be found."""
    program = tmp_path / "dumpload"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    for unit in (MAIN, TEMPLATE, BOOT):
        text = (FOLDER / unit).read_text(encoding="utf-8").replace(PROGRAM, str(program))
        (tmp_path / unit).write_text(text)
    return tmp_path


@pytest.mark.systemd
@pytest.mark.parametrize("unit", [MAIN, "dumpload@heater.service", BOOT])
def test_the_service_manager_finds_nothing_wrong(analyze: str, installed: Path, unit: str) -> None:
    done = subprocess.run(
        [analyze, "verify", "--man=no", unit], cwd=installed, capture_output=True, text=True, check=False
    )
    ours = [text for text in done.stderr.splitlines() if "dumpload" in text]
    assert (done.returncode, ours) == (0, [])


@pytest.mark.systemd
def test_the_service_manager_would_find_a_misspelt_setting(analyze: str, installed: Path) -> None:
    text = (installed / MAIN).read_text().replace("StateDirectory=", "StatDirectory=")
    (installed / MAIN).write_text(text)
    done = subprocess.run(
        [analyze, "verify", "--man=no", MAIN], cwd=installed, capture_output=True, text=True, check=False
    )
    assert "StatDirectory" in done.stderr


@pytest.mark.systemd
@ALL
def test_the_exposure_is_small(analyze: str, unit: str) -> None:
    done = subprocess.run(
        [analyze, "security", "--offline=true", f"--threshold={HIGHEST_EXPOSURE}", FOLDER / unit],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "SYSTEMD_PAGER": ""},
    )
    if "Overall exposure" not in done.stdout:
        pytest.skip("this systemd-analyze does not judge files (before version 250)")
    assert done.returncode == 0, done.stdout.splitlines()[-1]


@DAEMONS
def test_the_pin_is_driven_off_after_every_exit_outside_the_sandbox(unit: str) -> None:
    service = read(unit)["Service"]
    config = "/etc/dumpload/%i.toml" if unit == TEMPLATE else "/etc/dumpload/dumpload.toml"
    assert service["ExecStart"] == [f"{PROGRAM} run --config {config}"]
    assert service["ExecStopPost"] == [f"+{PROGRAM} off --config {config}"]


@DAEMONS
def test_nothing_stands_before_the_start_and_starting_is_never_given_up(unit: str) -> None:
    settings = read(unit)
    assert "ExecStartPre" not in settings["Service"]
    assert settings["Unit"]["StartLimitIntervalSec"] == ["0"]
    assert not [key for key in settings["Service"] if key.startswith("StartLimit")], "ignored in this section"
    assert (one(unit, "Service", "Restart"), one(unit, "Service", "RestartSec")) == ("always", "5")
    assert "RestartPreventExitStatus" not in settings["Service"]


@DAEMONS
def test_a_hung_process_is_gone_within_twenty_seconds(unit: str) -> None:
    service = read(unit)["Service"]
    assert (service["Type"], service["NotifyAccess"]) == (["notify"], ["main"])
    off_s = 3
    assert int(one(unit, "Service", "WatchdogSec")) + int(one(unit, "Service", "TimeoutAbortSec")) + off_s <= 20


@ALL
def test_no_secret_is_on_a_command_line_or_in_the_environment(unit: str) -> None:
    service = read(unit)["Service"]
    spoken = [value for key, values in service.items() if key.startswith(("Exec", "Environment")) for value in values]
    assert not [text for text in spoken if any(word in text.lower() for word in ("password", "secret", "token"))]
    assert not [key for key in service if key.startswith(("PassEnvironment", "SetCredential"))]


@DAEMONS
def test_the_way_to_hand_over_a_password_is_shown(unit: str) -> None:
    text = (FOLDER / unit).read_text(encoding="utf-8")
    assert "#   LoadCredential=mqtt-password:/etc/dumpload/mqtt-password\n" in text
    assert "#   Environment=DUMPLOAD_MQTT__PASSWORD_FILE=%d/mqtt-password\n" in text


@ALL
def test_only_gpio_chips_can_be_opened_and_they_are_not_hidden(unit: str) -> None:
    service = read(unit)["Service"]
    assert (service["DevicePolicy"], service["DeviceAllow"]) == (["closed"], ["char-gpiochip rw"])
    assert "PrivateDevices" not in service
    assert "ProcSubset" not in service, "gpiozero asks /proc which board this is"


@ALL
def test_the_pin_library_has_a_folder_to_write_and_memory_is_bounded(unit: str) -> None:
    service = read(unit)["Service"]
    assert len(service["RuntimeDirectory"]) == 1
    assert service["WorkingDirectory"] == [f"-%t/{service['RuntimeDirectory'][0]}"]
    for key in ("MemoryMax", "TasksMax", "UMask"):
        assert len(service[key]) == 1


def test_the_template_differs_from_the_single_unit_only_in_names() -> None:
    single, template = read(MAIN)["Service"], read(TEMPLATE)["Service"]
    assert template["User"] == ["dumpload-%i"]
    named = {"User", "ExecStart", "ExecStopPost", "Environment"}
    named |= {"RuntimeDirectory", "StateDirectory", "WorkingDirectory"}
    differing = {key for key in single | template if single.get(key) != template.get(key)}
    assert differing == named
    assert template["Environment"] == ["DUMPLOAD_NAME=%i " + single["Environment"][0]]


def test_the_early_unit_runs_the_same_command_before_the_daemon() -> None:
    assert read(BOOT)["Service"]["ExecStart"] == [f"{PROGRAM} off --config /etc/dumpload/dumpload.toml"]
    for unit in (MAIN, TEMPLATE):
        assert BOOT in one(unit, "Unit", "After").split()
