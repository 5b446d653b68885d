"""A Parquet record means what the same rows in a table mean; what it cannot be is said."""

import random
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenarios import EXAMPLES, HEATER, SETUPS
from tables import UNKNOWN, replayed, rows, stamp
from world import LIMITS, NOON, setup

from dumpload.core.decode import Rejection
from dumpload.core.signals import Signal, signal_name
from dumpload.records.csv import CsvRecord
from dumpload.records.record import ReadLog, RecordError, TableFormat
from dumpload.replay.replayer import Scenario

pa = pytest.importorskip("pyarrow")
parquet = pytest.importorskip("pyarrow.parquet")
reader = pytest.importorskip("dumpload.records.parquet")
ParquetRecord = reader.ParquetRecord

SOC, VOLTS = Signal.STATE_OF_CHARGE, Signal.BATTERY_VOLTAGE
SIGNALS = (SOC, VOLTS, Signal.LOAD_POWER, Signal.TANK_TEMPERATURE)
ODD = ["255", "101", "-5", "nan", "inf", "1e9", "26.5"]
TIMES = {
    "s": pa.int64(),
    "ms": pa.float64(),
    "us": pa.timestamp("us", "UTC"),
    "ns": pa.timestamp("ns", "Europe/London"),
}


def write(path: Path, columns: Mapping[str, Any], **options: Any) -> Path:
    parquet.write_table(pa.table(dict(columns)), path, **options)
    return path


def moments(*seconds: float) -> Any:
    return pa.array([round((NOON + t) * 1e6) for t in seconds], pa.int64()).cast(pa.timestamp("us", "UTC"))


def both(seed: int, folder: Path) -> tuple[Path, Path]:
    """Write the same random rows as Parquet and as a table."""
    draw = random.Random(seed)  # noqa: S311
    found = rows(draw, "s")
    form = draw.choice(sorted(TIMES))
    odd, blank = draw.choice([0.0, 0.01, 0.1]), draw.choice([0.0, 0.0, 0.3])
    texts: dict[str, list[str]] = {"time": [row[0] for row in found]}
    for signal, place in zip(SIGNALS, (1, 2, 4, 5), strict=True):
        column = ["" if draw.random() < blank else row[place] for row in found]
        texts[signal_name(signal)] = [draw.choice(ODD) if draw.random() < odd else cell for cell in column]
    seconds = [float(text) for text in texts["time"]]
    scale = {"s": 1, "ms": 1000, "us": 1_000_000, "ns": 1_000_000_000}[form]
    times = pa.array([int(t) * scale for t in seconds], pa.int64()).cast(TIMES[form])
    numbers = {
        name: pa.array([None if text == "" else float(text) for text in column], pa.float64(), from_pandas=False)
        for name, column in texts.items()
        if name != "time"
    }
    table = folder / "log.csv"
    lines = [",".join(texts), *map(",".join, zip(*texts.values(), strict=True))]
    table.write_text("\n".join(lines) + "\n")
    return write(folder / "log.parquet", {"time": times, **numbers}, row_group_size=draw.choice([7, 1000])), table


@settings(max_examples=2 * EXAMPLES)
@given(seed=st.integers(0, 2**32), name=st.sampled_from(sorted(SETUPS)), judge_contact=st.booleans())
def test_a_replay_comes_to_what_the_same_rows_in_a_table_come_to(
    tmp_path_factory: pytest.TempPathFactory, seed: int, name: str, judge_contact: bool
) -> None:
    quick_path, plain_path = both(seed, tmp_path_factory.mktemp("parquet"))
    plan = Scenario(SETUPS[name], HEATER, judge_contact)
    unknown = {SOC: UNKNOWN[SOC]}
    with patch.object(reader, "BATCH_ROWS", 50):
        quick, refusal, quick_log = replayed(ParquetRecord(quick_path, None, unknown), plan)
    plain, _, plain_told = replayed(CsvRecord(plain_path, None, unknown), plan)
    assert not refusal
    assert quick is not None
    assert plain is not None
    assert quick_log == plain_told
    assert repr(quick._replace(log=None)[2:]) == repr(plain._replace(log=None)[2:])


def read(record: Any, account: ReadLog | None = None) -> list[tuple[float, list[Any]]]:
    return [(t - NOON, list(row)) for one in record.read(account or ReadLog()) for t, row in one.row_events()]


@pytest.mark.parametrize(
    "times",
    [
        moments(0, 1, 2.5),
        moments(0, 1, 2.5).cast(pa.timestamp("ms", "UTC")),
        moments(0, 1, 2.5).cast(pa.timestamp("ns", "Europe/London")),
        pa.array([NOON, NOON + 1, NOON + 2.5]),
        pa.array([1750075200000, 1750075201000, 1750075202500]),
    ],
    ids=["microseconds", "milliseconds", "nanoseconds", "Unix seconds", "Unix milliseconds"],
)
def test_times_may_be_timestamps_or_unix_numbers(tmp_path: Path, times: Any) -> None:
    path = write(tmp_path / "log", {"time": times, "state_of_charge": [97, None, 98]})
    said = read(ParquetRecord(path))
    assert [t for t, _events in said] == [0.0, 1.0, 2.5]
    assert [[event.value for event in events] for _t, events in said] == [[97.0], [], [98.0]]


