"""Message captures: decoded as live, retained flag included, and what is tolerated or refused."""

import json
from pathlib import Path
from typing import Any

import pytest
from judged import settings
from world import NOON

from dumpload.config.to_mqtt import topic_map
from dumpload.core.controller import Event, Kind
from dumpload.core.decode import Reason, Rejection
from dumpload.core.signals import Signal
from dumpload.records.capture import CaptureRecord
from dumpload.records.items import Instant
from dumpload.records.record import ReadLog, RecordError, TableFormat

SOC = Signal.STATE_OF_CHARGE
BANK = "barge/bank/charge"
KEYS = {"telemetry.presence_topic": "barge/gateway", "telemetry.absent_payload": "gone"}


def line(time: Any = NOON, topic: Any = BANK, payload: Any = "97.5", **more: Any) -> str:
    return json.dumps({"time": time, "topic": topic, "payload": payload, **more}) + "\n"


def read(path: Path, text: str, form: TableFormat | None = None) -> tuple[list[Instant], ReadLog]:
    path.write_text(text)
    account = ReadLog()
    return list(CaptureRecord(path, topic_map(settings(KEYS)), form).read(account)), account


def items(path: Path, text: str) -> list[Any]:
    return [item for moment in read(path, text)[0] for item in moment.items]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return tmp_path / "capture.jsonl"


@pytest.mark.parametrize("time", [NOON, NOON * 1000, "2025-06-16T12:00:00Z", "2025-06-16T13:00:00+01:00"])
def test_a_message_is_a_sample_at_its_time(log: Path, time: Any) -> None:
    assert items(log, line(time)) == [Event(NOON, NOON, Kind.SAMPLE, SOC, 97.5, NOON)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (line(retain=True), [Rejection(SOC, Reason.RETAINED)]),
        (line(payload="NaN"), [Rejection(SOC, Reason.NOT_FINITE)]),
        (line(payload="101"), [Rejection(SOC, Reason.OUT_OF_RANGE)]),
        (line(payload=""), [Rejection(SOC, Reason.NOT_JSON)]),
        (line(topic="barge/gateway", payload="gone"), [Event(NOON, NOON, Kind.ABSENT)]),
        (line(topic="barge/other"), []),
        (line(qos=1, more="ignored"), [Event(NOON, NOON, Kind.SAMPLE, SOC, 97.5, NOON)]),
    ],
)
def test_a_message_is_decoded_as_live(log: Path, text: str, expected: list[Any]) -> None:
    assert items(log, text) == expected


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ("{}\n", "expected topic and payload as text"),
        ("[1]\n", "expected an object"),
        ("not JSON\n", "expected JSON"),
        (line(payload=97.5), "expected topic and payload as text"),
        (line(retain="no"), "retain as true or false"),
        (line(time="noon"), "expected RFC 3339"),
        (line(time=True), "expected RFC 3339"),
        ("[" * 100_000 + "\n", "expected JSON"),
    ],
    ids=["empty", "list", "no JSON", "number", "retain", "time", "true", "deep"],
)
def test_a_bad_line_is_left_out_counted_and_told(log: Path, bad: str, words: str) -> None:
    moments, account = read(log, line() + bad + line(NOON + 1))
    assert (len(moments), account.dropped) == (2, 1)
    assert f"{log}, line 2: " in str(account.bad[0])
    assert words in str(account.bad[0])


def test_a_torn_last_line_is_no_bad_line(log: Path) -> None:
    moments, account = read(log, line() + line(NOON + 5)[:-20])
    assert (len(moments), account.dropped) == (1, 0)
    assert "line (2) is incomplete" in account.torn


def test_lines_out_of_order_are_refused_unless_sorted(log: Path) -> None:
    text = line(NOON + 5) + line(NOON)
    with pytest.raises(RecordError, match=r"line 2: .*--sort"):
        read(log, text)
    assert [moment.t for moment in read(log, text, TableFormat(sort=True))[0]] == [NOON, NOON + 5]


def test_times_without_an_offset_are_refused(log: Path) -> None:
    with pytest.raises(RecordError, match=r"line 1: column time: .*--timezone"):
        read(log, line("2025-06-16T12:00:00"))
