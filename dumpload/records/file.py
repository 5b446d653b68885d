"""A record's file as whole lines, part by part: plain or gzip, UTF-8, of any length in constant memory."""

import gzip
import io
import os
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, NamedTuple, cast

from dumpload.files import FileKindError, open_plain
from dumpload.records.record import ReadLog, RecordError, RowError

PART_BYTES = 64 * 1024

# A row is a few hundred bytes: a longer line is none (our choice, no source).
MAX_LINE_BYTES = 1024 * 1024

# A table packs to a tenth. What unpacks to more than this is a bomb, or all blank lines: deflate ends at 1032.
MAX_UNPACKED_RATIO = 500
_UNPACKED_ANYWAY = 16 * 1024 * 1024

TOO_LONG = f"lines of text, none longer than {MAX_LINE_BYTES} bytes"
NUL_BYTES = "text; there are NUL bytes"

_GZIP = b"\x1f\x8b"
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_TORN_GZIP = (EOFError, zlib.error, gzip.BadGzipFile)


class Part(NamedTuple):
    """Whole lines, each with its line feed. `line`: the number of the first; `torn`: the last had no end."""

    line: int
    data: bytes
    torn: bool = False


def magic(path: Path) -> bytes:
    """Return how the (unpacked) file begins.

    Raises:
        RecordError: it is not a regular file, or cannot be read.
    """
    with _opened(path) as (file, _raw):
        try:
            return file.read(256)
        except _TORN_GZIP as error:
            raise RecordError(path, f"a whole gzip file: {error}") from None


def parts(path: Path, log: ReadLog, size: int = PART_BYTES) -> Iterator[Part]:
    """Yield the file's lines, some `size` bytes at a time. A line that is too long is dropped.

    Lines may end in CR LF or, in the whole file, in CR alone; the file may begin with a byte order mark.

    Raises:
        RecordError: it cannot be read, or is not text.
    """
    joined = _Joined(path, log)
    with _opened(path) as (file, raw):
        whole = max(1, os.fstat(raw.fileno()).st_size)
        for data in _chunks(file, log, size):
            log.watch(raw.tell() / whole)
            if part := joined.add(data):
                yield part
            if file is not raw and joined.bytes > _UNPACKED_ANYWAY + MAX_UNPACKED_RATIO * raw.tell():
                raise RecordError(path, f"a gzip file of no more than {MAX_UNPACKED_RATIO} times its size")
    if joined.rest:
        yield Part(joined.line, joined.rest + b"\n", torn=True)


class _Joined:
    """Puts the chunks of a file together to whole lines. `line`: the number of the next; `rest`: how it begins."""

    def __init__(self, path: Path, log: ReadLog) -> None:
        self._path = path
        self._log = log
        self._is_skipping = self._has_cr_alone = False
        self.line = 1
        self.bytes = 0
        self.rest = b""

    def add(self, data: bytes) -> Part | None:
        """Return the lines that end in the next chunk; None if none does."""
        data = self._begun(data) if not self.bytes else data
        self.bytes += len(data)
        if self._has_cr_alone:
            data = data.replace(b"\r", b"\n")
        if self._is_skipping:
            data = self._skip(data)
        cut = data.rfind(b"\n") + 1
        if not cut:
            self.rest += data
            if len(self.rest) > MAX_LINE_BYTES:
                self._refuse()
            return None
        part = Part(self.line, self.rest + data[:cut])
        self.line += part.data.count(b"\n")
        self.rest = data[cut:]
        return part

    def _begun(self, data: bytes) -> bytes:
        if data.startswith(_UTF16):
            raise RecordError(self._path, "UTF-8 text; this is UTF-16 (save it again as UTF-8)")
        self._has_cr_alone = b"\n" not in data and b"\r" in data[:-1]
        return data.removeprefix(_BYTE_ORDER_MARK)

    def _refuse(self) -> None:
        if self.line == 1:
            raise RecordError(self._path, TOO_LONG, line=1)
        self._log.drop(RowError(self._path, self.line, "", self.rest[:100].decode("utf-8", "replace"), TOO_LONG))
        self.rest = b""
        self._is_skipping = True

    def _skip(self, data: bytes) -> bytes:
        _end, feed, data = data.partition(b"\n")
        if feed:
            self._is_skipping = False
            self.line += 1
        return data


class TextLines:
    """The lines of parts as text, each with its line feed. `number`: that of the last; `torn`: whether it had no end.

    A line with NUL bytes is dropped: a file system may leave some where the power failed.
    """

    def __init__(self, path: Path, log: ReadLog, source: Iterable[Part]) -> None:
        self._path = path
        self._log = log
        self._source = source
        self.number = 0
        self.torn = False

    def __iter__(self) -> Iterator[str]:
        for part in self._source:
            # No row is looked for in a file of blank lines.
            if part.data.isspace():
                continue
            self.number = part.line - 1
            data = part.data.replace(b"\r\n", b"\n") if b"\r" in part.data else part.data
            lines = io.StringIO(data.decode("utf-8", "replace"))
            self.torn = part.torn
            for line in self._without_nul(lines, torn=part.torn) if b"\0" in data else lines:
                self.number += 1
                yield line

    def _without_nul(self, lines: Iterable[str], *, torn: bool) -> Iterator[str]:
        for line in lines:
            if "\0" not in line:
                yield line
                continue
            self.number += 1
            if torn:
                self._log.torn = torn_words(self.number)
            else:
                self._log.drop(RowError(self._path, self.number, "", line.rstrip("\n"), NUL_BYTES))


def torn_words(line: int) -> str:
    """Return what is missing where the last line has no end."""
    return f"the last line ({line}) is incomplete and was ignored"


@contextmanager
def _opened(path: Path) -> Iterator[tuple[BinaryIO, BinaryIO]]:
    """Open the file; yield what gives its content, and the file itself, whose position shows the progress."""
    try:
        with _plain_file(path) as raw:
            packed = raw.read(2) == _GZIP
            raw.seek(0)
            file = cast("BinaryIO", gzip.GzipFile(fileobj=raw)) if packed else raw
            yield file, raw
    except OSError as error:
        if isinstance(error, gzip.BadGzipFile):
            raise
        raise RecordError(path, f"a readable file: {error.strerror or error}") from None


def _plain_file(path: Path) -> BinaryIO:
    try:
        return open_plain(path)
    except FileKindError as error:
        raise RecordError(path, str(error.strerror)) from None
    except ValueError as error:  # a NUL in the name
        raise RecordError(path, f"a readable file: {error}") from None


def _chunks(file: BinaryIO, log: ReadLog, size: int) -> Iterator[bytes]:
    while True:
        try:
            data = file.read(size)
        except _TORN_GZIP as error:
            log.torn = f"the compressed file ends early or is damaged ({error}); the data before that were read"
            return
        if not data:
            return
        yield data
