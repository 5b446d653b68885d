"""A person at a terminal: a program on a pseudo-terminal, what it shows, and what is typed at its questions."""

import os
import pty
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

from waiting import PATIENCE_S, eventually


class Terminal:
    """A program whose input and errors are on a terminal of its own; its standard output goes to a pipe."""

    def __init__(self, command: Sequence[str], folder: Path, environ: Mapping[str, str]) -> None:
        self._leader, follower = pty.openpty()
        self.process = subprocess.Popen(
            command, cwd=folder, env=environ, stdin=follower, stdout=subprocess.PIPE, stderr=follower
        )
        os.close(follower)
        os.set_blocking(self._leader, False)
        self.shown = ""

    def _read(self) -> None:
        try:
            self.shown += os.read(self._leader, 65_536).decode()
        except (BlockingIOError, OSError):  # nothing yet, or the program has ended
            return

    def await_text(self, text: str, within_s: float = PATIENCE_S) -> None:
        def is_there() -> bool:
            self._read()
            return text in self.shown

        eventually(is_there, text, within_s)

    def type(self, line: str) -> None:
        os.write(self._leader, f"{line}\n".encode())

    def end(self, within_s: float = PATIENCE_S) -> tuple[int, str]:
        """Wait for the end; return the exit code and what went to standard output."""
        out, _ = self.process.communicate(timeout=within_s)
        os.close(self._leader)
        return self.process.returncode, out.decode()
