"""A progress bar for long tasks; silent unless standard error is a terminal."""

import time
from typing import Self, TextIO

_BAR = 40
_QUIET_S = 0.5
_EVERY_S = 0.1
_CLEAR = "\r\x1b[K"


class Bar:
    """Use as a context; hand `watch` to the task."""

    def __init__(self, stream: TextIO, label: str) -> None:
        self._stream = stream
        self._words = label
        self._is_watched = stream.isatty()
        self._next = time.monotonic() + _QUIET_S
        self._shown = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        if self._shown:
            self._stream.write(_CLEAR)
            self._stream.flush()

    def say(self, text: str) -> None:
        """Write a line, in place of the bar."""
        self._stream.write(f"{_CLEAR if self._shown else ''}{text}\n")
        self._stream.flush()
        self._shown = False

    def watch(self, part: float) -> None:
        """Show progress (0 to 1)."""
        if not self._is_watched or time.monotonic() < self._next:
            return
        self._next = time.monotonic() + _EVERY_S
        self._shown = True
        filled = int(_BAR * min(1.0, part))
        self._stream.write(f"\r{self._words} [{'#' * filled}{'.' * (_BAR - filled)}] {100 * min(1.0, part):3.0f} %")
        self._stream.flush()
