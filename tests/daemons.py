"""The real daemon in a process of its own: its settings, its log, its line, its memory, and how to end it."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO, Any, NamedTuple, Self

from waiting import PATIENCE_S, boot_clock, eventually

CHARGE = "barge/bank/charge"
BASE = "dumpload/barge"

MAX_AGE_S = 2.0
CONFIRM_S = 0.3
MIN_ON_S = 0.3
MIN_OFF_S = 0.4

# Cut-in 97 %, cut-out 93 % and floor 50 % are the defaults; the times are short.
SETTINGS: dict[str, Any] = {
    "name": "barge",
    "telemetry.state_of_charge.topic": CHARGE,
    "telemetry.state_of_charge.max_age_s": MAX_AGE_S,
    "control.confirm_s": CONFIRM_S,
    "control.min_on_s": MIN_ON_S,
    "control.min_off_s": MIN_OFF_S,
    "permissive.window": [],
    "relay.pin": 17,
    "relay.pin_factory": "mock",
    "request.enabled": True,
}

TESTS = Path(__file__).parent


class Edge(NamedTuple):
    """One change of the line: seconds since boot, and whether it went on."""

    t: float
    on: bool


def write_settings(path: Path, settings: Mapping[str, Any]) -> Path:
    """Write a settings file; a key of None is left out."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in settings.items() if value is not None]
    path.write_text("\n".join([*lines, ""]))
    return path


def plain_environment(**more: str) -> dict[str, str]:
    """Return our environment without what would reach into a daemon's settings."""
    theirs = ("DUMPLOAD_", "NOTIFY_", "WATCHDOG_", "STATE_DIRECTORY", "RUNTIME_DIRECTORY")
    return {name: text for name, text in os.environ.items() if not name.startswith(theirs)} | more


def run_dumpload(
    *args: str, folder: Path, environ: Mapping[str, str] | None = None, options: Sequence[str] = ()
) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    command = [sys.executable, *options, "-m", "dumpload", *args]
    env = plain_environment(**(environ or {}))
    return subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True, timeout=PATIENCE_S, check=False)


# Options that make Python say on standard error what it imports.
TIMED = ("-X", "importtime")


def pin_libraries(ended: subprocess.CompletedProcess[str]) -> set[str]:
    """Return which pin libraries a command run with `TIMED` imported."""
    lines = [line for line in ended.stderr.splitlines() if line.startswith("import time")]
    imported = {line.rsplit("|", 1)[1].strip().split(".")[0] for line in lines}
    assert "dumpload" in imported
    return imported & {"gpiozero", "lgpio", "RPi", "pigpio"}


class Daemon:
    """`dumpload run`, as the service manager starts it; or with its line recorded (`records`), see launcher.py."""

    def __init__(
        self, parent: Path, settings: Mapping[str, Any], *, name: str = "daemon", records: bool = True
    ) -> None:
        folder = parent / name
        folder.mkdir()
        self.folder = folder
        self.config = write_settings(folder / "dumpload.toml", settings)
        self.faults = folder / "faults"
        self.faults.mkdir()
        self.line_file = folder / "line"
        self.log_file = folder / "log"
        self.records = records
        self.environ: dict[str, str] = {}
        self.arguments: list[str] = []
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def command(self) -> list[str]:
        program = [str(TESTS / "launcher.py")] if self.records else ["-m", "dumpload"]
        return [sys.executable, *program, "run", "--config", str(self.config), *self.arguments]

    def start(self, stderr: IO[bytes] | int | None = None) -> Self:
        """Start the process; its log goes to a file unless `stderr` says otherwise."""
        rig = {"RIG_LINE": str(self.line_file), "RIG_FAULTS": str(self.faults)}
        with self.log_file.open("ab") as log:
            self.process = subprocess.Popen(
                self.command,
                cwd=self.folder,
                env=plain_environment(**rig, **self.environ),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=log if stderr is None else stderr,
            )
        return self

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    @property
    def is_running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def signal(self, number: int) -> float:
        """Send a signal and return the moment."""
        assert self.process is not None
        moment = boot_clock()
        self.process.send_signal(number)
        return moment

    def wait(self, within_s: float = PATIENCE_S) -> int:
        """Wait for the end, and return the exit code."""
        assert self.process is not None
        return self.process.wait(within_s)

    def stop(self) -> int:
        """End it in good order and return the exit code."""
        self.signal(signal.SIGTERM)
        return self.wait()

    def kill(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()

    # ---- what it leaves behind ----

    @property
    def raw_log(self) -> str:
        return self.log_file.read_text("utf-8", "replace") if self.log_file.exists() else ""

    @property
    def log(self) -> list[dict[str, Any]]:
        """Its log so far, without a line that is not whole yet; what is not JSON is {"raw": line}."""
        lines = self.raw_log.split("\n")[:-1]
        return [json.loads(line) if line.startswith("{") else {"raw": line} for line in lines]

    def logged(self, event: str, **fields: Any) -> list[dict[str, Any]]:
        """Return the log's entries of this event with these fields; a field's text need only be part of it."""
        return [
            entry
            for entry in self.log
            if entry.get("event") == event
            and all(value == entry.get(key) or str(value) in str(entry.get(key)) for key, value in fields.items())
        ]

    def await_log(self, event: str, *, times: int = 1, **fields: Any) -> dict[str, Any]:
        """Wait for an entry (the last of so many)."""
        eventually(lambda: len(self.logged(event, **fields)) >= times, f"{event} {fields}")
        return self.logged(event, **fields)[-1]

    @property
    def line(self) -> list[Edge]:
        """Every change of the relay's line so far, over all starts."""
        text = self.line_file.read_text() if self.line_file.exists() else ""
        rows = [row.split() for row in text.split("\n")[:-1]]
        return [Edge(float(t), level == "1") for t, pin, level in rows if pin == "GPIO17"]

    @property
    def ons(self) -> list[float]:
        """When the line went on."""
        return [edge.t for edge in self.line if edge.on]

    def await_edge(self, *, on: bool, after: float, within_s: float = PATIENCE_S) -> Edge:
        """Wait for the line to go on (or off) after a moment."""
        what = f"the line to go {'on' if on else 'off'}"
        return eventually(lambda: next((e for e in self.line if e.on == on and e.t > after), None), what, within_s)

    def memory_kib(self, kind: str = "VmHWM") -> int:
        """Return resident memory: VmRSS now, VmHWM at its highest."""
        text = Path(f"/proc/{self.pid}/status").read_text()
        return int(next(line for line in text.splitlines() if line.startswith(kind)).split()[1])

    def set_fault(self, name: str, text: str = "") -> None:
        """Turn a fault of the launcher's on."""
        (self.faults / f"{name}.new").write_text(text)
        (self.faults / f"{name}.new").rename(self.faults / name)

    def clear_fault(self, name: str) -> None:
        (self.faults / name).unlink()
