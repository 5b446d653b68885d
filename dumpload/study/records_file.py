"""A record's file as whole lines of text, block by block: plain or gzip, UTF-8, of any length in constant memory.

Knows lines, not what stands in them.
"""

import gzip
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, NamedTuple, cast

from dumpload.study.records import Account, RecordError

BLOCK_BYTES = 64 * 1024
MAX_LINE_BYTES = 1024 * 1024
"""A row is a few hundred bytes: a longer line is some other file (our choice, no source)."""

_GZIP = b"\x1f\x8b"
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_TORN_GZIP = (EOFError, zlib.error, gzip.BadGzipFile)


class Block(NamedTuple):
    """So many whole lines, each with its line feed. `line`: the number of the first; `torn`: the last had no end."""

    line: int
    text: str
    lines: int
    torn: bool = False


def magic(path: Path) -> bytes:
    """Return how the (unpacked) file begins.

    Raises:
        RecordError: it cannot be read.
    """
    with _opened(path) as (file, _raw):
        try:
            return file.read(256)
        except _TORN_GZIP as error:
            raise RecordError(path, f"a whole gzip file: {error}") from None


def blocks(path: Path, account: Account) -> Iterator[Block]:
    """Yield the file's lines; lines may end in CR LF, and the file may begin with a byte order mark.

    Raises:
        RecordError: it cannot be read, is not text, or has a line longer than `MAX_LINE_BYTES`.
    """
    size = max(1, path.stat().st_size)
    line, rest = 1, b""
    with _opened(path) as (file, raw):
        for data in _parts(file, account):
            account.watch(raw.tell() / size)
            cut = data.rfind(b"\n") + 1
            if not cut:
                rest += data
                _check_length(path, line, rest)
                continue
            text = _decode(path, line, rest + data[:cut])
            lines = text.count("\n")
            yield Block(line, text, lines)
            line += lines
            rest = data[cut:]
    if rest:
        yield Block(line, _decode(path, line, rest) + "\n", 1, torn=True)


@contextmanager
def _opened(path: Path) -> Iterator[tuple[BinaryIO, BinaryIO]]:
    """Open the file; yield what gives its content, and the file itself, whose position shows the progress."""
    try:
        with path.open("rb") as raw:
            packed = raw.read(2) == _GZIP
            raw.seek(0)
            file = cast("BinaryIO", gzip.GzipFile(fileobj=raw)) if packed else raw
            yield file, raw
    except OSError as error:
        if isinstance(error, gzip.BadGzipFile):
            raise
        raise RecordError(path, f"a readable file: {error.strerror or error}") from None


def _parts(file: BinaryIO, account: Account) -> Iterator[bytes]:
    while True:
        try:
            data = file.read(BLOCK_BYTES)
        except _TORN_GZIP as error:
            account.torn = f"the compressed file ends early or is damaged ({error}); what came before was read"
            return
        if not data:
            return
        yield data


def _check_length(path: Path, line: int, rest: bytes) -> None:
    if len(rest) > MAX_LINE_BYTES:
        raise RecordError(path, f"lines of text, none longer than {MAX_LINE_BYTES} bytes", line=line)


def _decode(path: Path, line: int, data: bytes) -> str:
    if line == 1:
        if data.startswith(_UTF16):
            raise RecordError(path, "UTF-8 text; this is UTF-16 (save it anew as UTF-8)")
        data = data.removeprefix(b"\xef\xbb\xbf")
    if b"\0" in data:
        line += data[: data.index(b"\0")].count(b"\n")
        raise RecordError(path, "text; there are NUL bytes", line=line)
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n")
    return data.decode("utf-8", "replace")
