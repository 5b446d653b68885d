"""What outlives a restart: a selector in off, a lockout and the day's on-time; never hand."""

import json
import os
import threading
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from waiting import eventually

from dumpload.core.controller import Lockout
from dumpload.core.window import LocalTime
from dumpload.daemon.state import LONGEST_DAY_S, SAVE_EVERY_S, SavedState, StateFile, carried_over

NOON = 1_750_075_200.0
MIDNIGHT = NOON - 43_200
DAY = 739_418


def state_file(folder: Path | str, troubles: list[str] | None = None) -> StateFile:
    return StateFile({"STATE_DIRECTORY": str(folder)}, ([] if troubles is None else troubles).append)


@pytest.mark.parametrize(
    "saved",
    [
        SavedState(selector_off=True),
        SavedState(lockout=Lockout.CONTACT_CLOSED),
        SavedState(day=DAY, on_time_s=1234.5, on=True, at=NOON),
    ],
)
def test_what_is_kept_is_read_back_after_a_restart(tmp_path: Path, saved: SavedState) -> None:
    first = state_file(tmp_path)
    assert first.read() == SavedState()
    first.keep(saved)
    assert first.flush(10)
    assert state_file(tmp_path).read() == saved


def test_back_to_auto_is_written_too(tmp_path: Path) -> None:
    one = state_file(tmp_path)
    for saved in (SavedState(selector_off=True), SavedState()):
        one.keep(saved)
        assert one.flush(10)
        assert state_file(tmp_path).read() == saved


def test_what_the_first_version_kept_is_read(tmp_path: Path) -> None:
    (tmp_path / "kept.json").write_text('{"selector_off": true, "lockout": "contact_closed"}')
    assert state_file(tmp_path).read() == SavedState(selector_off=True, lockout=Lockout.CONTACT_CLOSED)


# ---- what cannot be read as ours ----

OURS = {"selector_off": False, "lockout": "none", "day": DAY, "on_time_s": 5.0, "on": False, "at": NOON}


def huge(path: Path) -> None:
    path.touch()
    os.truncate(path, 10**11)


def a_pipe(path: Path) -> None:
    os.mkfifo(path)


def a_link_to_what_never_ends(path: Path) -> None:
    path.symlink_to("/dev/zero")


def a_link_to_a_good_one(path: Path) -> None:
    good = path.with_name("good.json")
    good.write_text(json.dumps(OURS))
    path.symlink_to(good)


@pytest.mark.parametrize(
    "spoil",
    [
        *(
            lambda path, text=text: path.write_text(text)
            for text in ["", "\0\0\0", "{", "[]", "null", "[" * 4000, '{"a":' * 900, " " * 5000 + json.dumps(OURS)]
        ),
        *(
            lambda path, wrong=wrong: path.write_text(json.dumps({**OURS, **wrong}))
            for wrong in [
                {"lockout": "x"},
                {"lockout": None},
                {"selector_off": 0},
                {"selector_off": "false"},
                {"on": None},
                {"day": 1.5},
                {"on_time_s": float("nan")},
                {"on_time_s": -1},
                {"on_time_s": 1e300},
                {"at": "noon"},
                {"more": 1},
            ]
        ),
        lambda path: path.write_text('{"selector_off": false}'),
        huge,
        a_pipe,
        a_link_to_what_never_ends,
        a_link_to_a_good_one,
        lambda path: path.mkdir(),
    ],
)
def test_what_cannot_be_read_is_off_and_said_and_the_next_word_of_a_person_mends_it(
    tmp_path: Path, spoil: Callable[[Path], object]
) -> None:
    """Nested deep, a pipe or huge, it kept the service from starting, for ever."""
    spoil(tmp_path / "kept.json")
    troubles: list[str] = []
    one = state_file(tmp_path, troubles)
    assert one.read() == SavedState(selector_off=True)
    assert "starts in off" in troubles[0]
    one.keep(SavedState(selector_off=False, at=1.0))
    assert one.flush(10)
    eventually(lambda: troubles[-1] == "", "that the fault is over")
    again: list[str] = []
    assert state_file(tmp_path, again).read() == SavedState(at=1.0)
    assert again == []


def test_off_after_what_could_not_be_read_is_written_too(tmp_path: Path) -> None:
    """It is what the program believes already; the file does not say so."""
    (tmp_path / "kept.json").write_text("?")
    one = state_file(tmp_path)
    one.keep(one.read())
    assert one.flush(10)
    assert state_file(tmp_path, troubles := []).read() == SavedState(selector_off=True)
    assert troubles == []


# ---- durable before it is confirmed ----


