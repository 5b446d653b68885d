"""The record of the line: whole or not at all, and nothing that can be put in its place is trusted."""

import os
from pathlib import Path

import pytest

from dumpload.gpio import last_line
from dumpload.gpio.last_line import LastLine, LastLineError, find_records, read_record, remove_records, write_records


@pytest.fixture
def folders(tmp_path: Path) -> dict[str, str]:
    """A service's two folders, as its environment names them."""
    for name in ("run", "state"):
        (tmp_path / name).mkdir()
    return {"RUNTIME_DIRECTORY": f"{tmp_path}/run:/somewhere/else", "STATE_DIRECTORY": f"{tmp_path}/state"}


def fields(recorded: LastLine | None) -> tuple[str, int, bool, int] | None:
    return recorded and (recorded.label, recorded.pin, recorded.active_high, recorded.off_level)


@pytest.mark.parametrize(("active_high", "off_level"), [(True, 0), (False, 1)])
@pytest.mark.parametrize("label", ["pinctrl-rp1", "a label with blanks", "", "Pumpenstraße"])
def test_both_records_are_read_as_written(
    active_high: bool, off_level: int, label: str, folders: dict[str, str], tmp_path: Path
) -> None:
    assert write_records(folders, label, 17, active_high=active_high) == []
    paths = find_records(folders)
    assert paths == [f"{tmp_path}/run/line", f"{tmp_path}/state/line"]
    for path in paths:
        assert fields(read_record(path)) == (label, 17, active_high, off_level)
    remove_records(folders)
    remove_records(folders)
    assert [read_record(path) for path in paths] == [None, None]
    assert [list((tmp_path / name).iterdir()) for name in ("run", "state")] == [[], []]


def test_a_record_replaces_the_one_before_and_whatever_lies_in_its_place(
    folders: dict[str, str], tmp_path: Path
) -> None:
    (tmp_path / "other").write_text("mine")
    (tmp_path / "run" / "line").symlink_to(tmp_path / "other")
    (tmp_path / "run" / "line.new").symlink_to(tmp_path / "other")
    os.mkfifo(tmp_path / "state" / "line")
    os.mkfifo(tmp_path / "state" / "line.new")
    assert write_records(folders, "pinctrl-rp1", 22, active_high=True) == []
    for path in find_records(folders):
        assert fields(read_record(path)) == ("pinctrl-rp1", 22, True, 0)
    assert (tmp_path / "other").read_text() == "mine"


@pytest.mark.parametrize(
    "content",
    [b"", b"\n", b"pinctrl-rp1 17", b"pinctrl-rp1 17 hi", b"pinctrl-rp1 -1 high", "x ² high".encode(), b"x 17 high\ny"],
)
def test_a_record_that_is_not_whole_is_no_record(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "line").write_bytes(content)
    with pytest.raises(LastLineError, match="is not a record of a line; expected LABEL PIN"):
        read_record(f"{tmp_path}/line")


@pytest.mark.parametrize(("length", "is_read"), [(256, True), (257, False)])
def test_a_record_has_at_most_256_bytes(length: int, is_read: bool, tmp_path: Path) -> None:
    end = " 17 high\n"
    (tmp_path / "line").write_text("x" * (length - len(end)) + end)
    if is_read:
        assert read_record(f"{tmp_path}/line") is not None
    else:
        with pytest.raises(LastLineError, match="longer than 256 bytes"):
            read_record(f"{tmp_path}/line")


@pytest.mark.skipif(os.geteuid() != 0, reason="giving a link away takes root")
def test_a_folder_behind_a_link_is_entered_only_if_the_link_is_roots(tmp_path: Path) -> None:
    (tmp_path / "private").mkdir()
    (tmp_path / "private" / "line").write_text("pinctrl-rp1 17 high\n")
    link = tmp_path / "dumpload"
    link.symlink_to("private")
    assert read_record(f"{link}/line") is not None, "as the service manager has it for a user made up at the start"
    os.lchown(link, 1234, 1234)
    with pytest.raises(LastLineError, match="cannot be read"):
        read_record(f"{link}/line")


def test_outside_a_service_the_records_of_every_load_are_looked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("dumpload", "dumpload-heater", "dumploader", "sshd"):
        (tmp_path / name).mkdir()
    monkeypatch.setattr(last_line, "PARENTS", (str(tmp_path), str(tmp_path / "gone")))
    assert find_records({}) == [f"{tmp_path}/dumpload/line", f"{tmp_path}/dumpload-heater/line"]


def test_outside_a_service_nothing_is_recorded() -> None:
    assert write_records({}, "pinctrl-rp1", 17, active_high=True) == []
    remove_records({})


def test_a_runtime_folder_that_cannot_be_written_is_an_error_and_a_state_folder_a_warning(
    folders: dict[str, str], tmp_path: Path
) -> None:
    (tmp_path / "state").rmdir()
    (warning,) = write_records(folders, "pinctrl-rp1", 17, active_high=True)
    assert warning.startswith(f"{tmp_path}/state/line cannot be written (No such file or directory)")
    (tmp_path / "run" / "line").unlink()
    (tmp_path / "run").rmdir()
    with pytest.raises(LastLineError, match=r"line cannot be written \(No such file.*expected a RuntimeDirectory="):
        write_records(folders, "pinctrl-rp1", 17, active_high=True)