@pytest.mark.parametrize("kind", [pa.float32(), pa.int8(), pa.uint16(), pa.decimal128(20, 1)], ids=str)
def test_numbers_of_any_type_are_samples(tmp_path: Path, kind: Any) -> None:
    path = write(tmp_path / "log", {"time": moments(0), "state_of_charge": pa.array([97]).cast(kind)})
    assert [event.value for event in read(ParquetRecord(path))[0][1]] == [97.0]


def test_columns_units_and_codes_are_those_of_the_form_and_the_settings(tmp_path: Path) -> None:
    path = write(tmp_path / "log", {"when": moments(0, 1, 2), "SOC": [0.57, 255.0, 1.5]})
    form = TableFormat(columns={"time": "when", "state_of_charge": "SOC"}, units={SOC: "ratio"})
    said = [events[0] for _t, events in read(ParquetRecord(path, form, UNKNOWN))]
    assert said[0].value == 57.0
    assert said[1].kind.name == "UNKNOWN"
    assert isinstance(said[2], Rejection)


def test_rows_without_a_time_are_left_out_counted_and_told(tmp_path: Path) -> None:
    times = pa.array([NOON, None, NOON + 2, -1.0, float("nan")])
    path = write(tmp_path / "log", {"time": times, "state_of_charge": [97.0] * 5})
    account = ReadLog()
    assert [t for t, _events in read(ParquetRecord(path), account)] == [0.0, 2.0]
    assert (account.rows, account.dropped) == (2, 3)
    assert str(account.bad[0]).startswith(f'{path}, row 2: column time: "None": expected a timestamp with a zone')


def test_rows_out_of_order_are_refused_or_sorted(tmp_path: Path) -> None:
    path = write(tmp_path / "log", {"time": moments(0, 2, 1), "state_of_charge": [97.0, None, 98.0]})
    with pytest.raises(RecordError, match=r"row 3: column time: .* expected a time not earlier than the row above"):
        read(ParquetRecord(path))
    said = read(ParquetRecord(path, TableFormat(sort=True)))
    assert [(t, [event.value for event in events]) for t, events in said] == [(0.0, [97.0]), (1.0, [98.0]), (2.0, [])]


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"t": [1.0], "state_of_charge": [1.0]}, "expected a column time; there are: t, state_of_charge"),
        ({"time": [1.0], "soc": [1.0]}, "expected a column state_of_charge; there are: time, soc"),
        ({"time": ["x"], "state_of_charge": [1.0]}, 'column time: "string": expected a timestamp with a zone'),
        ({"time": [datetime(2025, 6, 16)], "state_of_charge": [1.0]}, "expected a timestamp with a zone"),  # noqa: DTZ001
        ({"time": [1.0], "state_of_charge": ["x"]}, 'column state_of_charge: "string": expected numbers'),
        ({"time": [datetime(2025, 6, 16, tzinfo=UTC)], "state_of_charge": [True]}, "expected numbers"),
    ],
)
def test_what_is_no_such_record_is_refused(tmp_path: Path, columns: dict[str, list[Any]], words: str) -> None:
    path = write(tmp_path / "log", columns)
    with pytest.raises(RecordError) as refused:
        read(ParquetRecord(path))
    assert words in str(refused.value)


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
def test_times_at_the_ends_of_their_type_are_dropped_by_their_number(tmp_path: Path, unit: str) -> None:
    scale = {"ms": 1000, "us": 10**6, "ns": 10**9}[unit]
    counts = [-(2**63), -(2**63) + 1, -scale, int(NOON) * scale, 2**63 - 1]
    times = pa.array(counts, pa.int64()).cast(pa.timestamp(unit, "UTC"))
    path = write(tmp_path / "log", {"time": times, "state_of_charge": [97.0] * 5})
    log = ReadLog()
    assert [t for t, _events in read(ParquetRecord(path), log)] == [0.0]
    assert (log.rows, log.dropped) == (1, 4)
    assert [str(bad).split(": ")[0] for bad in log.bad] == [f"{path}, row {row}" for row in (1, 2, 3, 5)]


@pytest.mark.parametrize("cut", [10, 200, -8])
def test_a_damaged_file_is_refused(tmp_path: Path, cut: int) -> None:
    path = write(tmp_path / "log", {"time": moments(*range(1000)), "state_of_charge": [97.0] * 1000})
    path.write_bytes(path.read_bytes()[:cut])
    with pytest.raises(RecordError, match="expected a whole and readable Parquet file"):
        read(ParquetRecord(path))


def test_a_file_without_rows_is_no_record(tmp_path: Path) -> None:
    path = write(tmp_path / "log", {"time": moments(), "state_of_charge": pa.array([], pa.float64())})
    _result, refusal, _told = replayed(ParquetRecord(path), Scenario(setup(LIMITS), HEATER))
    assert "expected at least one row" in refusal


def test_how_far_it_is_read_is_told(tmp_path: Path) -> None:
    path = write(tmp_path / "log", {"time": moments(*range(300)), "state_of_charge": [97.0] * 300})
    parts: list[float] = []
    with patch.object(reader, "BATCH_ROWS", 50):
        read(ParquetRecord(path), ReadLog(parts.append))
    assert parts == sorted(parts)
    assert (parts[0], parts[-1]) == (0.0, 1.0)
    assert stamp(NOON, "Z") == "2025-06-16T12:00:00Z"
