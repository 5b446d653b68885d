"""Tables: what is read, what is tolerated, what is refused."""

import csv
import gzip
import io
import math
import random
import tracemalloc
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import NOON

from dumpload.core.signals import Signal
from dumpload.records.cells import CellParser
from dumpload.records.csv import CsvRecord
from dumpload.records.record import ReadLog, RecordError, TableFormat

SOC, VOLTS = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE

HEAD = "time,state_of_charge\n"
ROWS = "2025-06-16T12:00:00Z,97.5\n2025-06-16T12:00:05Z,98\n2025-06-16T12:00:10Z,98.5\n"
THREE = [(NOON, [97.5]), (NOON + 5, [98.0]), (NOON + 10, [98.5])]

Rows = list[tuple[float, list[float]]]


def read(path: Path, text: str | bytes, form: TableFormat | None = None) -> tuple[Rows, ReadLog]:
    """Return the rows (time, values in the order of the signals) and what reading them came to."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    account = ReadLog()
    rows: Rows = []
    for batch in CsvRecord(path, form).read(account):
        columns = [column.values.tolist() for column in batch.columns.values()]
        rows += zip(batch.times.tolist(), map(list, zip(*columns, strict=True)), strict=True)
    return rows, account


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return tmp_path / "log.csv"


@pytest.mark.parametrize(
    ("text", "form"),
    [
        (HEAD + ROWS, TableFormat()),
        (HEAD + ROWS.rstrip("\n"), TableFormat()),
        ("\ufeff" + HEAD + ROWS, TableFormat()),
        ("\n\n" + HEAD + "\n" + ROWS + "\n", TableFormat()),
        ((HEAD + ROWS).replace("\n", "\r\n"), TableFormat()),
        ((HEAD + ROWS).replace(",", ";"), TableFormat()),
        ((HEAD + ROWS).replace(",", "\t"), TableFormat()),
        ((HEAD + ROWS).replace(",", "|"), TableFormat(delimiter="|")),
        ((HEAD + ROWS).replace(",", ";").replace(".", ","), TableFormat(decimal_comma=True)),
        ((HEAD + ROWS).replace(",", ", "), TableFormat()),
        (HEAD.replace("state_of_charge", "SOC [%]") + ROWS, TableFormat(columns={"state_of_charge": "SOC [%]"})),
        (HEAD.replace("time", "when") + ROWS, TableFormat(columns={"time": "when"})),
        ('"time","state_of_charge"\n' + ROWS, TableFormat()),
        (HEAD + "".join(f'"{line.replace(",", chr(34) + "," + chr(34))}"\n' for line in ROWS.split()), TableFormat()),
        (HEAD + ROWS.replace("Z", ""), TableFormat(zone=ZoneInfo("UTC"))),
        (HEAD + ROWS.replace("T12", "T13").replace("Z", ""), TableFormat(zone=ZoneInfo("Europe/London"))),
        (HEAD + ROWS.replace("2025-06-16T", "16.06.2025 "), TableFormat(time_format="%d.%m.%Y %H:%M:%S%z")),
        (HEAD + "1750075200,97.5\n1750075205,98\n1750075210,98.5\n", TableFormat()),
        (HEAD + "1750075200000,97.5\n1750075205000,98\n1750075210000,98.5\n", TableFormat()),
        (HEAD + "\n".join(reversed(ROWS.split())) + "\n", TableFormat(sort=True)),
        ("state_of_charge,time\n" + "".join(f"{row[21:]},{row[:20]}\n" for row in ROWS.split()), TableFormat()),
    ],
    ids=["plain", "no end of the last line", "byte order mark", "blank lines", "CRLF", "semicolons", "tabs", "bars",
         "decimal comma", "blanks", "column of another name", "time of another name", "quoted header", "quoted rows",
         "local in UTC", "local in London", "form of their own", "Unix seconds", "Unix milliseconds", "to be sorted",
         "time not first"],
)  # fmt: skip
def test_what_says_the_same_is_read_the_same(log: Path, text: str, form: TableFormat) -> None:
    rows, account = read(log, text, form)
    assert rows == THREE
    assert (account.rows, account.dropped, account.torn) == (3, 0, "")


def test_a_gzipped_table_is_read_through(log: Path) -> None:
    assert read(log, gzip.compress((HEAD + ROWS).encode()))[0] == THREE


def test_a_gzipped_table_that_ends_early_is_read_as_far_as_it_goes(log: Path) -> None:
    lines = "".join(f"{1750075200 + row},{80 + row % 7}.{row % 10}\n" for row in range(50_000))
    whole = gzip.compress((HEAD + lines).encode())
    rows, account = read(log, whole[: len(whole) // 2])
    assert 1000 < len(rows) < 50_000
    assert "ends early" in account.torn


def test_an_empty_cell_and_other_columns_are_no_sample(log: Path) -> None:
    rows, _ = read(log, "time,note,battery_voltage,state_of_charge\n1750075200,x,,97\n1750075201,y,26.5,\n")
    assert repr(rows) == repr([(NOON, [97.0, math.nan]), (NOON + 1, [math.nan, 26.5])])


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("2025-06-16T12:00:01Z", 'line 3: "2025-06-16T12:00:01Z": expected 2 columns, not 1'),
        ("2025-06-16T12:00:01Z,97,1", 'line 3: "2025-06-16T12:00:01Z,97,1": expected 2 columns, not 3'),
        ("soon,97", 'line 3: column time: "soon": expected RFC 3339'),
    ],
)  # fmt: skip
@pytest.mark.parametrize("end", ["\n", '\n"2025-06-16T12:01:00Z",99\n'], ids=["plain", "with quotes"])
def test_a_bad_row_is_left_out_counted_and_told(log: Path, row: str, words: str, end: str) -> None:
    first, *others = ROWS.split()
    text = "\n".join([HEAD.strip(), first, row, *others]) + end
    rows, account = read(log, text)
    assert rows[:3] == THREE
    assert account.dropped == 1
    assert words in str(account.bad[0])


def test_only_some_bad_rows_are_told(log: Path) -> None:
    _, account = read(log, HEAD + "bad,1\n" * 100 + ROWS)
    assert (account.dropped, len(account.bad)) == (100, 5)


@pytest.mark.parametrize(
    "rest", ["2025-06-16T12:00:1", "2025-06-16T12:00:15Z", '"2025-06-16T12:00:15Z,9', "17500", ","]
)
def test_a_torn_last_line_is_no_bad_row(log: Path, rest: str) -> None:
    rows, account = read(log, HEAD + ROWS + rest)
    assert rows == THREE
    assert account.dropped == 0
    assert "the last line (5) is incomplete" in account.torn or rest == ","


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the file is empty"),
        ("\n \n", "the file is empty"),
        ("when,state_of_charge\n1,2\n", "line 1: expected a column time; there are: when, state_of_charge (--column"),
        ("time,soc\n1,2\n", "expected a column state_of_charge; there are: time, soc"),
        ("time,time,state_of_charge\n1,2,3\n", "column time: expected every column once"),
        (HEAD + "1750075205,9\n1750075204,9\n", 'line 3: column time: "1750075204": expected a time not earlier than'),
        (HEAD + "2025-06-16T12:00:00,9\n", 'column time: "2025-06-16T12:00:00": expected an offset such as Z'),
        ("time\0,state_of_charge\n", "line 1: expected text; there are NUL bytes"),
        ("x" * 2_000_000, "none longer than 1048576 bytes"),
        ((HEAD + ROWS).encode("utf-16"), "this is UTF-16"),
        (b"\x1f\x8b\x08junk", "compressed file ends early or is damaged"),
    ],
    ids=["empty", "blank", "no time", "no charge", "twice", "backwards", "no offset", "binary",
         "one long line", "UTF-16", "no gzip after all"],
)  # fmt: skip
def test_what_is_no_record_is_refused_by_line_column_and_text(log: Path, text: str | bytes, words: str) -> None:
    with pytest.raises(RecordError) as refused:
        read(log, text)
    line = str(refused.value)
    assert line.startswith(f"{log}")
    assert words in line
    assert "\n" not in line


def test_times_with_and_without_offset_are_refused_where_they_meet(log: Path) -> None:
    text = HEAD + "2025-06-16T12:00:00Z,9\n2025-06-16T13:00:05,9\n"
    with pytest.raises(RecordError, match=r"line 3: column time: .* expected an offset on all rows or on none"):
        read(log, text, TableFormat(zone=ZoneInfo("Europe/London")))


def test_a_column_named_on_the_command_line_must_be_there(log: Path) -> None:
    with pytest.raises(RecordError, match="expected a column volts; there are: time, state_of_charge"):
        read(log, HEAD + ROWS, TableFormat(columns={"battery_voltage": "volts"}))


@pytest.mark.parametrize(("highest", "told"), [("1.0", True), ("0.57", True), ("0", False), ("57", False)])
def test_a_charge_that_looks_like_a_ratio_is_pointed_out(log: Path, highest: str, told: bool) -> None:
    _, account = read(log, HEAD + f"1750075200,{highest}\n1750075201,0\n")
    assert any("--unit state_of_charge=ratio" in note for note in account.notes) == told


# As the csv library


def written(seed: int) -> tuple[str, bool]:
    """A table of some size with, now and then, something in it that is not plain; and whether there is."""
    draw = random.Random(seed)  # noqa: S311
    t, text = NOON, io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["time", "battery_voltage", "note", "state_of_charge"])
    odd = draw.choice([0.0, 0.0, 0.001, 0.01])
    rows = draw.randrange(1, 6000)
    for _ in range(rows):
        t += draw.choice([0, 1, 5, 5, 5, 3600])
        cells = [f"{t:.0f}", f"{draw.uniform(25, 28):.2f}", draw.choice(["", "x", "é"]), f"{draw.uniform(90, 100):.1f}"]
        if draw.random() < odd:
            cells[draw.randrange(4)] = draw.choice(["", "a,b", 'a"b', "x", "a\nb", "1_0", " y "])
            cells = cells[: draw.choice([3, 4, 4, 4, 4])]
        table.writerow(cells)
    return text.getvalue(), odd > 0


@given(seed=st.integers(0, 2**32))
def test_a_table_is_read_as_the_csv_library_reads_it(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    text, is_odd = written(seed)
    rows, account = read(tmp_path_factory.mktemp("csv") / "log.csv", text)
    soc, volts = CellParser(SOC, "percent"), CellParser(VOLTS, "V")
    expected = [
        (float(cells[0]), [soc.parse(cells[3])[0], volts.parse(cells[1])[0]])
        for cells in list(csv.reader(io.StringIO(text)))[1:]
        if len(cells) == 4 and cells[0].isdigit()
    ]
    assert repr(rows) == repr(expected)
    assert account.rows == len(expected)
    assert is_odd or not account.dropped


# Odd files


def test_lines_may_end_in_cr_alone(log: Path) -> None:
    assert read(log, (HEAD + ROWS).replace("\n", "\r"))[0] == THREE


def test_a_cr_within_a_line_spoils_that_row_only(log: Path) -> None:
    rows, account = read(log, HEAD + ROWS.replace("97.5\n", "97.5\n2025-06-16T12:00:01Z,9\r7\n"))
    assert rows == THREE
    assert "line 3: expected a row of CSV: new-line character" in str(account.bad[0])


@pytest.mark.parametrize("row", ["\0\0\0", "2025-06-16T12:00:01Z,9\0", "\0" * 5000])
def test_a_row_with_nul_bytes_is_dropped_by_its_number_and_the_rest_is_read(log: Path, row: str) -> None:
    rows, account = read(log, HEAD + ROWS.replace("97.5\n", f"97.5\n{row}\n"))
    assert rows == THREE
    assert account.dropped == 1
    assert "line 3" in str(account.bad[0])
    assert "there are NUL bytes" in str(account.bad[0])


def test_nul_bytes_at_the_end_are_a_torn_line(log: Path) -> None:
    rows, account = read(log, HEAD + ROWS + "\0" * 4096)
    assert (rows, account.dropped) == (THREE, 0)
    assert "the last line (5) is incomplete" in account.torn


def test_a_line_of_100_mb_is_dropped_by_its_number_in_little_memory(log: Path) -> None:
    with log.open("w") as file:
        file.write(HEAD + ROWS)
        for _ in range(100):
            file.write("9" * 1_000_000)
        file.write("\n2025-06-16T12:00:15Z,99\n")
    account = ReadLog()
    tracemalloc.start()
    try:
        rows = [t for batch in CsvRecord(log).read(account) for t in batch.times.tolist()]
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert rows == [NOON, NOON + 5, NOON + 10, NOON + 15]
    assert "line 5" in str(account.bad[0])
    assert peak < 8_000_000


def test_a_quote_that_never_ends_spoils_a_part_of_the_file_only(log: Path) -> None:
    lines = [f"{NOON + row:.0f},97\n" for row in range(100_000)]
    lines[10] = f'{NOON + 10:.0f},"97\n'
    rows, account = read(log, HEAD + "".join(lines))
    assert len(rows) > 80_000
    assert "field larger than field limit" in str(account.bad[0])


def test_a_gzip_file_that_unpacks_without_end_is_refused(log: Path) -> None:
    """Deflate packs blank lines a thousandfold (RFC 1951: at most 258 bytes a code)."""
    with gzip.open(log, "wb") as file:
        file.write(HEAD.encode() + ROWS.encode())
        for _ in range(200):
            file.write(b"\n" * 1_000_000)
    with pytest.raises(RecordError, match="a gzip file of no more than 500 times its size"):
        read_only(log)


def test_a_gzip_file_of_some_blank_lines_is_empty(log: Path) -> None:
    log.write_bytes(gzip.compress(b"\n" * 3_000_000))
    with pytest.raises(RecordError, match="the file is empty"):
        read_only(log)


def read_only(log: Path) -> None:
    for _batch in CsvRecord(log).read(ReadLog()):
        pass
