"""The files that the settings name: a plain file each, in nobody else's place, and the password for its owner only."""

import os
import socket
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from dumpload.config.layers import ConfigError
from dumpload.config.model import load_settings
from dumpload.config.named_files import named_files

SETTINGS = '[telemetry.state_of_charge]\ntopic = "barge/bank"\n[relay]\npin = 17\n[mqtt]\nusername = "a"\ntls = true\n'
KEYS = ("password_file", "ca_file", "client_cert_file", "client_key_file")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "dumpload.toml"
    path.write_text(SETTINGS)
    return path


def problems(file: Path, *sets: str, **environ: str) -> list[str]:
    try:
        load_settings(file, environ, sets)
    except ConfigError as error:
        return str(error).replace(str(file.parent), "FOLDER").split("\n")
    return []


def make_socket(path: Path) -> None:
    with closing(socket.socket(socket.AF_UNIX)) as one:
        one.bind(str(path))


@pytest.mark.parametrize("key", [*(f"mqtt.{key}" for key in KEYS[:2]), "history.path"])
@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (os.mkfifo, "a pipe"),
        (Path.mkdir, "a folder"),
        (make_socket, "a socket"),
        (lambda path: path.symlink_to("/dev/zero"), "a device"),
    ],
)
def test_a_file_that_is_named_is_a_plain_one(file: Path, key: str, make: Callable[[Path], None], kind: str) -> None:
    make(file.parent / "x")
    said = problems(file, f"{key}=x")
    assert said == [f"--set: {key} = FOLDER/x: expected a regular file, not {kind}"]


def test_files_that_are_not_there_yet_are_for_others_to_miss(file: Path) -> None:
    assert problems(file, "mqtt.password_file=no", "mqtt.ca_file=no.pem", "history.path=no.db") == []


@pytest.mark.parametrize(
    ("mode", "is_fine"), [(0o600, True), (0o400, True), (0o640, False), (0o604, False), (0o620, False), (0o666, False)]
)
def test_a_password_that_others_may_read_is_refused_with_the_command_that_mends_it(
    file: Path, mode: int, is_fine: bool
) -> None:
    password = file.parent / "the password"
    password.write_text("hunter2\n")
    password.chmod(mode)
    line = (
        "--set: mqtt.password_file = FOLDER/the password: "
        "expected a file that only its owner may read: chmod 600 'FOLDER/the password'"
    )
    assert problems(file, "mqtt.password_file=the password") == ([] if is_fine else [line])


@pytest.mark.parametrize(("mode", "is_fine"), [(0o400, True), (0o440, True), (0o444, False)])
def test_a_credential_of_the_service_manager_may_show_a_group_s_right(file: Path, mode: int, is_fine: bool) -> None:
    """The access list that lets the service read it shows as the group's right: systemd.exec(5), CREDENTIALS."""
    folder = file.parent / "credentials"
    folder.mkdir()
    (folder / "mqtt-password").write_text("hunter2\n")
    (folder / "mqtt-password").chmod(mode)
    said = problems(file, f"mqtt.password_file={folder}/mqtt-password", CREDENTIALS_DIRECTORY=str(folder))
    assert (said == []) is is_fine


@pytest.mark.parametrize(
    ("sets", "line"),
    [
        (
            ["history.path=dumpload.toml"],
            "history.path = FOLDER/dumpload.toml: expected a file other than the settings",
        ),
        (["history.path=link"], "history.path = FOLDER/link: expected a file other than the settings"),
        (
            ["mqtt.password_file=dumpload.toml"],
            "mqtt.password_file = FOLDER/dumpload.toml: expected a file other than the settings",
        ),
        (
            ["mqtt.ca_file=dumpload.toml"],
            "mqtt.ca_file = FOLDER/dumpload.toml: expected a file other than the settings",
        ),
        (
            ["mqtt.password_file=same.db", "history.path=./same.db"],
            "mqtt.password_file = (not shown): expected a file other than that of history.path",
        ),
        (["mqtt.ca_file=same.db", "history.path=same.db"], "history.path = FOLDER/same.db: expected a file other than"),
    ],
)
def test_no_two_of_them_are_one_file(file: Path, sets: list[str], line: str) -> None:
    (file.parent / "link").symlink_to(file)
    file.chmod(0o600)
    assert problems(file, *sets)[0].startswith(f"--set: {line}")


def test_certificate_and_key_may_be_one_file(file: Path) -> None:
    (file.parent / "both.pem").touch()
    assert problems(file, "mqtt.client_cert_file=both.pem", "mqtt.client_key_file=both.pem") == []


def test_what_no_output_may_replace_is_all_that_the_settings_name(file: Path) -> None:
    sets = ["history.path=h.db", *(f"mqtt.{key}={key}" for key in KEYS)]
    found = named_files(file, load_settings(file, {}, sets), {"STATE_DIRECTORY": "/var/lib/barge"})
    names = {str(named.path).replace(str(file.parent), "FOLDER") for named in found}
    assert names >= {"FOLDER/dumpload.toml", "FOLDER/h.db", "FOLDER/h.db-wal", "FOLDER/h.db-shm", "FOLDER/kept.json"}
    assert names >= {*(f"FOLDER/{key}" for key in KEYS), "/var/lib/barge/kept.json"}
