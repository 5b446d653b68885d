"""What outlives a restart: a selector in off and a lockout; never hand."""

import threading
from pathlib import Path

import pytest

from dumpload.core.controller import Lockout
from dumpload.io.kept import Keeper, Kept


def keeper(folder: Path | str, troubles: list[str] | None = None) -> Keeper:
    return Keeper({"STATE_DIRECTORY": str(folder)}, ([] if troubles is None else troubles).append)


def wait_until_written(path: Path, text: str) -> None:
    for _ in range(500):
        if path.exists() and text in path.read_text():
            return
        threading.Event().wait(0.01)
    pytest.fail(f"{path} was not written")


@pytest.mark.parametrize("kept", [Kept(selector_off=True), Kept(False, Lockout.CONTACT_CLOSED)])
def test_what_is_kept_is_read_back_after_a_restart(tmp_path: Path, kept: Kept) -> None:
    first = keeper(tmp_path)
    assert first.read() == Kept()
    first.keep(kept)
    wait_until_written(tmp_path / "kept.json", kept.lockout.name.lower())
    assert keeper(tmp_path).read() == kept


def test_back_to_auto_is_written_too(tmp_path: Path) -> None:
    one = keeper(tmp_path)
    one.keep(Kept(selector_off=True))
    wait_until_written(tmp_path / "kept.json", "true")
    one.keep(Kept())
    wait_until_written(tmp_path / "kept.json", "false")
    assert keeper(tmp_path).read() == Kept()


@pytest.mark.parametrize(
    "text", ["", "\0\0\0", "{", "[]", "null", '{"selector_off": false}', '{"selector_off": false, "lockout": "x"}']
)
def test_what_cannot_be_read_counts_as_off_and_is_said(tmp_path: Path, text: str) -> None:
    (tmp_path / "kept.json").write_text(text)
    troubles: list[str] = []
    assert keeper(tmp_path, troubles).read() == Kept(selector_off=True)
    assert "starts in off" in troubles[0]


def test_nothing_new_is_not_written_again(tmp_path: Path) -> None:
    one = keeper(tmp_path)
    one.keep(Kept())
    threading.Event().wait(0.1)
    assert not (tmp_path / "kept.json").exists()


def test_a_folder_that_cannot_be_written_is_said_and_harms_nobody(tmp_path: Path) -> None:
    said = threading.Event()
    troubles: list[str] = []

    def told(trouble: str) -> None:
        troubles.append(trouble)
        said.set()

    Keeper({"STATE_DIRECTORY": str(tmp_path / "gone")}, told).keep(Kept(selector_off=True))
    assert said.wait(5)
    assert "not kept" in troubles[0]


def test_without_a_state_directory_nothing_is_kept() -> None:
    one = Keeper({}, [].append)
    one.keep(Kept(selector_off=True))
    assert one.path is None
    assert one.read() == Kept()
