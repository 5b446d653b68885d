"""A record's file as whole lines of text, block by block: plain or gzip, UTF-8, of any length in constant memory.

Knows lines, not what stands in them; a quick reader may be offered them first.
"""

import gzip
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, NamedTuple, cast

from dumpload.study.records.items import Stretch
from dumpload.study.records.record import Account, RecordError

BLOCK_BYTES = 64 * 1024
OFFERED_BYTES = 16 * BLOCK_BYTES
MAX_LINE_BYTES = 1024 * 1024
"""A row is a few hundred bytes: a longer line is some other file (our choice, no source)."""

_GZIP = b"\x1f\x8b"
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_TORN_GZIP = (EOFError, zlib.error, gzip.BadGzipFile)


class Block(NamedTuple):
    """So many whole lines, each with its line feed. `line`: the number of the first; `torn`: the last had no end.

    `taken`: what a quick reader has made of the lines, in place of their text.
    """

    line: int
    text: str
    lines: int
    torn: bool = False
    taken: Stretch | None = None


Taker = Callable[[bytes], Stretch | None]
"""A quick reader: makes a stretch of whole lines, a row of each, or leaves them to be read as text."""


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


def blocks(path: Path, account: Account, take: Taker | None = None) -> Iterator[Block]:
    """Yield the file's lines; lines may end in CR LF, and the file may begin with a byte order mark.

    `take` is offered more lines at a time, unless they are packed; what it does not take is yielded as without it.

    Raises:
        RecordError: it cannot be read, is not text, or has a line longer than `MAX_LINE_BYTES`.
    """
    size = max(1, path.stat().st_size)
    lines = _Lines(path)
    with _opened(path) as (file, raw):
        offered = take if file is raw else None
        for data in _parts(file, account, OFFERED_BYTES if offered else BLOCK_BYTES):
            account.watch(raw.tell() / size)
            block = lines.offer(data, offered) if offered else None
            if block is not None:
                yield block
            else:
                yield from lines.blocks(data)
    if lines.rest:
        yield Block(lines.line, _decode(path, lines.line, lines.rest) + "\n", 1, torn=True)


class _Lines:
    """Puts the parts of a file together to whole lines. `line`: the number of the next; `rest`: how it begins."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.line = 1
        self.rest = b""

    def offer(self, data: bytes, take: Taker) -> Block | None:
        """Return the next part as taken; None if it was not."""
        cut = data.rfind(b"\n") + 1
        whole = self.rest + data[:cut]
        if not cut or not (taken := take(whole)):
            return None
        block = Block(self.line, "", taken.rows, taken=taken)
        self.line += block.lines
        self.rest = data[cut:]
        return block

    def blocks(self, data: bytes) -> Iterator[Block]:
        """Yield the next part as text, in blocks."""
        for begin in range(0, len(data), BLOCK_BYTES):
            part = data[begin : begin + BLOCK_BYTES]
            cut = part.rfind(b"\n") + 1
            if not cut:
                self.rest += part
                _check_length(self._path, self.line, self.rest)
                continue
            text = _decode(self._path, self.line, self.rest + part[:cut])
            block = Block(self.line, text, text.count("\n"))
            self.line += block.lines
            self.rest = part[cut:]
            yield block


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


def _parts(file: BinaryIO, account: Account, size: int) -> Iterator[bytes]:
    while True:
        try:
            data = file.read(size)
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
