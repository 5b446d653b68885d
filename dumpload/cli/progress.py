"""A bar on a terminal that shows how far a long task is. Nothing is written where nobody watches."""

import time
from typing import Self, TextIO

_BAR = 40
_QUIET_S = 0.5
_EVERY_S = 0.1
_CLEAR = "\r\x1b[K"


class Bar:
    """Use as a context; hand `watch` to the task."""

    def __init__(self, stream: TextIO, words: str) -> None:
        self._stream = stream
        self._words = words
        self._is_watched = stream.isatty()
        self._next = time.monotonic() + _QUIET_S
        self._shown = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        if self._shown:
            self._stream.write(_CLEAR)
            self._stream.flush()

    def say(self, words: str) -> None:
        """Write a line, in place of the bar."""
        self._stream.write(f"{_CLEAR if self._shown else ''}{words}\n")
        self._stream.flush()
        self._shown = False

    def watch(self, part: float) -> None:
        """Show progress (0 to 1)."""
        if not self._is_watched or time.monotonic() < self._next:
            return
        self._next = time.monotonic() + _EVERY_S
        self._shown = True
        done = int(_BAR * min(1.0, part))
        self._stream.write(f"\r{self._words} [{'#' * done}{'.' * (_BAR - done)}] {100 * min(1.0, part):3.0f} %")
        self._stream.flush()
