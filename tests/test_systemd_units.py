"""The units: they load, they are closed tight, and they drive the pin off after every exit."""

import os
import shutil
import subprocess
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "systemd"
PREFIX = "/opt/dumpload"
PROGRAM = f"{PREFIX}/bin/dumpload"
# No environment variable and no working folder says what is imported (python(1), -I).
ISOLATED = f"{PREFIX}/bin/python -I -m dumpload"

MAIN, TEMPLATE, BOOT, OFF, PAGE = (
    "dumpload.service",
    "dumpload@.service",
    "dumpload-boot-off.service",
    "dumpload-off@.service",
    "dumpload-serve@.service",
)
# Ten times the score of `systemd-analyze security`; the network, the GPIO chips and their group alone come to 12. The
# last but one must do without all that takes a namespace.
HIGHEST_EXPOSURE = {MAIN: 13, TEMPLATE: 13, BOOT: 12, OFF: 35, PAGE: 10}

NAMESPACES = (
    "Private",
    "Protect",
    "ReadOnly",
    "ReadWrite",
    "Inaccessible",
    "Exec",
    "NoExec",
    "Bind",
    "Temporary",
    "Root",
)
NAMESPACES += (
    "Mount",
    "DynamicUser",
    "ProcSubset",
    "LoadCredential",
    "SetCredential",
    "StateDirectory",
    "LogsDirectory",
)
"""How the settings begin that have the service manager make a mount or another namespace (systemd.exec(5))."""

# No name of an instance's user (dumpload-NAME): a dynamic user cannot have the name of a group that is there.
VIEWERS = "dumpload_view"

DAEMONS = pytest.mark.parametrize("unit", [MAIN, TEMPLATE])
PINS = pytest.mark.parametrize("unit", [MAIN, TEMPLATE, BOOT, OFF])
ALL = pytest.mark.parametrize("unit", [MAIN, TEMPLATE, BOOT, OFF, PAGE])

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
    for unit in (MAIN, TEMPLATE, BOOT, OFF, PAGE):
        text = (FOLDER / unit).read_text(encoding="utf-8")
        text = text.replace(PROGRAM, str(program)).replace(f"{PREFIX}/bin/python", str(program))
        (tmp_path / unit).write_text(text)
    return tmp_path


@pytest.mark.systemd
@pytest.mark.parametrize(
    "unit", [MAIN, "dumpload@heater.service", BOOT, "dumpload-off@heater.service", "dumpload-serve@heater.service"]
)
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
        [analyze, "security", "--offline=true", f"--threshold={HIGHEST_EXPOSURE[unit]}", FOLDER / unit],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "SYSTEMD_PAGER": ""},
    )
    if "Overall exposure" not in done.stdout:
        pytest.skip("this systemd-analyze does not judge files (before version 250)")
    assert done.returncode == 0, done.stdout.splitlines()[-1]


@DAEMONS
def test_two_commands_drive_the_pin_off_after_every_exit_outside_the_sandbox_whatever_comes_of_the_first(
    unit: str,
) -> None:
    service = read(unit)["Service"]
    config = "/etc/dumpload/%i.toml" if unit == TEMPLATE else "/etc/dumpload/dumpload.toml"
    assert service["ExecStart"] == [f"{PROGRAM} run --config {config}"]
    assert service["ExecStopPost"] == [f"-+{ISOLATED} off --config {config}", f"-+{ISOLATED} off --recorded"]


@DAEMONS
def test_a_unit_without_namespaces_drives_it_off_before_every_start_and_after_every_stop(unit: str) -> None:
    settings = read(unit)["Unit"]
    companion = OFF.replace("@", "@%i" if unit == TEMPLATE else "@dumpload")
    assert settings["Wants"] == settings["OnSuccess"] == settings["OnFailure"] == [companion]
    assert companion in [name for value in settings["After"] for name in value.split()]


