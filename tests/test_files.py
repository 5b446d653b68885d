"""What is read is a plain file; what is written never costs the user a file."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from dumpload.files import (
    FileKindError,
    Named,
    Output,
    WriteError,
    is_same,
    read_plain,
    with_database_files,
    write_outputs,
)


def write(path: Path, *named: Path, content: bytes = b"new") -> None:
    write_outputs([Output("--report", path, content)], [Named("LOG", file) for file in named])


def entries(folder: Path) -> dict[str, bytes]:
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


# ---- reading ----


def test_a_plain_file_is_read_whole_up_to_its_bound(tmp_path: Path) -> None:
    file = tmp_path / "a"
    file.write_bytes(b"12345")
    assert read_plain(file, 5) == b"12345"
    with pytest.raises(FileKindError) as error:
        read_plain(file, 4)
    assert error.value.strerror == "at most 4 bytes"


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (os.mkfifo, "a pipe"),
        (Path.mkdir, "a folder"),
        (lambda path: path.symlink_to("/dev/zero"), "a device"),
        (lambda path: path.symlink_to("/dev/tty"), "a device"),
    ],
)
def test_anything_else_is_refused_without_waiting(tmp_path: Path, make: Callable[[Path], None], kind: str) -> None:
    make(tmp_path / "a")
    with pytest.raises(FileKindError) as error:
        read_plain(tmp_path / "a", 100)
    assert error.value.strerror == f"a regular file, not {kind}"


# ---- writing ----


def test_a_new_file_is_whole_and_nothing_else_is_left(tmp_path: Path) -> None:
    write(tmp_path / "deep/er/page.html")
    assert entries(tmp_path) == {"deep/er/page.html": b"new"}


def test_the_file_that_was_there_is_replaced_and_its_mode_is_kept(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_bytes(b"old")
    page.chmod(0o640)
    before = page.stat().st_ino
    write(page)
    assert (page.read_bytes(), page.stat().st_mode & 0o777) == (b"new", 0o640)
    assert page.stat().st_ino != before, "it is replaced, never written over"


def test_a_name_as_long_as_may_be_is_written(tmp_path: Path) -> None:
    write(tmp_path / ("x" * 255))
    assert entries(tmp_path) == {"x" * 255: b"new"}


def _itself(folder: Path) -> Path:
    return folder / "log.csv"


def _soft(folder: Path) -> Path:
    (folder / "soft").symlink_to("log.csv")
    return folder / "soft"


def _hard(folder: Path) -> Path:
    (folder / "hard").hardlink_to(folder / "log.csv")
    return folder / "hard"


def _through_a_folder(folder: Path) -> Path:
    (folder / "there").symlink_to(".")
    return folder / "there" / "log.csv"


def _round_about(folder: Path) -> Path:
    return folder / ".." / folder.name / "log.csv"


@pytest.mark.parametrize("reach", [_itself, _soft, _hard, _through_a_folder, _round_about])
def test_what_the_call_names_is_never_replaced(tmp_path: Path, reach: Callable[[Path], Path]) -> None:
    (tmp_path / "log.csv").write_bytes(b"a year of telemetry")
    target = reach(tmp_path)
    before = entries(tmp_path)
    with pytest.raises(
        WriteError, match=r"^--report .*expected a file that can be written \(it is the same file as LOG"
    ):
        write(target, tmp_path / "log.csv")
    assert entries(tmp_path) == before


def test_the_link_may_be_the_one_that_the_call_names(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_bytes(b"a year of telemetry")
    with pytest.raises(WriteError, match="the same file as LOG"):
        write(tmp_path / "log.csv", _soft(tmp_path))


def test_a_file_that_is_named_but_not_there_yet_is_kept_free(tmp_path: Path) -> None:
    for named in with_database_files(Named("history.path", tmp_path / "history")):
        with pytest.raises(WriteError, match=r"the same file as history\.path"):
            write_outputs(
                [Output("--report", named.path, b"x")], with_database_files(Named("history.path", tmp_path / "history"))
            )
    assert entries(tmp_path) == {}


def test_two_outputs_do_not_replace_each_other(tmp_path: Path) -> None:
    outputs = [Output("--report", tmp_path / "a", b"1"), Output("--svg", tmp_path / "." / "a", b"2")]
    with pytest.raises(WriteError, match="the same file as --report"):
        write_outputs(outputs, [])
    assert entries(tmp_path) == {}


def test_no_link_is_followed(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_bytes(b"dear lock-keeper")
    (tmp_path / "page.html").symlink_to("letter.txt")
    with pytest.raises(WriteError, match="it is a link"):
        write(tmp_path / "page.html")
    assert (tmp_path / "letter.txt").read_bytes() == b"dear lock-keeper"


@pytest.mark.parametrize("target", ["/dev/null", "/dev/stdout", ".", "", "file/page.html", "a\0b", "x" * 300])
def test_where_no_plain_file_can_be_it_is_said(tmp_path: Path, target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file").write_bytes(b"old")
    with pytest.raises(WriteError, match=r"--report .*expected a file that can be written"):
        write(Path(target))
    assert entries(tmp_path) == {"file": b"old"}


def test_all_are_written_or_none(tmp_path: Path) -> None:
    (tmp_path / "page.html").write_bytes(b"old")
    (tmp_path / "folder").mkdir()
    outputs = [Output("--report", tmp_path / "page.html", b"new"), Output("--svg", tmp_path / "folder", b"new")]
    with pytest.raises(WriteError):
        write_outputs(outputs, [])
    assert entries(tmp_path) == {"page.html": b"old"}


def test_a_disk_that_is_full_costs_nothing_that_was_there(tmp_path: Path) -> None:
    """The kernel really refuses the second kilobyte of every file (setrlimit(2): RLIMIT_FSIZE)."""
    (tmp_path / "page.html").write_bytes(b"old")
    code = (
        "import resource, signal, sys; from pathlib import Path; from dumpload.files import *;"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN); resource.setrlimit(resource.RLIMIT_FSIZE, (1024, 1024));"
        "folder = Path(sys.argv[1]);"
        "page = Output('--report', folder / 'page.html', bytes(5000));"
        "write_outputs([Output('--svg', folder / 'small', b'x'), page], [])"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False)
    assert "WriteError: --report" in done.stderr
    assert "(File too large)" in done.stderr
    assert entries(tmp_path) == {"page.html": b"old"}


def test_two_paths_are_one_file_or_not(tmp_path: Path) -> None:
    (tmp_path / "a").touch()
    (tmp_path / "b").touch()
    assert not is_same(tmp_path / "a", tmp_path / "b")
    assert is_same(tmp_path / "no", tmp_path / "x" / ".." / "no")
    assert not is_same(tmp_path / "a\0", tmp_path / "a")
