"""The record of the line that the daemon really drives: what must be driven off once the daemon is gone.

Two copies: one in the service's runtime folder, one in its state folder, which outlives a power cut. Both folders are
the service user's own, and who reads here may be root: nothing found there is trusted. Both ways off go through here:
standard library only, without pathlib, which takes as long to load as all the rest. Must not know of settings and must
not touch a line.
"""

import contextlib
import os
import stat
from collections.abc import Iterator, Mapping

# The file's name in either folder.
RECORD = "line"

# A record is some 25 bytes; the kernel's label of a chip has at most 31 (linux/gpio.h).
MAX_BYTES = 256

# No chip has a line of five digits (common practice, no source); a longer number is no record of ours.
MAX_DIGITS = 4

# Where the service manager says that the folders are, and where they lie otherwise: one for each load.
RUNTIME, STATE = FOLDER_VARIABLES = ("RUNTIME_DIRECTORY", "STATE_DIRECTORY")
PARENTS = ("/run", "/var/lib")
FOLDER = "dumpload"


class LastLineError(Exception):
    """A record that cannot be read as ours, or not be written: the file, and what was expected."""

    def __str__(self) -> str:
        """Return both in one line."""
        return " ".join(self.args)


class LastLine:
    """A line as recorded: the file, the chip's label, the line's number on it, its polarity."""

    __slots__ = ("active_high", "label", "path", "pin")

    def __init__(self, path: str, label: str, pin: int, *, active_high: bool) -> None:
        """Keep what the file `path` says."""
        self.path, self.label, self.pin, self.active_high = path, label, pin, active_high

    @property
    def off_level(self) -> int:
        """The level, 0 or 1, at which the relay is released."""
        return 0 if self.active_high else 1


def find_records(environ: Mapping[str, str]) -> list[str]:
    """Return where to look: this service's own two files, or outside a service those of every load."""
    own = [path for variable in FOLDER_VARIABLES if (path := _path(environ, variable))]
    return own or [f"{folder}/{RECORD}" for parent in PARENTS for folder in _loads(parent)]


def read_record(path: str) -> LastLine | None:
    """Return the recorded line, or None where nothing is recorded. Never waits.

    Raises:
        LastLineError: there is something, but no record of ours.
    """
    try:
        content = _read(path)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise LastLineError(path, f"cannot be read ({error.strerror})") from None
    fields = content.decode("utf-8", "replace").removesuffix("\n").rsplit(" ", 2)
    if len(fields) == 3 and _is_pin(fields[1]) and fields[2] in ("high", "low"):  # noqa: PLR2004 - label, pin, polarity
        return LastLine(path, fields[0], int(fields[1]), active_high=fields[2] == "high")
    raise LastLineError(path, "is not a record of a line; expected LABEL PIN high|low")


def write_records(environ: Mapping[str, str], label: str, pin: int, *, active_high: bool) -> list[str]:
    """Record the line that is really driven, durably; return what could not be kept beyond a power cut.

    Raises:
        LastLineError: the runtime folder cannot be written.
    """
    text = f"{label} {pin} {'high' if active_high else 'low'}\n"
    if path := _path(environ, RUNTIME):
        try:
            write_whole(path, text)
        except OSError as error:
            why = f"cannot be written ({error.strerror}); expected a RuntimeDirectory= of this service"
            raise LastLineError(path, why) from error
    # A disk that is full or read-only must not keep the load's control from starting.
    if path := _path(environ, STATE):
        try:
            write_whole(path, text)
        except OSError as error:
            return [f"{path} cannot be written ({error.strerror}): after a power cut only the settings name the line"]
    return []


def remove_records(environ: Mapping[str, str]) -> None:
    """Forget the line: it has been driven off and let go. Never fails."""
    for variable in FOLDER_VARIABLES:
        if path := _path(environ, variable):
            with contextlib.suppress(OSError):
                os.unlink(path)


def write_whole(path: str, text: str) -> None:
    """Write the file whole, and onto the disk: what is there after a power cut is the old record or the new one."""
    new = f"{path}.new"
    with contextlib.suppress(FileNotFoundError):
        os.unlink(new)
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    try:
        os.write(descriptor, text.encode())
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    os.replace(new, path)


def _path(environ: Mapping[str, str], variable: str) -> str:
    folder = environ.get(variable, "").split(":")[0]
    return f"{folder}/{RECORD}" if folder else ""


def _loads(parent: str) -> Iterator[str]:
    """Yield the folder of each load: `dumpload`, or `dumpload-heater` for an instance."""
    with contextlib.suppress(OSError):
        for name in sorted(os.listdir(parent)):
            if name == FOLDER or name.startswith(f"{FOLDER}-"):
                yield f"{parent}/{name}"


def _read(path: str) -> bytes:
    """Return the content of a plain file, or of one that is too long a part that is no record."""
    folder = os.path.dirname(path)
    # The service manager itself puts a link there for a user made up at the start; anybody else's is a trap.
    follow = 0 if os.lstat(folder).st_uid == 0 else os.O_NOFOLLOW
    at = os.open(folder, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC | follow)
    try:
        # A pipe must not be waited for, a device or a link not be read.
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC
        descriptor = os.open(RECORD, flags, dir_fd=at)
    finally:
        os.close(at)
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode) or status.st_nlink != 1:
            raise OSError(None, "not a plain file of its own")
        content = os.read(descriptor, MAX_BYTES + 1)
    finally:
        os.close(descriptor)
    if len(content) > MAX_BYTES:
        raise OSError(None, f"longer than {MAX_BYTES} bytes")
    return content


def _is_pin(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= MAX_DIGITS
