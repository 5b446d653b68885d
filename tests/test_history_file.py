"""The history's file: made, brought up to date, moved aside when it is no good, and kept small."""

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from histories import (
    DAY_S,
    LIMITS,
    NOON,
    batch,
    change,
    fill,
    is_whole,
    look,
    open_file,
    rows,
    sample,
    sequences,
    start,
)

from dumpload.history import file as history_file
from dumpload.history.file import (
    RESERVE_BYTES,
    DamagedError,
    ForeignError,
    HistoryFile,
    NewerError,
    count_outdated,
    is_passing,
    migrate,
    set_aside,
    why_useless,
)
from dumpload.history.schema import APPLICATION_ID, MIGRATIONS


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite3"


# ---- writing ----


def test_a_new_file_begins_with_the_start(path: Path) -> None:
    file = open_file(path)
    assert file.is_new
    file.close()
    assert sequences(path) == [("b1", 0)]
    assert look(path, "PRAGMA journal_mode") == "delete"


def test_opening_it_again_in_the_same_start_adds_nothing(path: Path) -> None:
    fill(path, [sample(16)])
    file = open_file(path)
    assert not file.is_new
    file.close()
    assert sequences(path) == [("b1", 0), ("b1", 16)]


def test_a_row_that_is_written_twice_is_there_once(path: Path) -> None:
    """A commit whose answer got lost is tried again."""
    fill(path, [sample(16), change(17)])
    fill(path, [sample(16, 12.0), change(17), change(18)])
    assert sequences(path) == [("b1", 0), ("b1", 16), ("b1", 17), ("b1", 18)]
    assert rows(path)[1].value == 98.0


def test_two_starts_that_drew_the_same_identifier_stay_apart(path: Path) -> None:
    for wall in (NOON, NOON + 60):
        file = open_file(path, start("b1", wall))
        file.write(batch(sample(16, wall=wall)), durable=True)
        file.close()
    assert [row.wall for row in rows(path)] == [NOON, NOON, NOON + 60, NOON + 60]


def test_only_the_end_of_a_run_moves(path: Path) -> None:
    file = open_file(path)
    file.write(batch(sample(16, t=5.0), extended={16: 8.0}), durable=False)
    file.write(batch(extended={16: 11.0, 999: 1.0}), durable=False)
    file.close()
    assert [(row.value, row.t, row.stamp, row.until) for row in rows(path)[1:]] == [(98.0, 5.0, 5.0, 11.0)]


def test_a_batch_is_written_whole_or_not_at_all(path: Path) -> None:
    file = open_file(path)
    with pytest.raises(OverflowError):
        file.write(batch(change(16), sample(2**70)), durable=True)
    file.write(batch(change(17)), durable=True)
    file.close()
    assert sequences(path) == [("b1", 0), ("b1", 17)]


def test_it_notices_that_it_was_moved_or_deleted(path: Path) -> None:
    file = open_file(path)
    assert file.is_in_place()
    path.rename(path.with_suffix(".old"))
    assert not file.is_in_place()
    path.write_bytes(b"")
    assert not file.is_in_place()
    file.close()


# ---- schema ----

WITH_NOTE = (*MIGRATIONS, ("ALTER TABLE record ADD COLUMN note TEXT NOT NULL DEFAULT 'old'", "CREATE TABLE more (x)"))


def test_a_new_file_has_the_last_schema(path: Path) -> None:
    open_file(path).close()
    assert look(path, "PRAGMA user_version") == len(MIGRATIONS)
    assert look(path, "PRAGMA application_id") == APPLICATION_ID


def connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, isolation_level=None)


def test_an_older_file_is_brought_up_to_date_and_keeps_its_rows(path: Path) -> None:
    """No second schema exists yet: this one is made up, and goes the way that a real one will."""
    fill(path, [sample(16)])
    database = connect(path)
    database.execute("BEGIN IMMEDIATE")
    migrate(database, WITH_NOTE)
    database.execute("COMMIT")
    migrate(database, WITH_NOTE)
    assert database.execute("SELECT sequence, note FROM record").fetchall() == [(0, "old"), (16, "old")]
    assert database.execute("PRAGMA user_version").fetchone() == (2,)
    database.close()


