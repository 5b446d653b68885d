"""Show a status: coloured, wrapped and redrawn on a terminal, plain lines elsewhere."""

import json as json_text
import os
import time
from collections.abc import Mapping
from typing import Any, TextIO

from dumpload.daemon.screen import Line, brief, render, screen

Document = dict[str, Any]

# Where the width is not known, as on a pipe (common practice, no source: that of the first video terminals).
USUAL_COLUMNS, USUAL_LINES = 80, 24

# CUP to the first column of the first line, and ED to the end of the page (ECMA-48, 8.3.21 and 8.3.39).
_CLEAR = "\x1b[H\x1b[J"


class Display:
    """Shows one status after another on a stream."""

    def __init__(self, out: TextIO, environ: Mapping[str, str], *, brief: bool, json: bool, follow: bool) -> None:
        """Inspect the stream once: redraw on a capable terminal unless one line or JSON is wanted."""
        is_capable = out.isatty() and environ.get("TERM", "") not in ("", "dumb")
        self._out, self._json = out, json
        self._colour = is_capable and not environ.get("NO_COLOR")  # https://no-color.org
        self.redraws = follow and is_capable and not (brief or json)
        self._brief = brief or (follow and not self.redraws)

    def show(self, status: Document) -> None:
        """Show one status."""
        if self._json:
            self._write(json_text.dumps(status) + "\n")
        elif self._brief:
            self._write(brief(status) + "\n")
        elif self.redraws:
            columns, lines = self._size()
            self._write(_CLEAR + render(screen(status, columns, time.time())[: lines - 1], colour=self._colour) + "\n")
        else:
            self._write(render(screen(status, self._size()[0], time.time()), colour=self._colour) + "\n")

    def show_all(self, statuses: list[Document]) -> None:
        """Show several, one below the other."""
        for index, status in enumerate(statuses):
            if index and not self._brief:
                self._write(render([Line("")], colour=False) + "\n")
            self.show(status)

    def _size(self) -> tuple[int, int]:
        """Return columns and lines; asked each time, for a window that is resized."""
        try:
            size = os.get_terminal_size(self._out.fileno())
        except (OSError, ValueError):
            return USUAL_COLUMNS, USUAL_LINES
        return size.columns or USUAL_COLUMNS, size.lines or USUAL_LINES

    def _write(self, text: str) -> None:
        self._out.write(text)
        self._out.flush()
