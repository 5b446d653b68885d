"""The column `relay` of a table: what the recorded relay did, read alike by every reader."""

from pathlib import Path
from typing import Any

import pytest

np = pytest.importorskip("numpy")
pa = pytest.importorskip("pyarrow")

from pyarrow import parquet  # noqa: E402

from dumpload.records.arrow import ArrowTableReader  # noqa: E402
from dumpload.records.csv import CsvRecord  # noqa: E402
from dumpload.records.items import EMPTY, PLAIN, REJECTED  # noqa: E402
from dumpload.records.parquet import ParquetRecord  # noqa: E402
from dumpload.records.record import ReadLog, RecordError, TableFormat  # noqa: E402

TEXTS = ("1", "0", "on", "OFF", "true", "", "stuck", "1.0")
VALUES = (1.0, 0.0, 1.0, 0.0, 1.0, None, None, 1.0)
CODES = (PLAIN, PLAIN, PLAIN, PLAIN, PLAIN, EMPTY, REJECTED, PLAIN)


def table(folder: Path, texts: tuple[str, ...] = TEXTS, name: str = "relay") -> Path:
    path = folder / "log.csv"
    rows = "".join(f"{1_750_000_000 + at},97.5,{text}\n" for at, text in enumerate(texts))
    path.write_text(f"time,state_of_charge,{name}\n{rows}")
    return path


def relay_of(record: Any) -> tuple[list[float | None], list[int]]:
    batches = list(record.read(ReadLog()))
    values = [None if v != v else v for one in batches for v in one.relay.values.tolist()]  # noqa: PLR0124  (NaN)
    codes = [
        c for one in batches for c in ([PLAIN] * one.rows if one.relay.codes is None else one.relay.codes.tolist())
    ]
    return values, codes


@pytest.mark.parametrize("arrow", [None, ArrowTableReader])
def test_on_and_off_are_read_as_words_and_numbers_and_the_rest_is_not_known(tmp_path: Path, arrow: Any) -> None:
    assert relay_of(CsvRecord(table(tmp_path), arrow=arrow)) == (list(VALUES), list(CODES))


def test_putting_rows_in_order_takes_the_relay_along(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time,state_of_charge,relay\n1750000060,97,1\n1750000000,96,0\n")
    assert relay_of(CsvRecord(path, TableFormat(sort=True)))[0] == [0.0, 1.0]


@pytest.mark.parametrize("kind", [pa.bool_(), pa.int8(), pa.float64(), pa.string()])
def test_parquet_may_have_it_as_truth_number_or_text(tmp_path: Path, kind: Any) -> None:
    path = tmp_path / "log.parquet"
    relay = ["on", "off", None] if kind == pa.string() else pa.array([1, 0, None], pa.int8()).cast(kind)
    columns = {"time": [1.75e9, 1.75e9 + 60, 1.75e9 + 120], "state_of_charge": [97.0, 96.0, 95.0]}
    parquet.write_table(pa.table({**columns, "relay": pa.array(relay, kind)}), path)
    assert relay_of(ParquetRecord(path)) == ([1.0, 0.0, None], [PLAIN, PLAIN, EMPTY])


def test_it_may_have_another_name_and_must_be_there_then(tmp_path: Path) -> None:
    form = TableFormat(columns={"relay": "contactor"})
    assert relay_of(CsvRecord(table(tmp_path, ("1",), "contactor"), form))[0] == [1.0]
    with pytest.raises(RecordError, match="a column contactor"):
        list(CsvRecord(table(tmp_path, ("1",)), form).read(ReadLog()))


def test_a_table_without_it_says_nothing_of_the_relay(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time,state_of_charge\n1750000000,96\n")
    (batch,) = CsvRecord(path).read(ReadLog())
    assert batch.relay is None