def test_a_new_file_goes_through_every_migration(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(history_file, "MIGRATIONS", WITH_NOTE)
    fresh = path.with_name("fresh.sqlite3")
    open_file(fresh).close()
    assert look(fresh, "PRAGMA user_version") == 2
    assert look(fresh, "SELECT count(*) FROM more") == 0


def test_a_migration_that_fails_changes_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(path, [sample(16)])
    broken = (*MIGRATIONS, (*WITH_NOTE[1], "INSERT INTO nowhere VALUES (1)"))
    monkeypatch.setattr(history_file, "MIGRATIONS", broken)
    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        open_file(path)
    assert look(path, "PRAGMA user_version") == 1
    assert look(path, "SELECT count(*) FROM sqlite_master WHERE name = 'more'") == 0
    monkeypatch.undo()
    assert sequences(path) == [("b1", 0), ("b1", 16)]


def test_a_newer_file_is_not_touched(path: Path) -> None:
    fill(path, [sample(16)])
    database = connect(path)
    database.execute("PRAGMA user_version = 99")
    database.close()
    before = path.read_bytes()
    with pytest.raises(NewerError, match="schema 99 is newer than 1") as caught:
        open_file(path)
    assert path.read_bytes() == before
    assert why_useless(caught.value) == "newer"


def test_another_programs_database_is_left_alone(path: Path) -> None:
    database = connect(path)
    database.execute("CREATE TABLE songs (title)")
    database.close()
    before = path.read_bytes()
    with pytest.raises(ForeignError, match="another program's database") as caught:
        open_file(path)
    assert path.read_bytes() == before
    assert why_useless(caught.value) == ""
    assert is_passing(caught.value)


def test_an_empty_file_is_a_new_one(path: Path) -> None:
    path.write_bytes(b"")
    file = open_file(path)
    assert file.is_new
    file.close()
    assert sequences(path) == [("b1", 0)]


# ---- damage ----


def overwrite(path: Path, offset: int, data: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(offset)
        file.write(data)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda path: path.write_bytes(b"\0" * path.stat().st_size),
        lambda path: overwrite(path, 0, b"garbage garbage "),
        lambda path: overwrite(path, 0, b"\0" * 100),
        lambda path: overwrite(path, 4096, b"\xa5" * 40_960),
        lambda path: overwrite(path, path.stat().st_size // 2, b"\0" * 40_960),
        lambda path: path.write_bytes(path.read_bytes()[: path.stat().st_size // 2]),
        lambda path: path.write_bytes(path.read_bytes()[:100]),
        lambda path: path.write_text("no database at all\n" * 999),
    ],
)
def test_damage_is_found_at_the_start(path: Path, spoil: Callable[[Path], object]) -> None:
    fill(path, [sample(number) for number in range(16, 9000)])
    spoil(path)
    with pytest.raises((sqlite3.DatabaseError, DamagedError)) as caught:
        open_file(path)
    assert why_useless(caught.value) == "damaged"


def test_without_the_check_only_an_obvious_damage_is_found(path: Path) -> None:
    fill(path, [sample(number) for number in range(16, 9000)])
    overwrite(path, path.stat().st_size // 2, b"\0" * 40_960)
    open_file(path, check=False).close()


@pytest.mark.parametrize(
    ("code", "word"),
    [
        (sqlite3.SQLITE_CORRUPT, "damaged"),
        (sqlite3.SQLITE_CORRUPT | 1 << 8, "damaged"),
        (sqlite3.SQLITE_NOTADB, "damaged"),
        (sqlite3.SQLITE_IOERR_READ, "damaged"),
        (sqlite3.SQLITE_IOERR_SHORT_READ, "damaged"),
        (sqlite3.SQLITE_IOERR_WRITE, ""),
        (sqlite3.SQLITE_IOERR_FSYNC, ""),
        (sqlite3.SQLITE_FULL, ""),
        (sqlite3.SQLITE_BUSY, ""),
        (sqlite3.SQLITE_READONLY, ""),
        (sqlite3.SQLITE_CANTOPEN, ""),
    ],
)
def test_which_errors_mean_that_the_file_is_no_good(code: int, word: str) -> None:
    error = sqlite3.OperationalError("x")
    error.sqlite_errorcode = code
    assert why_useless(error) == word
    assert is_passing(error)


@pytest.mark.parametrize(
    "error", [sqlite3.ProgrammingError("x"), OverflowError("x"), UnicodeError("x"), TypeError("x")]
)
def test_which_errors_mean_that_the_rows_are_no_good(error: Exception) -> None:
    assert not is_passing(error)
    assert why_useless(error) == ""


def test_a_file_goes_aside_with_its_log(path: Path) -> None:
    for end in ("", "-journal", "-wal", "-shm"):
        Path(f"{path}{end}").write_text(end)
    aside = set_aside(path, "damaged", NOON)
    assert aside.name == "history.sqlite3.damaged-20250616T120000Z"
    assert [Path(f"{aside}{end}").read_text() for end in ("", "-journal")] == ["", "-journal"]
    assert len(list(path.parent.iterdir())) == 4


def test_nothing_is_ever_overwritten_by_a_file_that_goes_aside(path: Path) -> None:
    names = set()
    for number in range(3):
        path.write_text(str(number))
        names.add(set_aside(path, "damaged", NOON))
    assert sorted(name.read_text() for name in names) == ["0", "1", "2"]


def test_a_log_without_its_database_is_moved_too(path: Path) -> None:
    """The power went between two renames."""
    Path(f"{path}-journal").write_text("rows")
    aside = set_aside(path, "damaged", NOON)
    assert Path(f"{aside}-journal").read_text() == "rows"


# ---- size ----


def days_ago(days: float) -> float:
    return NOON - days * DAY_S


def test_what_is_too_old_goes_in_small_batches(path: Path) -> None:
    old = [sample(number, wall=days_ago(400 - number / 1000)) for number in range(16, 1016)]
    fill(path, [*old, sample(1016, wall=days_ago(364)), sample(1017)])
    file = open_file(path, start("b2"))
    left = []
    for number in range(16, 26):
        file.write(batch(sample(number)), durable=False)
        left.append(look(path, "SELECT count(*) FROM record WHERE sequence BETWEEN 16 AND 1015 AND boot = 1"))
    file.close()
    assert left[0] >= 800, "not all at once"
    assert left[-1] == 0
    assert sequences(path)[:3] == [("b1", 1016), ("b1", 1017), ("b2", 0)]


@pytest.mark.parametrize(
    ("outdated", "count"),
    [("", 0), ("....", 0), ("oooo", 4), ("oo..", 2), (".ooo", 4), (".oo..", 0), ("...o", 0), (".ooo.", 4), ("o.o.", 1)],
)
def test_a_row_under_a_wrong_clock_neither_keeps_nor_takes_its_neighbours(outdated: str, count: int) -> None:
    assert count_outdated([letter == "o" for letter in outdated]) == count


def test_a_start_whose_rows_are_all_gone_goes_too(path: Path) -> None:
    file = open_file(path, start("b1", days_ago(500)))
    file.close()
    fill(path, [sample(16)], "b2")
    file = open_file(path, start("b3"))
    file.write(batch(sample(16)), durable=False)
    file.write(batch(sample(17)), durable=False)
    file.close()
    assert look(path, "SELECT group_concat(boot_id) FROM boots") == "b2,b3"


def test_a_relay_change_is_not_held_up_by_tidying(path: Path) -> None:
    fill(path, [sample(16, wall=days_ago(500))])
    file = open_file(path, start("b2"))
    file.write(batch(change(16)), durable=True)
    file.close()
    assert ("b1", 16) in sequences(path)


def test_a_clock_that_is_years_ahead_for_an_hour_costs_little(path: Path) -> None:
    fill(path, [sample(number) for number in range(16, 20_016)])
    file = open_file(path, start("b2"), wall=NOON + 9999 * DAY_S)
    for minute in range(60):
        file.write(batch(sample(16 + minute)), durable=False)
    file.close()
    assert len(sequences(path)) > 8000


def test_the_size_limit_is_kept_whatever_the_age(path: Path) -> None:
    limits = LIMITS._replace(max_bytes=RESERVE_BYTES + 1_000_000)
    file = open_file(path, limits=limits)
    number = 16
    sizes = []
    for _batch in range(300):
        file.write(batch(*(sample(number + more) for more in range(200))), durable=False)
        number += 200
        sizes.append(path.stat().st_size + Path(f"{path}-journal").stat().st_size)
    assert max(sizes) < limits.max_bytes
    file.close()
    kept = [row.sequence for row in rows(path)]
    assert kept == list(range(kept[0], number)), "the newest are all there, without a hole"
    assert 20_000 < len(kept) < 40_000
    assert is_whole(path)


def test_a_file_shrinks_when_the_limit_is_lowered(path: Path) -> None:
    fill(path, [sample(number) for number in range(16, 40_016)])
    large = path.stat().st_size
    assert large > 1_000_000
    file = open_file(path, start("b2"), LIMITS._replace(max_bytes=RESERVE_BYTES + 500_000))
    for number in range(16, 400):
        file.write(batch(sample(number)), durable=False)
    file.close()
    assert path.stat().st_size < 800_000
    assert is_whole(path)


def test_what_failed_to_open_is_closed(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else it would hold locks, and a warning would be raised (an error here)."""
    path.write_bytes(b"\0" * 5000)
    for _ in range(3):
        with pytest.raises(sqlite3.DatabaseError):
            HistoryFile(path, start(), LIMITS, check=True, wall=lambda: NOON)
    monkeypatch.undo()
