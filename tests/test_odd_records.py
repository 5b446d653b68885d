"""Odd records end in a figure or in one line of words: never in a traceback, and never without end."""

import gzip
import json
import os
import random
import sqlite3
import struct
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

import odd_histories
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from odd_histories import row, usual
from tables import table
from world import NOON

from dumpload.cli.commands import main
from dumpload.history.schema import RowKind

SETTINGS = """\
[telemetry.state_of_charge]
topic = "barge/bank/charge"
unknown = [255]
[telemetry.battery_voltage]
topic = "barge/bank/voltage"
[permissive]
voltage_cut_out = 25.5
voltage_cut_in = 26.0
timezone = "Europe/London"
[relay]
pin = 17
pin_factory = "mock"
[load]
rated_w = 300
rated_v = 24
"""
HEAD = "time,state_of_charge\n"


class Ended(NamedTuple):
    code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        return json.loads(self.out)


Run = Callable[..., Ended]


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command in this process: a fault of ours would be raised here."""
    (tmp_path / "barge.toml").write_text(SETTINGS)

    def command(name: str, *arguments: str) -> Ended:
        code = main([name, *arguments, "--config", str(tmp_path / "barge.toml")])
        return Ended(code, *capsys.readouterr())

    return command


def is_one_line(ended: Ended) -> bool:
    reason, *rest = ended.err.splitlines()
    is_alone = all(line.startswith("try: dumpload ") for line in rest)
    return (
        ended.code == 2
        and bool(reason)
        and is_alone
        and "expected" in ended.err
        and ended.err.replace("\n", "").isprintable()
    )


# Files


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"\n" * 3_000_000, "the file is empty"),
        (gzip.compress(b"\n" * 3_000_000), "the file is empty"),
        (gzip.compress(b""), "the file is empty"),
        (b"\x1f\x8b", "expected a whole gzip file"),
        (b"\0" * 100_000, "NUL bytes"),
        (bytes(range(256)) * 400, "expected"),
        (b"time,state_of_charge\r", "at least one row"),
        (b"x" * 3_000_000, "none longer than 1048576 bytes"),
        (b"PAR1", "Parquet"),
        (b"PAR1" + b"\xff" * 1000 + b"PAR1", "Parquet"),
        (b"SQLite format 3\0", "expected a history database"),
        (b"SQLite format 3\0" + b"\xff" * 5000, "expected a history database"),
        (b"{" * 200_000 + b"\n", "expected JSON"),
    ],
    ids=["nothing", "blank lines", "gzipped blank lines", "gzipped nothing", "gzip mark", "NUL", "binary", "header CR",
         "one line", "short Parquet", "no Parquet", "short history", "no history", "deep JSON"],
)  # fmt: skip
def test_a_file_that_is_no_record_is_refused_in_one_line(run: Run, tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "log").write_bytes(content)
    ended = run("replay", str(tmp_path / "log"))
    assert is_one_line(ended)
    assert words in ended.err


@pytest.mark.parametrize("command", [("replay",), ("report", "--history")], ids=["replay", "report"])
@pytest.mark.parametrize("kind", ["folder", "pipe", "device", "name", "none", "bytes"])
def test_what_is_no_plain_file_is_refused_in_one_line(
    run: Run, tmp_path: Path, command: tuple[str, ...], kind: str
) -> None:
    os.mkfifo(tmp_path / "pipe")
    path = {
        "folder": str(tmp_path),
        "pipe": str(tmp_path / "pipe"),
        "device": "/dev/zero",
        "name": str(tmp_path / ("x" * 300)),
        "none": str(tmp_path / "none"),
        "bytes": os.fsdecode(bytes(tmp_path) + b"/\x1b[2J\xff"),
    }[kind]
    ended = run(*command, path)
    assert is_one_line(ended)


# Rows of a table


def test_a_table_of_cr_lines_is_read(run: Run, tmp_path: Path) -> None:
    (tmp_path / "log").write_text(HEAD.strip() + "\r1750075200,97\r1750075205,98\r", newline="")
    assert run("replay", str(tmp_path / "log"), "--json").document["rows"] == 2


@pytest.mark.parametrize(
    "bad",
    ["0001-01-01T00:00:00Z,97", "9999-12-31T23:59:59Z,97", "9999-12-31T23:59:59-14:00,97", "1960-01-01T00:00:00Z,97",
     "2025-06-16T12:00:01Z,9\0", "2025-06-16T12:00:01Z,9\r7", "1" * 2_000_000, "\x1b[2J,97", '"\x07",97'],
    ids=["year 1", "year 9999", "beyond 9999", "1960", "NUL", "CR", "long", "escape", "bell"],
)  # fmt: skip
def test_a_bad_row_is_named_by_its_number_and_the_rest_is_read(run: Run, tmp_path: Path, bad: str) -> None:
    rows = ["2025-06-16T12:00:00Z,97", bad, "2025-06-16T12:00:02Z,98"]
    (tmp_path / "log").write_text(HEAD + "\n".join(rows) + "\n", newline="")
    ended = run("replay", str(tmp_path / "log"), "--json")
    assert (ended.code, ended.document["rows"], ended.document["dropped"]) == (0, 2, 1)
    assert "line 3" in ended.document["bad_rows"][0]
    shown = run("replay", str(tmp_path / "log"))
    assert all(line.isprintable() for line in shown.out.splitlines())


@pytest.mark.parametrize("report", [False, True], ids=["alone", "with a page"])
def test_a_first_row_of_1970_is_refused_in_words(run: Run, tmp_path: Path, report: bool) -> None:
    (tmp_path / "log").write_text(HEAD + "0,97\n1750075200,97\n")
    ended = run("replay", str(tmp_path / "log"), *(["--report", str(tmp_path / "page.html")] if report else []))
    assert is_one_line(ended)
    assert "a record of at most 40 years; this is one from 1970-01-01T00:00:00.000Z to 2025-06-16" in ended.err


def test_a_record_of_39_years_is_played(run: Run, tmp_path: Path) -> None:
    (tmp_path / "log").write_text(HEAD + "0,97\n1230768000,97\n")  # to 2009
    assert run("replay", str(tmp_path / "log"), "--json").document["rows"] == 2


@pytest.mark.parametrize("year", [1970, 2199])
def test_a_record_at_the_ends_of_time_is_played_in_any_zone(run: Run, tmp_path: Path, year: int) -> None:
    (tmp_path / "log").write_text(HEAD + f"{year}-01-01T00:00:00Z,97\n{year}-12-31T23:59:59Z,97\n")
    for zone in ("Pacific/Kiritimati", "Pacific/Pago_Pago", "UTC"):
        page = ("--report", str(tmp_path / "page.html"))
        ended = run("replay", str(tmp_path / "log"), "--json", "--set", f"permissive.timezone={zone}", *page)
        assert ended.document["rows"] == 2


# Histories


def both(run: Run, path: Path) -> Iterator[Ended]:
    yield run("replay", str(path), "--json")
    yield run("report", "--history", str(path), "--json")


ODD: dict[str, Any] = {
    "NULL": None, "text": "abc", "long text": "x" * 100_000, "bytes": b"\xff\0", "infinite": float("inf"),
    "minus infinite": float("-inf"), "huge": 1e300, "far": 1e12, "whole huge": 2**62, "negative": -7, "half": 1.5,
    "escape": "\x1b[2J",
}  # fmt: skip
ENDLESS = """CREATE VIEW record AS
    WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n)
    SELECT 1 AS boot, i AS sequence, 0 AS wall, 2 AS kind, i AS t, i AS stamp, i AS until, 0 AS signal, 0 AS value,
        0 AS cause, '' AS text FROM n"""
DEEP = '{"selector":' + "[" * 50_000 + "]" * 50_000 + "}"


@pytest.mark.parametrize("number", range(15), ids=[RowKind(one["kind"]).name for one in usual()])
def test_anything_in_any_column_of_a_history_is_dropped_or_taken(run: Run, tmp_path: Path, number: int) -> None:
    """And the rest is read, whatever the row; a row that is dropped is named by its number."""
    for column in odd_histories.COLUMNS[1:]:
        rows = usual()
        spoilt = [{**rows[number], "sequence": 2 + place, column: value} for place, value in enumerate(ODD.values())]
        later = [{**one, "sequence": one["sequence"] + len(spoilt)} for one in rows[2:]]
        path = odd_histories.write(tmp_path / "log", [*rows[:2], *spoilt, *later])
        for ended in both(run, path):
            assert ended.code == 0, (column, ended.err)
            document = ended.document
            assert document["rows"] + document["dropped"] == len(rows) + len(spoilt)
            assert document["dropped"] <= len(spoilt)
            for bad in document["bad_rows"]:
                assert 3 <= int(bad.split(", row ")[1].split(":")[0]) < 3 + len(spoilt), (column, bad)
        shown = run("report", "--history", str(path)).out
        assert all(line.isprintable() for line in shown.splitlines()), column
        path.unlink()


@pytest.mark.parametrize("value", ODD.values(), ids=ODD)
def test_a_sequence_may_be_anything_and_the_reading_ends(run: Run, tmp_path: Path, value: Any) -> None:
    rows = usual()
    rows[5]["sequence"] = value
    for ended in both(run, odd_histories.write(tmp_path / "log", rows)):
        assert ended.code == 0
        assert ended.document["rows"] >= len(rows) - 1


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"until": 5.0}, "an end (until) that is not before the begin (stamp)"),
        ({"value": 101.0}, "a value within its signal's range"),
        ({"signal": 77}, "a signal from 0 to "),
        ({"kind": 99}, "a kind from 0 to 16"),
        ({"wall": -1.0}, "a time from 1970 to 2200"),
        ({"wall": None}, "numbers as wall, t, stamp, until and value"),
        ({"t": 1e10, "stamp": 1e10, "until": 1e10}, "t, stamp and until within 40 years"),
        ({"kind": int(RowKind.SELECT), "value": 3.0}, "a value of select, not 3"),
        ({"kind": int(RowKind.FEEDBACK), "value": 7.0}, "a value of feedback, not 7"),
        ({"kind": int(RowKind.CHANGE), "value": 2.0}, "a value of change, not 2"),
        ({"kind": int(RowKind.CHANGE), "value": 1.0, "cause": 99}, "a cause from 0 to "),
        ({"kind": int(RowKind.CLOCK), "value": float("inf")}, "a value that is finite"),
    ],
)
def test_a_row_that_no_daemon_writes_is_said_to_be_none(
    run: Run, tmp_path: Path, fields: dict[str, Any], expected: str
) -> None:
    rows = [*usual()[:2], {**row(2, RowKind.SAMPLE), **fields}, row(3, RowKind.SAMPLE)]
    path = odd_histories.write(tmp_path / "log", rows)
    for ended in both(run, path):
        document = ended.document
        assert (ended.code, document["rows"], document["dropped"]) == (0, 3, 1)
        assert f"row 3: expected {expected}" in document["bad_rows"][0]


@pytest.mark.parametrize("kind", [RowKind.START, RowKind.CHANGE, RowKind.GAP, RowKind.SETTINGS])
@pytest.mark.parametrize("text", [DEEP, "[" * 60_000, '{"selector": 1e999, "relay": {}}', "1" * 60_000, "\ud83d"])
def test_any_text_is_read_as_the_settings_of_a_start(run: Run, tmp_path: Path, kind: RowKind, text: str) -> None:
    text = text.encode("utf-8", "replace").decode()
    rows = [*usual()[:2], row(2, kind, value=1.0, text=text), row(3, RowKind.SAMPLE)]
    for ended in both(run, odd_histories.write(tmp_path / "log", rows)):
        assert (ended.code, ended.document["rows"]) == (0, 4)


@pytest.mark.parametrize(
    ("statements", "words"),
    [
        (("DROP TABLE record",), "the tables boots and record"),
        (("DROP TABLE boots",), "the tables boots and record"),
        (("ALTER TABLE record RENAME TO old", "CREATE VIEW record AS SELECT * FROM old"), "a view is none"),
        (
            (
                "DROP TABLE record",
                ENDLESS,
            ),
            "a view is none",
        ),
        (("ALTER TABLE record RENAME COLUMN t TO u",), "expected a history database that can be read"),
        (("PRAGMA application_id = 1",), "found mark and schema"),
        (("PRAGMA user_version = 77",), "found mark and schema"),
    ],
    ids=["no record", "no boots", "a view", "an endless view", "a column less", "another's", "later"],
)
def test_a_database_that_is_no_history_is_refused_in_one_line(
    run: Run, tmp_path: Path, statements: tuple[str, ...], words: str
) -> None:
    path = odd_histories.write(tmp_path / "log", usual(), *statements)
    for command in (["replay", str(path)], ["report", "--history", str(path)]):
        ended = run(*command)
        assert is_one_line(ended)
        assert words in ended.err


def test_a_trigger_is_never_pulled(run: Run, tmp_path: Path) -> None:
    pulled = "CREATE TRIGGER pulled AFTER INSERT ON record BEGIN DELETE FROM record; END"
    before = usual()
    path = odd_histories.write(tmp_path / "log", before, pulled)
    for ended in both(run, path):
        assert ended.document["rows"] == len(before)
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("SELECT count(*) FROM record").fetchone() == (len(before),)


def test_rows_of_all_one_sequence_end(run: Run, tmp_path: Path) -> None:
    rows = [*usual()[:1], *(row(number, RowKind.SAMPLE, sequence=7) for number in range(1, 20))]
    for ended in both(run, odd_histories.write(tmp_path / "log", rows)):
        assert ended.code == 0


def test_a_start_with_the_clock_of_1970_that_was_set_later_is_read_whole(run: Run, tmp_path: Path) -> None:
    """A board without a clock: the network brings the time, and the clock is stepped by 55 years."""
    rows = [{**one, "wall": one["t"]} for one in usual()[:2]]
    rows += [row(2, RowKind.CLOCK, signal=-1, value=NOON), row(3, RowKind.SAMPLE)]
    later = "INSERT INTO record SELECT 2, sequence, wall + 1000, kind, t, stamp, until, signal, value, cause, text"
    path = odd_histories.write(
        tmp_path / "log",
        rows,
        "INSERT INTO boots VALUES (2, 'b2', 0, 0, '')",
        f"{later} FROM record WHERE sequence = 3",
    )
    for ended in both(run, path):
        assert (ended.code, ended.document["rows"], ended.document["dropped"]) == (0, 5, 0)


def test_a_clock_that_was_never_set_leaves_rows_of_two_ages_and_the_rest_is_read(run: Run, tmp_path: Path) -> None:
    rows = [{**one, "wall": one["t"]} for one in usual()[:2]]
    later = "INSERT INTO record SELECT 2, sequence, 1750075200, kind, t, stamp, until, signal, value, cause, text"
    path = odd_histories.write(
        tmp_path / "log",
        rows,
        "INSERT INTO boots VALUES (2, 'b2', 0, 0, '')",
        f"{later} FROM record WHERE sequence = 1",
    )
    for ended in both(run, path):
        assert (ended.code, ended.document["dropped"]) == (0, 1)
        assert "row 3: expected a time within 40 years of the first row" in ended.document["bad_rows"][0]


# Anything at all


def mutated(draw: random.Random, data: bytes) -> bytes:
    """Return data with some of it changed, cut, doubled, or put elsewhere."""
    found = bytearray(data)
    for _ in range(draw.randrange(1, 12)):
        begin = draw.randrange(len(found) + 1)
        end = min(len(found), begin + draw.choice([1, 1, 2, 8, 100]))
        change = draw.randrange(6)
        if change == 0:
            found[begin:end] = bytes(draw.randrange(256) for _ in range(end - begin))
        elif change == 1:
            del found[begin:end]
        elif change == 2:
            found[begin:begin] = found[begin:end] * draw.choice([1, 3, 50])
        elif change == 3:
            words = [b"", b"nan", b"-1", b"1e999", b'"', b"\0", b"\r", b"\n", b",", b"\xff", b"9" * 40, b"\x1b[2J"]
            found[begin:begin] = draw.choice(words)
        elif change == 4:
            found[begin:end] = struct.pack("<d", draw.choice([1e308, float("inf"), float("nan"), -1.0, 0.0]))[
                : end - begin
            ]
        else:
            found = found[:begin] if draw.random() < 0.2 else found
    return bytes(found)


def of_kind(kind: str, seed: int, folder: Path) -> bytes:
    if kind == "table":
        return table(seed).encode()
    if kind == "capture":
        rows = ({"time": NOON + t, "topic": "barge/bank/charge", "payload": f"{90 + t % 9}"} for t in range(40))
        return "".join(json.dumps(one) + "\n" for one in rows).encode()
    path = folder / "whole"
    path.unlink(missing_ok=True)
    return odd_histories.write(path, usual() * 1).read_bytes()


def attack(kind: str, seed: int, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "barge.toml").write_text(SETTINGS)
    path = folder / "log"
    path.write_bytes(mutated(random.Random(seed), of_kind(kind, seed, folder)))  # noqa: S311
    more = ["--report", str(folder / "page.html")] if seed % 5 == 0 else []
    commands = [["replay", str(path), *more]]
    if kind == "history":
        commands.append(["report", "--history", str(path), *more])
    for command in commands:
        code = main([*command, "--config", str(folder / "barge.toml")])
        out, err = capsys.readouterr()
        assert code in (0, 1, 2)
        assert len([line for line in err.splitlines() if not line.startswith("try: dumpload ")]) == (code == 2)
        assert all(line.isprintable() for line in (out + err).splitlines())


@pytest.mark.parametrize("kind", ["table", "capture", "history"])
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32))
def test_a_spoilt_record_ends_in_0_1_or_2(
    kind: str, seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    attack(kind, seed, tmp_path, capsys)


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("kind", ["table", "capture", "history"])
def test_hundreds_of_spoilt_records_end_in_0_1_or_2(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for seed in range(300):
        attack(kind, seed, tmp_path, capsys)


@pytest.mark.parametrize("seed", range(20))
def test_a_spoilt_parquet_file_ends_in_0_1_or_2(tmp_path: Path, capsys: pytest.CaptureFixture[str], seed: int) -> None:
    pa = pytest.importorskip("pyarrow")
    from pyarrow import parquet

    times = pa.array([round(NOON + t) * 1_000_000 for t in range(500)], pa.int64()).cast(pa.timestamp("us", "UTC"))
    parquet.write_table(pa.table({"time": times, "state_of_charge": [97.0] * 500}), tmp_path / "log")
    whole = (tmp_path / "log").read_bytes()
    (tmp_path / "log").write_bytes(b"PAR1" + mutated(random.Random(seed), whole[4:]))  # noqa: S311
    (tmp_path / "barge.toml").write_text(SETTINGS)
    assert main(["replay", str(tmp_path / "log"), "--config", str(tmp_path / "barge.toml")]) in (0, 1, 2)
    assert "Traceback" not in capsys.readouterr().err
    assert "pyarrow" in sys.modules
