"""The real daemon without a broker: whoever wants something of it uses the local socket."""

import json
import socket
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

from daemons import SETTINGS, Daemon, run_dumpload
from waiting import eventually

NOWHERE = {"mqtt.port": 1, "request.enabled": False, "history.path": None}


class Alone(Daemon):
    """A daemon whose broker is down, with the folders that the service manager makes for it."""

    def __init__(self, parent: Path, place: str = "daemon", **keys: Any) -> None:
        super().__init__(parent, {**SETTINGS, **NOWHERE, **keys}, name=place)
        (self.folder / "run").mkdir()
        (self.folder / "state").mkdir()
        self.environ = {"RUNTIME_DIRECTORY": f"{self.folder}/run", "STATE_DIRECTORY": f"{self.folder}/state"}
        self.before: list[str] = []

    @property
    def socket(self) -> Path:
        return self.folder / "run" / "control.sock"

    @property
    def view(self) -> Path:
        return self.folder / "run" / "status.sock"

    @property
    def command(self) -> list[str]:
        python, *rest = super().command
        return [python, *self.before, *rest]

    def begun(self) -> "Alone":
        self.start()
        eventually(self.answers, "an answer on the socket")
        return self

    def call(self, *arguments: str, **environ: str) -> CompletedProcess[str]:
        run = {"RUNTIME_DIRECTORY": f"{self.folder}/run", **environ}
        return run_dumpload(*arguments, "--config", str(self.config), folder=self.folder, environ=run)

    def ask(self, text: str | bytes, door: Path | None = None) -> dict[str, Any]:
        with socket.socket(socket.AF_UNIX) as line:
            line.settimeout(30)
            line.connect(str(door or self.socket))
            line.sendall(text if isinstance(text, bytes) else text.encode())
            with line.makefile() as answers:
                return json.loads(answers.readline() or "{}")  # type: ignore[no-any-return]

    def answers(self, door: Path | None = None) -> bool:
        try:
            return "status" in self.ask('{"status": true}\n', door)
        except OSError:
            return False

    @property
    def kept(self) -> dict[str, Any]:
        return json.loads((self.folder / "state" / "kept.json").read_text())  # type: ignore[no-any-return]
