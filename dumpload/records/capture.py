"""Reads a capture of messages: JSON Lines of time, topic, payload and retain, through the very same decoding as live.

A capture has what arrived, so what was rejected live is rejected here, and a retained message is no sample.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from dumpload.core.topics import InboundMessage, TopicMap
from dumpload.records.file import TextLines, parts, torn_words
from dumpload.records.items import Instant
from dumpload.records.record import ReadLog, RecordError, RowError, TableFormat
from dumpload.records.time import ClockError, Times

MEMBERS = '{"time": ..., "topic": "...", "payload": "...", "retain": false}'


class Captured(NamedTuple):
    """One line of a capture; `t` in Unix s."""

    t: float
    topic: str
    payload: bytes
    retained: bool


class CaptureRecord:
    """One capture."""

    kind = "message capture"

    def __init__(self, path: Path, topic_map: TopicMap, form: TableFormat | None = None) -> None:
        self.path = path
        self._topic_map = topic_map
        self._form = form or TableFormat()

    def read(self, log: ReadLog) -> Iterator[Instant]:
        """Yield the messages in order of time, one instant each."""
        messages = self._messages(log)
        for message in sorted(messages, key=lambda message: message.t) if self._form.sort else messages:
            arrival = InboundMessage(message.topic, message.payload, message.retained, message.t, message.t, message.t)
            yield Instant(message.t, self._topic_map.read(arrival))

    def _messages(self, log: ReadLog) -> Iterator[Captured]:
        times = Times(self._form.time_format, self._form.zone)
        last = -float("inf")
        lines = TextLines(self.path, log, parts(self.path, log))
        for line in lines:
            text = line.rstrip("\n")
            if not text.strip():
                continue
            try:
                message = self._message(times, lines.number, text)
            except ValueError as error:
                if lines.torn:
                    log.torn = torn_words(lines.number)
                else:
                    log.drop(RowError(self.path, lines.number, "", text, str(error)))
                continue
            if message.t < last and not self._form.sort:
                expected = "a time not earlier than the line above (--sort sorts the lines)"
                raise RecordError(self.path, expected, line=lines.number, text=text)
            last = message.t
            log.rows += 1
            yield message

    def _message(self, times: Times, number: int, text: str) -> Captured:
        try:
            document = json.loads(text)
        except (ValueError, RecursionError):
            msg = f"JSON: {MEMBERS}"
            raise ValueError(msg) from None
        if not isinstance(document, dict):
            msg = f"an object: {MEMBERS}"
            raise ValueError(msg)  # noqa: TRY004  (bad data, not a bad program)
        topic, payload, retained = document.get("topic"), document.get("payload"), document.get("retain", False)
        if not (isinstance(topic, str) and isinstance(payload, str) and isinstance(retained, bool)):
            msg = f"topic and payload as text, retain as true or false: {MEMBERS}"
            raise ValueError(msg)  # noqa: TRY004
        try:
            t = times.read(_time_text(document.get("time")))
        except ClockError as error:
            raise RecordError(self.path, str(error), line=number, column="time", text=text) from None
        return Captured(t, topic, payload.encode("utf-8", "surrogatepass"), retained)


def _time_text(value: Any) -> str:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return repr(value) if is_number else str(value)
