"""The files that the settings name: what no output may replace, and what is wrong with them. Opens none of them."""

import os
import shlex
import stat
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from dumpload.config.layers import NOT_SHOWN, Layers, Problem
from dumpload.files import Named, is_same, kind_of, with_database_files

if TYPE_CHECKING:
    from dumpload.config.model import Settings

PASSWORDS, HISTORY = ("mqtt.password_file", "web.password_file"), "history.path"
FILE_KEYS = (
    *("mqtt.password_file", "mqtt.ca_file", "mqtt.client_cert_file", "mqtt.client_key_file"),
    *("web.password_file", "web.cert_file", "web.key_file"),
    HISTORY,
)

# Where the service manager hands over credentials: root's, and readable by an access control list, which the mode
# shows as a group's right (systemd.exec(5), CREDENTIALS).
CREDENTIALS = "/run/credentials"
CREDENTIALS_VARIABLE = "CREDENTIALS_DIRECTORY"

STATE_VARIABLE = "STATE_DIRECTORY"
STATE_FILE = "kept.json"


def files_of(settings: "Settings") -> Iterator[tuple[str, Path]]:
    """Yield the key and the path of every file that is set."""
    for key in FILE_KEYS:
        table, _, name = key.partition(".")
        path = getattr(getattr(settings, table), name)
        if path is not None:
            yield key, path


def named_files(path: Path, settings: "Settings", environ: Mapping[str, str]) -> list[Named]:
    """Return every file that no output may replace: the settings, those they name, and the daemon's own state."""
    files = [Named("the settings", path)]
    for key, file in files_of(settings):
        files += with_database_files(Named(key, file)) if key == HISTORY else [Named(key, file)]
    folders = [folder for folder in environ.get(STATE_VARIABLE, "").split(":") if folder] + ["/var/lib/dumpload"]
    if settings.history.path is not None:
        folders.append(str(settings.history.path.parent))
    return [*files, *(Named("the daemon's state", Path(folder, STATE_FILE)) for folder in folders)]


def misused(layers: Layers, settings: "Settings", environ: Mapping[str, str]) -> Iterator[Problem]:
    """Yield what is wrong with the files that are there: their kind, who may read them, or that two are one."""
    files = dict(files_of(settings))
    for key, file in files.items():
        if expected := _why_unfit(key, file, environ) or _why_shared(key, file, files, layers.path):
            yield Problem(layers.origins.get(key, str(layers.path)), key, _shown_path(key, file), expected)


def _why_unfit(key: str, file: Path, environ: Mapping[str, str]) -> str:
    try:
        mode = file.stat().st_mode
    except OSError:
        # Not there, or not for us: who opens it will say so.
        return ""
    if kind := kind_of(mode):
        return f"a regular file, not {kind}"
    if key in PASSWORDS and mode & _forbidden_bits(file, environ):
        return f"a file that only its owner may read: chmod 600 {shlex.quote(str(file))}"
    return ""


def _forbidden_bits(file: Path, environ: Mapping[str, str]) -> int:
    folders = (CREDENTIALS, environ.get(CREDENTIALS_VARIABLE) or CREDENTIALS)
    others = stat.S_IROTH | stat.S_IWOTH
    is_credential = any(Path(os.path.realpath(file)).is_relative_to(os.path.realpath(folder)) for folder in folders)
    return others if is_credential else others | stat.S_IRGRP | stat.S_IWGRP


def _why_shared(key: str, file: Path, files: Mapping[str, Path], settings: Path) -> str:
    """Certificate, key and authority may be one file; the password and the history are files of their own."""
    if is_same(file, settings):
        return "a file other than the settings"
    for other, path in files.items():
        if other != key and key in (*PASSWORDS, HISTORY) and is_same(file, path):
            return f"a file other than that of {other}"
    return ""


def _shown_path(key: str, file: Path) -> str:
    """Return the path; a password may have been put in place of the file's name, so only one that exists is shown."""
    return NOT_SHOWN if key.startswith(("mqtt.", "web.")) and not file.exists() else str(file)
