"""The quick reader of tables: what it takes is what the plain reader reads, and the rest is left to that one."""

from collections.abc import Iterator
from datetime import UTC
from pathlib import Path
from unittest.mock import patch
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenarios import EXAMPLES, HEATER, SETUPS
from tables import UNKNOWN, replayed, table
from world import LIMITS, setup

from dumpload.core.signals import Signal
from dumpload.records import csv as records_csv
from dumpload.records.csv import CsvRecord
from dumpload.records.record import ReadLog, TableFormat
from dumpload.replay.replayer import Scenario

ArrowTableReader = pytest.importorskip("dumpload.records.arrow").ArrowTableReader
np = pytest.importorskip("numpy")

SOC = Signal.STATE_OF_CHARGE
HEAD = "time,state_of_charge,battery_voltage\n"
LINES = [f"{1750075200 + row},{90 + row % 7}.{row % 10},26.{row % 50:02}\n" for row in range(400)]


@pytest.fixture(autouse=True, scope="module")
def _small_parts() -> Iterator[None]:
    """So that a small file has many of them."""
    with patch.object(records_csv, "PART_BYTES", 256), patch.object(records_csv, "_OFFERED_BYTES", 1024):
        yield


def quick_rows(path: Path, text: str, form: TableFormat | None = None) -> tuple[int, int]:
    """Return how many rows were read quickly, and how many there were."""
    path.write_text(text, newline="")
    batches = list(CsvRecord(path, form, UNKNOWN, ArrowTableReader).read(ReadLog()))
    return sum(one.rows for one in batches if isinstance(one.times, np.ndarray)), sum(one.rows for one in batches)


@settings(max_examples=2 * EXAMPLES)
@given(seed=st.integers(0, 2**32), name=st.sampled_from(sorted(SETUPS)), judge_contact=st.booleans())
def test_a_replay_comes_to_the_same_and_complains_of_the_same(
    tmp_path_factory: pytest.TempPathFactory, seed: int, name: str, judge_contact: bool
) -> None:
    path = tmp_path_factory.mktemp("csv") / "log.csv"
    path.write_text(table(seed), newline="")
    plan = Scenario(SETUPS[name], HEATER, judge_contact)
    quick, refusal, quick_log = replayed(CsvRecord(path, None, UNKNOWN, ArrowTableReader), plan)
    plain, expected, plain_told = replayed(CsvRecord(path, None, UNKNOWN), plan)
    assert refusal == expected
    if plain is None or quick is None:
        assert plain is quick
        return
    assert quick_log == plain_told
    assert repr(quick._replace(log=None)) == repr(plain._replace(log=None))


@pytest.mark.parametrize(
    "line",
    [
        "1750075300,97.5,26.00\n",
        "1750075300,,26.00\n",
        "1750075300,97.5,\n",
        "1750075300, 97.5 ,26\n",
        "1750075300,1e1,26\n",
        "1750075300,+97,26\n",
        "1750075300,101,26\n",
        "1750075300,255,26\n",
        "1750075300,97.5,0\r\n",
    ],
)
def test_what_both_read_alike_is_read_quickly(tmp_path: Path, line: str) -> None:
    text = HEAD + "".join(LINES[:100]) + line + "".join(LINES[101:])
    quick, rows = quick_rows(tmp_path / "log.csv", text)
    assert rows == 400
    assert quick > 330


@pytest.mark.parametrize(
    "line",
    [
        "1750075300,x,26\n",
        "1750075300,nan,26\n",
        "1750075300,9_7,26\n",
        "1750075300,97,26.5\n",  # a code for unknown that is a text
        "1750075300,97\n",
        "soon,97,26\n",
        "1.7500753e9,97,26\n",
        "\n",
    ],
)
def test_only_the_part_with_something_odd_in_it_is_left_to_the_plain_reader(tmp_path: Path, line: str) -> None:
    quick, rows = quick_rows(tmp_path / "log.csv", HEAD + "".join([*LINES[:100], line, *LINES[101:]]))
    assert rows in (399, 400)
    assert 250 < quick < rows - 30


def test_after_a_quote_all_is_left_to_the_plain_reader(tmp_path: Path) -> None:
    text = HEAD + "".join(LINES[:200]) + '1750075400,"97",26\n' + "".join(LINES[201:])
    quick, rows = quick_rows(tmp_path / "log.csv", text)
    assert rows == 400
    assert 100 < quick < 200