def test_that_unit_needs_no_namespace_and_is_never_given_up() -> None:
    settings = read(OFF)
    assert not [key for key in settings["Service"] if key.startswith(NAMESPACES) and key != "ExecStart"]
    assert settings["Service"]["ExecStart"] == [
        f"-{ISOLATED} off --recorded",
        f"{ISOLATED} off --config /etc/dumpload/%i.toml",
    ]
    assert settings["Unit"]["StartLimitIntervalSec"] == ["0"]
    assert "RemainAfterExit" not in settings["Service"], "else it would run before the first start only"


@DAEMONS
def test_nothing_else_stands_before_the_start_and_starting_is_never_given_up(unit: str) -> None:
    settings = read(unit)
    assert "ExecStartPre" not in settings["Service"]
    assert settings["Unit"]["StartLimitIntervalSec"] == ["0"]
    assert not [key for key in settings["Service"] if key.startswith("StartLimit")], "ignored in this section"
    assert one(unit, "Service", "Restart") == "always"
    assert int(one(unit, "Service", "RestartSec")) <= 2, "where both commands fail, the load is on until then"
    assert "RestartPreventExitStatus" not in settings["Service"]


@DAEMONS
def test_a_hung_process_is_gone_within_twenty_seconds(unit: str) -> None:
    service = read(unit)["Service"]
    assert (service["Type"], service["NotifyAccess"]) == (["notify"], ["main"])
    off_s = 3
    assert int(one(unit, "Service", "WatchdogSec")) + int(one(unit, "Service", "TimeoutAbortSec")) + off_s <= 20


@pytest.mark.parametrize(
    ("unit", "key", "at_least_s"),
    [
        (MAIN, "TimeoutStartSec", 120),
        (MAIN, "TimeoutStopSec", 30),
        (BOOT, "TimeoutStartSec", 120),
        (OFF, "TimeoutStartSec", 60),
    ],
)
def test_a_slow_core_and_a_cold_card_have_time(unit: str, key: str, at_least_s: int) -> None:
    assert int(one(unit, "Service", key)) >= at_least_s


@DAEMONS
def test_a_reload_waits_for_the_daemons_answer(unit: str) -> None:
    assert read(unit)["Service"]["ExecReload"] == [f"{PROGRAM} reload"]


@ALL
def test_the_documentation_is_what_the_wheel_installs(unit: str) -> None:
    with (FOLDER.parent / "pyproject.toml").open("rb") as file:
        installed = tomllib.load(file)["tool"]["hatch"]["build"]["targets"]["wheel"]["shared-data"]
    assert one(unit, "Unit", "Documentation") == f"file:{PREFIX}/{installed['README.md']}"


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


@PINS
def test_only_gpio_chips_can_be_opened_and_they_are_not_hidden(unit: str) -> None:
    service = read(unit)["Service"]
    assert (service["DevicePolicy"], service["DeviceAllow"]) == (["closed"], ["char-gpiochip rw"])
    assert "PrivateDevices" not in service
    assert "ProcSubset" not in service, "gpiozero asks /proc which board this is"


@pytest.mark.parametrize("unit", [MAIN, TEMPLATE, BOOT])
def test_the_pin_library_has_a_folder_to_write(unit: str) -> None:
    service = read(unit)["Service"]
    assert len(service["RuntimeDirectory"]) == 1
    assert service["WorkingDirectory"] == [f"-%t/{service['RuntimeDirectory'][0]}"]


@ALL
def test_memory_is_bounded(unit: str) -> None:
    service = read(unit)["Service"]
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


def test_the_early_unit_waits_for_the_chip_and_only_the_daemon_waits_along() -> None:
    assert read(BOOT)["Service"]["ExecStart"] == [f"{ISOLATED} off --wait 60 --config /etc/dumpload/dumpload.toml"]
    for unit in (MAIN, TEMPLATE, OFF):
        assert BOOT in [name for value in read(unit)["Unit"]["After"] for name in value.split()]
    before = [name for value in read(BOOT)["Unit"]["Before"] for name in value.split()]
    assert before == ["dumpload.service", "shutdown.target"]


