"""A file as blocks of whole lines, in constant memory."""

import gzip
import tracemalloc
from pathlib import Path

import pytest

from dumpload.study.records.file import BLOCK_BYTES, blocks, magic
from dumpload.study.records.record import Account, RecordError


@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["plain", "gzip"])
def test_blocks_together_are_the_file_and_know_their_lines(tmp_path: Path, pack: object) -> None:
    assert callable(pack)
    lines = [f"{number},{'x' * (number % 300)}" for number in range(5000)]
    path = tmp_path / "log"
    path.write_bytes(pack("\n".join(lines).encode()))
    found = list(blocks(path, Account()))
    assert "".join(block.text for block in found) == "\n".join(lines) + "\n"
    assert [block.torn for block in found[:-1]] == [False] * (len(found) - 1)
    assert found[-1].torn
    for block in found:
        assert block.lines == block.text.count("\n")
        assert block.text.startswith(f"{block.line - 1},")


def test_how_far_it_is_read_is_told(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"0123456789\n" * BLOCK_BYTES)
    parts: list[float] = []
    list(blocks(path, Account(parts.append)))
    assert len(parts) > 5
    assert parts == sorted(parts)
    assert parts[-1] == 1.0


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"2025-06-16T12:00:00Z,97.5\n" * 800_000)
    tracemalloc.start()
    try:
        for _block in blocks(path, Account()):
            pass
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert path.stat().st_size > 20_000_000
    assert peak < 2_000_000


def test_what_is_not_utf_8_is_kept_as_a_sign_of_it(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"time,26 \xb0C\n")
    assert next(blocks(path, Account())).text == "time,26 \ufffdC\n"


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
