"""Plain files: read whole and bounded, or written beside and put in place. Standard library only, quick to import.

Whatever is read may be a pipe, a device or endless; whatever is written must never replace what is the user's.
"""

import contextlib
import os
import stat
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import BinaryIO, NamedTuple, NoReturn

_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)
_DATABASE_ENDS = ("", "-wal", "-shm", "-journal")


class FileKindError(OSError):
    """It is no plain file, or too large a one; the text says what was expected."""

    def __init__(self, expected: str) -> None:
        """Store the text where an `OSError` has it."""
        super().__init__(0, expected)

    def __str__(self) -> str:
        """Return the text alone: there is no error number to show."""
        return f"expected {self.strerror}"


class WriteError(Exception):
    """An output could not be written; the text names the option, the file and what was expected."""


class Output(NamedTuple):
    """A file to be written: the option that asks for it, its path, and all of its content."""

    option: str
    path: Path
    content: bytes

    def refuse(self, reason: str | None) -> NoReturn:
        """Raise a `WriteError` that says why this file is not written."""
        message = f"{self.option} {self.path}: expected a file that can be written ({reason})"
        raise WriteError(message) from None


class Named(NamedTuple):
    """A file that no output may replace, and what it is to the user ("history.path", "LOG")."""

    what: str
    path: Path


def kind_of(mode: int) -> str:
    """Return what the mode of `stat` says a file is, "" for a plain one."""
    return next((description for is_kind, description in _KINDS if is_kind(mode)), "")


def open_plain(path: Path, *, follow: bool = True) -> BinaryIO:
    """Open a plain file for reading.

    Args:
        path: the file.
        follow: whether it may be a link to one.

    Raises:
        FileKindError: it is something else.
        OSError: it cannot be opened.
        ValueError: the path has a NUL in it.
    """
    # Looked at before it is opened, since opening a device may do something already; opened without waiting, since a
    # pipe in the place of a file of ours once blocked the start for ever; and looked at again, since it may be another
    # one by then.
    _check_plain(path.stat() if follow else path.lstat())
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY
    file = open(os.open(path, flags if follow else flags | os.O_NOFOLLOW), "rb")  # noqa: PTH123, SIM115
    try:
        _check_plain(os.fstat(file.fileno()))
    except FileKindError:
        file.close()
        raise
    return file


def read_plain(path: Path, most_bytes: int, *, follow: bool = True) -> bytes:
    """Return the content of a plain file of at most `most_bytes`.

    Raises:
        FileKindError, OSError, ValueError: as `open_plain`; or it is larger.
    """
    with open_plain(path, follow=follow) as file:
        content = file.read(most_bytes + 1)
    if len(content) > most_bytes:
        message = f"at most {most_bytes} bytes"
        raise FileKindError(message)
    return content


def _check_plain(status: os.stat_result) -> None:
    if kind := kind_of(status.st_mode):
        message = f"a regular file, not {kind}"
        raise FileKindError(message)


def is_same(path: Path, other: Path) -> bool:
    """Return whether two paths lead to one file: through links, hard links, or once one of them is made."""
    with contextlib.suppress(OSError, ValueError):
        if path.samefile(other):
            return True
    with contextlib.suppress(OSError, ValueError):
        return os.path.realpath(path) == os.path.realpath(other)
    return False


def with_database_files(file: Named) -> list[Named]:
    """Return a database and what its library keeps beside it."""
    return [Named(file.what, Path(f"{file.path}{end}")) for end in _DATABASE_ENDS]


def write_outputs(outputs: Sequence[Output], protected: Iterable[Named]) -> None:
    """Write every file or none. Each goes under a random name beside its place, is synced, and then replaces it.

    Args:
        outputs: what to write; missing folders are made.
        protected: what no output may replace: every file that the command line and the settings name.

    Raises:
        WriteError: one cannot be written, or would replace a file that is named; nothing is changed then.
    """
    _check_targets(outputs, list(protected))
    staged: list[tuple[Path, Output]] = []
    try:
        for output in outputs:
            with _worded(output):
                output.path.parent.mkdir(parents=True, exist_ok=True)
                staged.append((_random_name_beside(output.path), output))
                write_new(staged[-1][0], output.content, like=output.path)
        for beside, output in staged:
            with _worded(output):
                beside.replace(output.path)
        for folder in {output.path.parent for output in outputs}:
            with contextlib.suppress(OSError):  # not every file system can
                _sync_folder(folder)
    finally:
        for beside, _output in staged:
            with contextlib.suppress(OSError):
                beside.unlink()


def _check_targets(outputs: Sequence[Output], protected: Sequence[Named]) -> None:
    others = list(protected)
    for output in outputs:
        with _worded(output):
            _check_target(output, others)
        others.append(Named(f"{output.option} {output.path}", output.path))


def _check_target(output: Output, others: Iterable[Named]) -> None:
    for what, path in others:
        if is_same(output.path, path):
            output.refuse(f"it is the same file as {what}")
    if output.path.is_symlink():
        output.refuse("it is a link; name the file itself")
    if output.path.exists() and not output.path.is_file():
        output.refuse("it is not a regular file")


def _random_name_beside(path: Path) -> Path:
    return path.with_name(f".dumpload-{os.urandom(8).hex()}")


def write_new(path: Path, content: bytes, *, mode: int = 0o666, like: Path | None = None) -> None:
    """Write and sync a file that must not be there yet, with this mode, or that of `like` where it exists.

    Raises:
        OSError: it is there, or cannot be written.
    """
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    with open(os.open(path, flags, mode), "wb") as file:  # noqa: PTH123  (a descriptor)
        if like is not None:
            with contextlib.suppress(FileNotFoundError):
                os.fchmod(file.fileno(), stat.S_IMODE(like.stat().st_mode))
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def write_synced(path: Path, text: str) -> None:
    """Replace a small file of ours whole; file, name and folder are on the disk when this returns.

    Raises:
        OSError: it cannot be written; what was there before stays.
    """
    new = path.with_suffix(".new")
    with contextlib.suppress(FileNotFoundError):
        new.unlink()
    write_new(new, text.encode(), mode=0o600)
    if path.is_dir() and not path.is_symlink():
        path.rename(path.with_suffix(".unreadable"))
    new.replace(path)
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Have the new names on the disk too."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def _worded(output: Output) -> Iterator[None]:
    try:
        yield
    except FileExistsError:
        output.refuse("its parent is not a folder")
    except OSError as error:
        output.refuse(error.strerror)
    except ValueError as error:  # a NUL in the path
        output.refuse(str(error))