def test_the_early_unit_is_tried_again_within_a_bound() -> None:
    unit, service = read(BOOT)["Unit"], read(BOOT)["Service"]
    assert (service["Restart"], service["RestartPreventExitStatus"]) == (["on-failure"], ["2"])
    assert int(one(BOOT, "Unit", "StartLimitBurst")) > 1
    assert unit["StartLimitIntervalSec"] == ["600"], "longer than that many tries can take"


def test_the_early_unit_runs_on_a_record_alone_and_looks_at_every_loads() -> None:
    unit, service = read(BOOT)["Unit"], read(BOOT)["Service"]
    assert unit["ConditionPathExists"] == ["|/etc/dumpload/dumpload.toml"]
    assert unit["ConditionPathExistsGlob"] == ["|/var/lib/dumpload*/line"]
    assert service["UnsetEnvironment"] == ["RUNTIME_DIRECTORY"]
    for reader in (BOOT, OFF):
        assert one(reader, "Service", "CapabilityBoundingSet") == "CAP_DAC_READ_SEARCH", "the folder is the daemon's"


# ---- the live page ----


def test_the_page_has_a_user_of_its_own_no_device_and_no_network_but_this_computer() -> None:
    service = read(PAGE)["Service"]
    assert service["ExecStart"] == [f"{PROGRAM} serve --config /etc/dumpload/%i.toml"]
    assert service["DynamicUser"] == ["yes"]
    assert "User" not in service, "with the daemon's it could signal the daemon"
    assert (service["PrivateDevices"], "DeviceAllow" in service) == (["yes"], False)
    assert (service["IPAddressDeny"], service["IPAddressAllow"]) == (["any"], ["localhost"])
    assert not [key for key in service if key.startswith(("ExecStopPost", "StateDirectory", "RuntimeDirectory"))]


def test_the_page_reads_the_daemons_socket_and_history_and_writes_nothing() -> None:
    service = read(PAGE)["Service"]
    folders = {unit: f"/var/lib/private/{one(unit, 'Service', 'StateDirectory')}" for unit in (MAIN, TEMPLATE)}
    assert service["Group"] == read(MAIN)["Service"]["Group"] == read(TEMPLATE)["Service"]["Group"] == [VIEWERS]
    assert "SupplementaryGroups" not in service, "no GPIO device, no other socket"
    assert service["BindReadOnlyPaths"] == [f"-{folders[MAIN]} -{folders[TEMPLATE]}"]
    assert service["ProtectSystem"] == ["strict"]
    assert not [key for key in service if key.startswith(("ReadWrite", "BindPaths"))]


def test_the_page_cannot_fill_the_card_or_the_memory_by_a_place_for_temporary_files() -> None:
    """ProtectSystem=strict leaves these open: a private folder of /tmp lies on the card (systemd.exec(5))."""
    service = read(PAGE)["Service"]
    assert service["ReadOnlyPaths"] == ["/dev/shm /tmp /var/tmp"]  # noqa: S108  (named, not used)
    assert service["ProtectSystem"] == ["strict"]


@DAEMONS
def test_the_group_of_those_who_look_on_reads_and_writes_nothing_and_the_pins_group_is_another(unit: str) -> None:
    assert one(unit, "Service", "SupplementaryGroups") == "gpio"
    assert one(unit, "Service", "StateDirectoryMode") == one(unit, "Service", "RuntimeDirectoryMode") == "0750"
    assert one(unit, "Service", "UMask") == "0027"


def test_the_page_gives_way_to_the_daemon() -> None:
    page, daemon = read(PAGE)["Service"], read(MAIN)["Service"]
    assert int(page["CPUWeight"][0]) < 100 < int(daemon["CPUWeight"][0]), "100 is what all others have"
    assert int(page["Nice"][0]) > 0
    assert int(page["OOMScoreAdjust"][0]) > 0
    assert "Wants" not in read(PAGE)["Unit"]
    assert "Requires" not in read(PAGE)["Unit"]
