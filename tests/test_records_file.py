"""A file as parts of whole lines, in constant memory."""

import gzip
import os
import socket
import tracemalloc
from pathlib import Path

import pytest

from dumpload.records.file import PART_BYTES, TextLines, magic, parts
from dumpload.records.record import ReadLog, RecordError


@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["plain", "gzip"])
def test_parts_together_are_the_file_and_know_their_lines(tmp_path: Path, pack: object) -> None:
    assert callable(pack)
    lines = [f"{number},{'x' * (number % 300)}" for number in range(5000)]
    path = tmp_path / "log"
    path.write_bytes(pack("\n".join(lines).encode()))
    found = list(parts(path, ReadLog()))
    assert b"".join(part.data for part in found).decode() == "\n".join(lines) + "\n"
    assert [part.torn for part in found[:-1]] == [False] * (len(found) - 1)
    assert found[-1].torn
    for part in found:
        assert part.data.endswith(b"\n")
        assert part.data.startswith(f"{part.line - 1},".encode())
    numbered = TextLines(path, ReadLog(), found)
    assert [(numbered.number, line.rstrip("\n")) for line in numbered] == list(enumerate(lines, 1))


def test_how_far_it_is_read_is_told(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"0123456789\n" * PART_BYTES)
    shares: list[float] = []
    list(parts(path, ReadLog(shares.append)))
    assert len(shares) > 5
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"2025-06-16T12:00:00Z,97.5\n" * 800_000)
    tracemalloc.start()
    try:
        for _part in parts(path, ReadLog()):
            pass
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert path.stat().st_size > 20_000_000
    assert peak < 2_000_000


def test_what_is_not_utf_8_is_kept_as_a_sign_of_it(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"time,26 \xb0C\n")
    assert list(TextLines(path, ReadLog(), parts(path, ReadLog()))) == ["time,26 \ufffdC\n"]


def test_a_file_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="expected a readable file: No such file"):
        magic(tmp_path / "none")


def test_magic_looks_into_a_gzip_file(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(gzip.compress(b'{"time"'))
    assert magic(path) == b'{"time"'
    path.write_bytes(b"\x1f\x8bnothing of the kind")
    with pytest.raises(RecordError, match="a whole gzip file"):
        magic(path)


def test_what_is_no_plain_file_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "socket"))
    for path, words in {
        tmp_path: "a regular file, not a folder",
        tmp_path / "pipe": "a regular file, not a pipe",
        tmp_path / "socket": "a regular file, not a socket",
        Path("/dev/zero"): "a regular file, not a device",
        Path("/dev/tty"): "expected a ",
        tmp_path / ("x" * 300): "File name too long",
        tmp_path / "a\0b": "expected a readable file",
    }.items():
        with pytest.raises(RecordError) as refused:
            magic(path)
        assert words in str(refused.value)
        assert str(refused.value).isprintable()