class SlowDisk:
    """An fsync that waits until it is let go."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.may_go, self.entered = threading.Event(), threading.Event()
        self.synced: list[str] = []
        fsync = os.fsync

        def slow(descriptor: int) -> None:
            self.entered.set()
            self.may_go.wait(30)
            self.synced.append(Path(f"/proc/self/fd/{descriptor}").readlink().name)
            fsync(descriptor)

        monkeypatch.setattr("os.fsync", slow)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> SlowDisk:
    return SlowDisk(monkeypatch)


def test_nothing_is_confirmed_before_the_disk_has_it_its_name_included(tmp_path: Path, disk: SlowDisk) -> None:
    one = state_file(tmp_path)
    confirmed: list[str] = []
    one.keep(SavedState(selector_off=True))
    one.when_durable(confirmed.append)
    assert disk.entered.wait(10)
    assert not one.flush(0.05)
    assert confirmed == []
    disk.may_go.set()
    assert one.flush(10)
    assert confirmed == [""]
    assert disk.synced == ["kept.new", tmp_path.name]


def test_what_came_during_a_sync_is_waited_for_too(tmp_path: Path, disk: SlowDisk) -> None:
    one = state_file(tmp_path)
    one.keep(SavedState(on_time_s=1.0))
    assert disk.entered.wait(10)
    one.keep(SavedState(selector_off=True))
    seen: list[SavedState] = []
    done = threading.Event()

    def confirm(_trouble: str) -> None:
        seen.append(state_file(tmp_path).read())
        done.set()

    one.when_durable(confirm)
    disk.may_go.set()
    assert done.wait(10)
    assert seen == [SavedState(selector_off=True)]


def test_back_and_forth_during_a_sync_ends_with_the_last_word(tmp_path: Path, disk: SlowDisk) -> None:
    """What is on the disk at the end must not be what was being written when the person changed her mind."""
    one = state_file(tmp_path)
    one.keep(SavedState(selector_off=True))
    assert disk.entered.wait(10)
    one.keep(SavedState())
    disk.may_go.set()
    assert one.flush(10)
    assert state_file(tmp_path).read() == SavedState()


def test_nothing_to_write_is_confirmed_at_once(tmp_path: Path) -> None:
    one = state_file(tmp_path)
    one.keep(SavedState())
    assert one.flush(0.0)
    assert not (tmp_path / "kept.json").exists()


def test_a_folder_that_cannot_be_written_is_said_to_whoever_waits_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dumpload.daemon.state.RETRY_S", 0.05)
    troubles: list[str] = []
    confirmed: list[str] = []
    one = state_file(tmp_path / "gone", troubles)
    one.keep(SavedState(selector_off=True))
    one.when_durable(confirmed.append)
    eventually(lambda: confirmed, "an answer")
    assert "not kept" in confirmed[0]
    assert not one.flush(10)
    (tmp_path / "gone").mkdir()
    eventually(lambda: troubles[-1] == "", "that the fault is over")
    assert state_file(tmp_path / "gone").read() == SavedState(selector_off=True)


def test_without_a_state_directory_nothing_is_kept() -> None:
    one = StateFile({}, [].append)
    one.keep(SavedState(selector_off=True))
    assert one.path is None
    assert one.flush(0.0)
    assert one.read() == SavedState()


# ---- the day's on-time over a restart ----


def at(wall: float, day: int = DAY, began_at: float = MIDNIGHT) -> LocalTime:
    return LocalTime(wall, True, began_at + 86_400, day, began_at, began_at + 86_400, began_at + 86_400)


OFF = SavedState(day=DAY, on_time_s=1000.0, at=NOON)
ON = OFF._replace(on=True)


@pytest.mark.parametrize(
    ("saved", "start", "expected"),
    [
        (SavedState(), at(NOON), (0.0, -1)),
        (OFF, at(NOON + 600), (1000.0, DAY)),
        (ON, at(NOON + 600), (1600.0, DAY)),
        (ON, at(NOON + 5), (1000.0 + SAVE_EVERY_S, DAY)),
        (OFF, at(NOON + 86_400, DAY + 1, MIDNIGHT + 86_400), (0.0, DAY + 1)),
        (ON, at(MIDNIGHT + 86_400 + 7200, DAY + 1, MIDNIGHT + 86_400), (7200.0, DAY + 1)),
        (OFF, at(NOON - 86_400, DAY - 1, MIDNIGHT - 86_400), (1000.0, DAY)),
        (ON, at(NOON - 86_400, DAY - 1, MIDNIGHT - 86_400), (1000.0 + SAVE_EVERY_S, DAY)),
        (OFF, at(NOON - 3600), (1000.0, DAY)),
        (ON._replace(on_time_s=40_000.0), at(NOON + 3600), (43_600.0, DAY)),
    ],
)
def test_a_program_that_died_while_on_counts_as_on_until_the_next_start(
    saved: SavedState, start: LocalTime, expected: tuple[float, int]
) -> None:
    assert carried_over(saved, start, start.wall) == expected


@given(st.floats(0, LONGEST_DAY_S), st.booleans(), st.floats(MIDNIGHT, MIDNIGHT + 86_400), st.floats(0, 86_399))
def test_a_restart_on_the_same_day_never_renews_the_budget(
    on_time_s: float, on: bool, saved_at: float, s: float
) -> None:
    on_time_s = min(on_time_s, saved_at - MIDNIGHT)
    start = at(max(saved_at, MIDNIGHT + s))
    carried_s, day = carried_over(SavedState(day=DAY, on_time_s=on_time_s, on=on, at=saved_at), start, start.wall)
    assert day == DAY
    assert on_time_s <= carried_s <= start.wall - MIDNIGHT


def test_a_day_is_carried_over_one_start_with_a_clock_that_is_not_set_and_not_over_ever_more_of_them() -> None:
    """On a boat without a network each start is in 1970: its on-times must not add up to one day for ever."""
    new_year_1970 = date(1970, 1, 1).toordinal()
    unset = at(40.0, new_year_1970, 0.0)
    saved = SavedState(day=DAY, on_time_s=1000.0, at=NOON)
    on_time_s, day = carried_over(saved, unset, 40.0)
    assert (on_time_s, day) == (1000.0, DAY)
    again = SavedState(day=day, on_time_s=on_time_s + 600.0, at=700.0)  # saved by that run, whose clock was never set
    assert carried_over(again, unset, 40.0) == (40.0, new_year_1970)
