"""The log: JSON or plain lines, through a thread of its own; it never blocks and never raises."""

import json
import logging
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from alone import Alone
from world import NOON

from dumpload import __version__
from dumpload.daemon.logs import (
    KERNEL_BOOT_ID,
    QUEUE_LINES,
    REPEAT_EVERY_S,
    REPEATS_KEPT,
    LineWriter,
    RateLimiter,
    log_context,
    open_log,
)

# What a pipe holds on Linux when nobody reads it (pipe(7)).
PIPE_BYTES = 65_536


class Pipe:
    """Where the log goes, and what has come out of it."""

    def __init__(self) -> None:
        self.out, self.into = os.pipe()
        self._open = {self.out, self.into}

    def close(self, *ends: int) -> None:
        for end in ends or tuple(self._open):
            if end in self._open:
                self._open.remove(end)
                os.close(end)

    def text(self) -> str:
        """Everything that was written; the writing end must be idle."""
        os.set_blocking(self.out, False)
        parts = []
        try:
            while part := os.read(self.out, PIPE_BYTES):
                parts.append(part)
        except BlockingIOError:
            pass
        return b"".join(parts).decode()


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    one = Pipe()
    yield one
    one.close()


class Log(NamedTuple):
    """The log under test, and what has been written."""

    log: Any
    writer: LineWriter
    pipe: Pipe

    def text(self) -> str:
        self.writer.flush(5)
        return self.pipe.text()

    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.text().splitlines()]


@pytest.fixture(autouse=True)
def _libraries_log_as_before() -> Iterator[None]:
    root = logging.getLogger()
    before = root.handlers[:], root.level
    yield
    root.handlers[:], root.level = before


@pytest.fixture
def machine(pipe: Pipe) -> Log:
    return Log(*open_log(pipe.into, lambda: NOON, human=False), pipe)


@pytest.fixture
def human(pipe: Pipe) -> Log:
    return Log(*open_log(pipe.into, lambda: NOON, human=True), pipe)


# ---- for machines ----


def test_an_event_is_one_json_object_on_one_line(machine: Log) -> None:
    machine.log.info("relay_changed", text="relay ON: surplus", relay="on", after_s=300.0, bank=None)
    assert machine.text() == (
        '{"at": "2025-06-16T12:00:00.000Z", "level": "info", "text": "relay ON: surplus", "relay": "on", '
        '"after_s": 300.0, "bank": null, "event": "relay_changed"}\n'
    )


@pytest.mark.parametrize("level", ["info", "warning", "error", "critical"])
def test_every_level_is_named(machine: Log, level: str) -> None:
    getattr(machine.log, level)("event")
    assert machine.lines()[0]["level"] == level


def test_levels_below_the_least_are_left_out(pipe: Pipe) -> None:
    with_warnings_only, writer = open_log(pipe.into, lambda: NOON, human=False, least="warning")
    for level in ("debug", "info", "warning", "error"):
        getattr(with_warnings_only, level)("event")
    writer.flush(5)
    assert [json.loads(line)["level"] for line in pipe.text().splitlines()] == ["warning", "error"]


def test_an_exception_comes_with_its_trace(machine: Log) -> None:
    with pytest.raises(ZeroDivisionError) as caught:
        _ = 1 / 0
    machine.log.error("failed", exc_info=caught.value)
    [line] = machine.lines()
    assert line["exception"].startswith("Traceback")
    assert line["exception"].endswith("ZeroDivisionError: division by zero")


def test_line_breaks_in_what_others_sent_do_not_make_a_second_line(machine: Log) -> None:
    machine.log.warning("request_refused", reason="first\nsecond\r\n")
    assert len(machine.text().splitlines()) == 1


@pytest.mark.parametrize(
    "value", [object(), b"\xff", {1, 2}, "\ud800", "\x1b[2J", ValueError("x"), {"a": {"b": object()}}]
)
def test_what_json_cannot_say_is_said_as_text(machine: Log, value: Any) -> None:
    machine.log.info("event", value=value)
    assert machine.lines()[0]["event"] == "event"


def test_libraries_are_heard_from_warning_upwards(machine: Log) -> None:
    logging.getLogger("some.library").warning("odd: %s", "brass")
    logging.getLogger("some.library").info("chatter")
    [line] = machine.lines()
    assert (line["event"], line["level"], line["logger"], line["message"]) == (
        "library",
        "warning",
        "some.library",
        "odd: brass",
    )


# ---- for people ----


def test_the_sentence_is_shown_with_the_time_of_day(human: Log) -> None:
    human.log.info("relay_changed", text="relay ON: surplus", relay="on")
    assert human.text() == "12:00:00Z  relay ON: surplus\n"