@pytest.mark.parametrize(
    "form",
    [TableFormat(sort=True), TableFormat(decimal_comma=True, delimiter=","), TableFormat(time_format="%S", zone=UTC)],
    ids=str,
)
def test_forms_of_other_loggers_are_left_to_the_plain_reader(tmp_path: Path, form: TableFormat) -> None:
    text = HEAD + "".join(f"{row:02},97,26\n" for row in range(60))
    assert quick_rows(tmp_path / "log.csv", text, form)[0] == 0


@pytest.mark.parametrize(
    ("form", "is_quick"),
    [
        ("2025-06-16T12:{0:02}:{1:02}Z", True),
        ("2025-06-16T12:{0:02}:{1:02}.250Z", True),
        ("2025-06-16 12:{0:02}:{1:02}+02:00", True),
        ("17500752{0:02}.{1:02}", True),
        ("17500752{0:02}0{1:02}", True),
        ("2025-06-16T12:{0:02}:{1:02}", False),
    ],
)
def test_times_of_the_usual_forms_are_read_quickly(tmp_path: Path, form: str, is_quick: bool) -> None:
    text = HEAD + "".join(f"{form.format(row // 60, row % 60)},97,26\n" for row in range(400))
    quick, rows = quick_rows(tmp_path / "log.csv", text, TableFormat(zone=ZoneInfo("Europe/London")))
    assert rows == 400
    assert (quick > 300) == is_quick


def test_a_charge_that_looks_like_a_ratio_is_pointed_out_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(HEAD + "".join(f"{1750075200 + row},0.{row % 90:02},26\n" for row in range(400)))
    account = ReadLog()
    batches = list(CsvRecord(path, arrow=ArrowTableReader).read(account))
    assert any(isinstance(one.times, np.ndarray) for one in batches)
    assert account.notes == ["no state of charge is above 0.89 %: if 1 is full, --unit state_of_charge=ratio"]


def test_a_unit_other_than_the_base_unit_is_rounded_alike(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(HEAD + "".join(f"{1750075200 + row},0.{row:03},26\n" for row in range(400)))
    form = TableFormat(units={SOC: "ratio"})
    events = [
        [said for one in CsvRecord(path, form, arrow=arrow).read(ReadLog()) for said in one.row_events()]
        for arrow in (None, ArrowTableReader)
    ]
    assert events[0] == events[1]
    plan = Scenario(setup(LIMITS), HEATER)
    assert replayed(CsvRecord(path, form, arrow=ArrowTableReader), plan)[0] is not None


@pytest.mark.parametrize(
    ("times", "odd"),
    [
        ("2025-06-16T12:{0:02}:{1:02}+01:00", "2025-06-16T12:{0:02}:{1:02}.12+01"),  # as wide, and no RFC 3339
        ("2025-06-16T12:{0:02}:{1:02}+01:00", "2025-06-16T12:{0:02}:{1:02}+02:00"),
        ("2025-06-16T12:{0:02}:{1:02}Z", "2025-06-16T12:{0:02}:{1:02}z"),
        ("2025-06-16T12:{0:02}:{1:02}Z", "2025-06-16 12:{0:02}:{1:02}Z"),
        ("0.{0:03}{1:02}", ".{0:03}{1:02}"),
        ("{0}{1:02}", "5e1"),
        ("{0}{1:02}", ""),
    ],
)
def test_a_time_of_another_form_is_read_as_the_plain_reader_reads_it(tmp_path: Path, times: str, odd: str) -> None:
    path = tmp_path / "log.csv"
    lines = [f"{times.format(row // 60, row % 60)},97,26\n" for row in range(300)]
    for place in (100, 200):
        lines[place] = f"{odd.format(place // 60, place % 60)},97,26\n"
    path.write_text(HEAD + "".join(lines))
    plan = Scenario(setup(LIMITS), HEATER)
    quick, plain = (replayed(CsvRecord(path, arrow=arrow), plan) for arrow in (ArrowTableReader, None))
    assert quick[1] == plain[1]
    assert (quick[0] is None) == (plain[0] is None)
    if quick[0] is not None and plain[0] is not None:
        assert quick[2] == plain[2]
        assert repr(quick[0]._replace(log=None)) == repr(plain[0]._replace(log=None))


def test_a_nul_is_refused_in_a_column_that_nobody_asked_for_too(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    head, lines = "time,state_of_charge,note\n", [f"{1750075200 + row},97,ok\n" for row in range(300)]
    lines[200] = lines[200].replace("ok", "o\0k")
    path.write_text(head + "".join(lines))
    log = ReadLog()
    assert sum(one.rows for one in CsvRecord(path, arrow=ArrowTableReader).read(log)) == 299
    assert "line 202" in str(log.bad[0])
    assert "there are NUL bytes" in str(log.bad[0])
