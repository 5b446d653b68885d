"""What a file is, the file itself tells; what its values mean, the settings."""

import gzip
import sys
from pathlib import Path

import pytest
from histories import fill, sample
from judged import settings
from world import NOON

from dumpload.core.controller import Event, Kind
from dumpload.core.signals import Signal
from dumpload.records import open as records_open
from dumpload.records.items import RowBatch
from dumpload.records.open import open_record
from dumpload.records.record import ReadLog, RecordError, TableFormat

LINE = '{"time": 1750075200, "topic": "barge/bank/charge", "payload": "97"}\n'


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (b"time,state_of_charge\n1,2\n", "CSV"),
        (LINE.encode(), "message capture"),
        (b"\xef\xbb\xbf\n " + LINE.encode(), "message capture"),
        (gzip.compress(LINE.encode()), "message capture"),
        (b"", "CSV"),
    ],
    ids=["table", "capture", "capture with a mark", "gzipped capture", "empty"],
)
def test_the_kind_is_told_by_the_first_bytes(tmp_path: Path, content: bytes, kind: str) -> None:
    path = tmp_path / "log"
    path.write_bytes(content)
    assert open_record(path, TableFormat(), settings()).kind == kind


def test_a_history_is_known_by_its_mark(tmp_path: Path) -> None:
    fill(tmp_path / "log", [sample(1)])
    assert open_record(tmp_path / "log", TableFormat(), settings()).kind == "history"


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="expected a regular file, not a folder"):
        open_record(tmp_path, TableFormat(), settings())


def test_the_codes_for_unknown_are_those_of_the_settings(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_text("time,state_of_charge\n1750075200,0\n")
    record = open_record(path, TableFormat(), settings({"telemetry.state_of_charge.unknown": [0]}))
    (batch,) = record.read(ReadLog())
    assert isinstance(batch, RowBatch)
    assert list(batch.row_events()) == [(NOON, [Event(NOON, NOON, Kind.UNKNOWN, Signal.STATE_OF_CHARGE)])]


def test_parquet_is_known_by_its_mark(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    path = tmp_path / "log"
    path.write_bytes(b"PAR1" + bytes(100))
    assert open_record(path, TableFormat(), settings()).kind == "Parquet"


def test_without_the_extra_parquet_is_refused_with_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "dumpload.records.parquet", None)
    path = tmp_path / "log"
    path.write_bytes(b"PAR1" + bytes(100))
    with pytest.raises(RecordError, match=r"pip install 'dumpload\[study\]'"):
        open_record(path, TableFormat(), settings())


@pytest.mark.parametrize(("is_big", "is_installed"), [(True, True), (True, False), (False, True)])
def test_a_big_table_is_read_quickly_where_the_extra_is_installed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, is_big: bool, is_installed: bool
) -> None:
    pytest.importorskip("pyarrow")
    if not is_installed:
        monkeypatch.setitem(sys.modules, "dumpload.records.arrow", None)
    monkeypatch.setattr(records_open, "ARROW_FROM_BYTES", 1000 if is_big else 10**9)
    path = tmp_path / "log"
    path.write_text("time,state_of_charge\n" + "".join(f"{1750075200 + row},97\n" for row in range(200_000)))
    batches = list(open_record(path, TableFormat(), settings()).read(ReadLog()))
    assert sum(one.rows for one in batches if isinstance(one, RowBatch)) == 200_000
    assert any(isinstance(one, RowBatch) and one.rows > 1024 for one in batches) == (is_big and is_installed)