def test_a_level_above_plain_is_marked(human: Log) -> None:
    human.log.warning("broker_down", text="broker: refused")
    human.log.error("pin_fault", text="the pin failed")
    assert human.text() == "12:00:00Z  WARNING: broker: refused\n12:00:00Z  ERROR: the pin failed\n"


def test_without_a_sentence_the_event_and_its_fields_are_shown(human: Log) -> None:
    human.log.info("broker_up", port=1883, host="localhost")
    assert human.text() == "12:00:00Z  broker up port=1883 host=localhost\n"


def test_a_trace_follows_on_its_own_lines(human: Log) -> None:
    human.log.error("failed", text="stopping", exc_info=ValueError("brass"))
    assert human.text().splitlines() == ["12:00:00Z  ERROR: stopping", "  ValueError: brass"]


STRANGE = "\x1b[2J\x9b31m\u202e\udcff\r"


def test_what_others_sent_drives_no_terminal_and_passes_for_no_line_of_the_log(human: Log) -> None:
    human.log.warning("refused", text=f"refused: {STRANGE}\n12:00:00Z  relay OFF")
    first, second = human.text().split("\n")[:2]
    assert first == r"12:00:00Z  WARNING: refused: \x1b[2J\x9b31m\u202e\udcff\r"
    assert second == "  12:00:00Z  relay OFF"


def test_in_json_too_it_is_an_escape(machine: Log) -> None:
    machine.log.warning("refused", text=STRANGE, unit="°C")
    line = machine.text().removesuffix("\n")
    assert line.isprintable()
    assert (json.loads(line)["text"], json.loads(line)["unit"]) == (STRANGE, "°C")


# ---- never in the way ----


def fill(writer: LineWriter) -> None:
    """Write more than the pipe holds, so that the writer's thread is stuck."""
    writer.put("x" * 2 * PIPE_BYTES)


def test_a_reader_that_stalls_blocks_nobody_and_the_oldest_lines_are_dropped(pipe: Pipe) -> None:
    writer = LineWriter(pipe.into)
    fill(writer)
    while writer._lines:
        time.sleep(0.001)
    began = time.monotonic()
    for number in range(QUEUE_LINES + 50):
        writer.put(f"line {number}")
    assert time.monotonic() - began < 5.0
    assert writer.dropped == 50
    text = b""
    while b"line 1049\n" not in text:
        text += os.read(pipe.out, PIPE_BYTES)
    assert text.splitlines()[1:] == [b"line %d" % number for number in range(50, QUEUE_LINES + 50)]


def test_once_the_reader_reads_again_the_log_says_how_many_lines_were_lost(machine: Log) -> None:
    fill(machine.writer)
    while machine.writer._lines:
        time.sleep(0.001)
    for number in range(QUEUE_LINES + 50):
        machine.log.info("line", number=number)
    text = b""
    while b"lines_dropped" not in text:
        text += os.read(machine.pipe.out, PIPE_BYTES)
    [told] = [json.loads(line) for line in text.splitlines() if b"lines_dropped" in line]
    assert told["text"] == f"{told['lines']} lines of this log were lost"
    assert 50 <= told["lines"] <= 52
    assert told["level"] == "warning"


def test_a_log_that_loses_line_after_line_says_so_once_a_minute(pipe: Pipe) -> None:
    writer = LineWriter(pipe.into)
    told: list[int] = []
    writer.on_dropped = told.append
    for _ in range(5):
        writer.dropped += 1
        writer.put("one")
        writer.flush(5)
    assert told == [1]


def test_a_reader_that_went_away_is_no_reason_to_fail(pipe: Pipe) -> None:
    pipe.close(pipe.out)
    writer = LineWriter(pipe.into)
    writer.put("one")
    writer.put("two")
    writer.flush(5)
    assert writer.dropped == 2


def test_a_descriptor_that_cannot_be_written_is_no_reason_to_fail(pipe: Pipe) -> None:
    writer = LineWriter(pipe.out)  # the reading end
    writer.put("one")
    writer.flush(5)
    assert writer.dropped == 1


def test_a_descriptor_that_does_not_block_is_written_as_far_as_it_takes(pipe: Pipe) -> None:
    os.set_blocking(pipe.into, False)
    writer = LineWriter(pipe.into)
    writer.put("one")
    fill(writer)
    writer.flush(5)
    assert writer.dropped == 1
    assert pipe.text().startswith("one\n")


def test_flush_waits_for_the_line_that_is_just_being_written(pipe: Pipe) -> None:
    writer = LineWriter(pipe.into)
    fill(writer)
    while writer._lines:
        time.sleep(0.001)  # the thread has taken it, and is stuck in the middle of it
    done = threading.Event()
    threading.Thread(target=lambda: (writer.flush(10), done.set())).start()
    assert not done.wait(0.05)
    read = 0
    while read < 2 * PIPE_BYTES + 1:
        read += len(os.read(pipe.out, PIPE_BYTES))
    assert done.wait(5)


def test_flush_gives_up_on_a_reader_that_stalls(pipe: Pipe) -> None:
    writer = LineWriter(pipe.into)
    fill(writer)
    began = time.monotonic()
    writer.flush(0.05)
    assert 0.05 <= time.monotonic() - began < 5.0
    pipe.close(pipe.out)  # lets the thread go on


def test_flush_has_nothing_to_wait_for_when_nothing_was_written(pipe: Pipe) -> None:
    LineWriter(pipe.into).flush(60)


# ---- what repeats ----


def test_the_first_of_a_kind_is_let_through_and_then_one_a_minute_with_a_count() -> None:
    repeats = RateLimiter()
    told = {t: repeats.allow("rejected", float(t)) for t in range(150)}
    assert {t: left_out for t, left_out in told.items() if left_out is not None} == {0: 0, 60: 59, 120: 59}


def test_kinds_are_told_apart() -> None:
    repeats = RateLimiter()
    assert [repeats.allow(kind, 0.0) for kind in ("rejected", "refused", "rejected")] == [0, 0, None]


def test_a_kind_that_rested_for_a_minute_begins_anew() -> None:
    repeats = RateLimiter()
    assert repeats.allow("rejected", 0.0) == 0
    assert repeats.allow("rejected", REPEAT_EVERY_S) == 0


def test_ever_new_kinds_do_not_fill_the_memory_and_are_not_all_let_through() -> None:
    repeats = RateLimiter()
    let_through = sum(repeats.allow(("refused", number), number / 1000) is not None for number in range(10_000))
    assert len(repeats._seen) <= REPEATS_KEPT + 1
    assert let_through <= REPEATS_KEPT + 1


def test_after_a_flood_of_kinds_the_log_speaks_again() -> None:
    repeats = RateLimiter()
    for number in range(10_000):
        repeats.allow(("refused", number), 0.0)
    assert [repeats.allow(kind, REPEAT_EVERY_S) for kind in ("broker", "pin", "broker")] == [0, 0, None]


# ---- whose line it is ----


def test_every_line_for_machines_says_whose_it_is_libraries_lines_and_lost_ones_too(pipe: Pipe) -> None:
    context = {"instance": "heater", "boot_id": "b0075000-0000-4000-8000-000000000000", "version": "0.1.0"}
    log, writer = open_log(pipe.into, lambda: NOON, human=False, context=context)
    log.info("stopped", text="stopped")
    logging.getLogger("some.library").warning("odd")
    writer.on_dropped(3)
    writer.flush(5)
    lines = [json.loads(line) for line in pipe.text().splitlines()]
    assert [line["event"] for line in lines] == ["stopped", "library", "lines_dropped"]
    assert all(context.items() <= line.items() for line in lines)


def test_a_line_on_a_terminal_begins_with_the_name_where_there_is_one(pipe: Pipe) -> None:
    log, writer = open_log(pipe.into, lambda: NOON, human=True, context={"instance": "heater"})
    log.warning("fault", text="pin: stuck")
    writer.flush(5)
    assert pipe.text() == "12:00:00Z  heater: WARNING: pin: stuck\n"


def test_the_boot_is_that_of_the_kernel_and_left_out_where_there_is_none(tmp_path: Path) -> None:
    """random(4): boot_id is a random string generated once per boot, formatted as a UUID."""
    kernel = tmp_path / "boot_id"
    kernel.write_text("b0075000-0000-4000-8000-000000000000\n")
    several = log_context("heater", human=False, several=True, kernel=kernel)
    assert several == {
        "instance": "heater",
        "boot_id": "b0075000-0000-4000-8000-000000000000",
        "version": __version__,
    }
    alone = log_context("heater", human=False, several=False, kernel=tmp_path / "nowhere")
    assert alone == {"instance": "heater", "version": __version__}
    assert log_context("heater", human=True, several=True, kernel=kernel) == {"instance": "heater"}
    assert log_context("heater", human=True, several=False, kernel=kernel) == {}


def test_every_line_of_a_running_daemon_says_whose_it_is(tmp_path: Path) -> None:
    daemon = Alone(tmp_path)
    try:
        daemon.begun()
        assert daemon.stop() == 0
    finally:
        daemon.kill()
    boot_id = KERNEL_BOOT_ID.read_text().strip()
    assert len(daemon.log) >= 2
    for line in daemon.log:
        assert (line["instance"], line["boot_id"], line["version"]) == ("barge", boot_id, __version__), line
