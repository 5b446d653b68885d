"""What every bench needs: a row of the table, percentiles, processor time, a broker, child processes.

A bench compares ours with a floor: the least that any program for the job must do. Both are measured in the same
minutes, in random order, since the machine is never equally busy twice.
"""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parent
PATIENCE_S = 20.0


class Row(NamedTuple):
    """One line of the table. `ratio`: ours to floor, None where ours is held against an absolute limit."""

    measure: str
    floor: str
    ours: str
    ratio: float | None
    limit: str
    fine: bool


def at_most(measure: str, floor: float, ours: float, limit: float, unit: str) -> Row:
    """Return a row for what must not be more than `limit` times the floor."""
    ratio = ours / floor
    return Row(measure, f"{floor:.4g} {unit}", f"{ours:.4g} {unit}", ratio, f"<= {limit:.2f} x", ratio <= limit)


def at_least(measure: str, floor: float, ours: float, limit: float, unit: str) -> Row:
    """Return a row for what must not be less than `limit` times the floor."""
    ratio = ours / floor
    return Row(measure, f"{floor:.4g} {unit}", f"{ours:.4g} {unit}", ratio, f">= {limit:.2f} x", ratio >= limit)


def told(measure: str, floor: float, ours: float, unit: str) -> Row:
    """Return a row that has no limit: the floor does less than the job."""
    return Row(measure, f"{floor:.4g} {unit}", f"{ours:.4g} {unit}", ours / floor, "-", fine=True)


def absolute(measure: str, ours: float, limit: float, unit: str) -> Row:
    """Return a row for what has an absolute limit."""
    return Row(measure, "-", f"{ours:.4g} {unit}", None, f"<= {limit:g} {unit}", ours <= limit)


def absolute_least(measure: str, ours: float, limit: float, unit: str) -> Row:
    """Return a row for what has an absolute limit from below."""
    return Row(measure, "-", f"{ours:.4g} {unit}", None, f">= {limit:g} {unit}", ours >= limit)


def fact(measure: str, *, holds: bool) -> Row:
    """Return a row for what must simply be so."""
    return Row(measure, "-", "yes" if holds else "no", None, "yes", holds)


def percentile(values: Sequence[float], percent: float) -> float:
    """Return the value below which `percent` of the values lie (nearest rank)."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(len(ordered) * percent / 100))]


def cpu_ns(pid: int) -> int:
    """Return the processor time (ns) of all living threads of a process, to the nanosecond."""
    times = [task.read_text().split()[0] for task in Path(f"/proc/{pid}/task").glob("*/schedstat")]
    return sum(map(int, times))


def memory_kib(pid: int, kind: str = "VmRSS") -> int:
    """Return the resident memory of a process (KiB); `VmHWM` for its peak."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(f"{kind}:"):
            return int(line.split()[1])
    msg = f"process {pid} has no {kind}"
    raise LookupError(msg)


def free_port() -> int:
    """Return a TCP port that nobody listens on."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@contextlib.contextmanager
def folder() -> Iterator[Path]:
    """Yield a folder that is removed afterwards."""
    path = Path(tempfile.mkdtemp(prefix="dumpload-bench-"))
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)


@contextlib.contextmanager
def process(*command: str | Path, **options: object) -> Iterator[subprocess.Popen[str]]:
    """Run a program; when done with it, end it by SIGTERM and wait."""
    child = subprocess.Popen(list(map(str, command)), text=True, **options)  # type: ignore[call-overload]
    try:
        yield child
    finally:
        if child.poll() is None:
            child.send_signal(signal.SIGTERM)
        try:
            child.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


@contextlib.contextmanager
def script(name: str, *arguments: object, **options: object) -> Iterator[subprocess.Popen[str]]:
    """Run a script of this folder with this interpreter."""
    with process(sys.executable, HERE / name, *map(str, arguments), **options) as child:
        yield child


@contextlib.contextmanager
def broker(port: int, work: Path) -> Iterator[subprocess.Popen[str]]:
    """Run mosquitto on loopback; yield once it accepts connections."""
    program = shutil.which("mosquitto", path=f"{os.environ['PATH']}:/usr/sbin") or "mosquitto"
    config = work / f"mosquitto-{port}.conf"
    # No limit on what waits: a message dropped by the broker would be missing from the count.
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nlog_type none\n")
    with process(program, "-c", config) as child:
        wait_until(lambda: accepts(port), "mosquitto to accept connections")
        yield child


def accepts(port: int) -> bool:
    """Return whether something accepts connections on a port of loopback."""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1.0):
        return True
    return False


def wait_until(true: object, what: str, within_s: float = PATIENCE_S) -> None:
    """Wait until `true()` is.

    Raises:
        TimeoutError: it never was.
    """
    assert callable(true)
    end = time.monotonic() + within_s
    while not true():
        if time.monotonic() > end:
            msg = f"waited {within_s:g} s for {what}"
            raise TimeoutError(msg)
        time.sleep(0.01)


SETTINGS = """
name = "{name}"
[mqtt]
host = "127.0.0.1"
port = {port}
protocol = "{protocol}"
[telemetry.state_of_charge]
topic = "{topic}"
max_age_s = {max_age_s}
[control]
floor_percent = 5
confirm_s = {confirm_s}
min_on_s = {min_on_s}
min_off_s = {min_off_s}
[permissive]
window = []
{permissive}
[relay]
pin = 17
pin_factory = "{pin_factory}"
"""


USUAL = {
    "name": "barge",
    "port": 1883,
    "protocol": "5",
    "topic": "barge/charge",
    "max_age_s": 60.0,
    "confirm_s": 0.0,
    "min_on_s": 0.0,
    "min_off_s": 0.0,
    "pin_factory": "mock",
}


def write_settings(path: Path, *, max_on_s: float | None = None, **changes: object) -> Path:
    """Write the settings of the bench's barge: no dwell, no confirmation, so that every message can flip the relay."""
    permissive = "" if max_on_s is None else f"max_on_s = {max_on_s}"
    path.write_text(SETTINGS.format(**(USUAL | changes), permissive=permissive))
    return path


def light_environment() -> Path:
    """Return the interpreter of a virtual environment with the wheel of this checkout, its dependencies and lgpio."""
    checkout = HERE.parents[1]
    light = checkout / ".venv-bench"
    python = light / "bin" / "python"
    if not python.exists():
        subprocess.run([sys.executable, "-m", "venv", light], check=True)
    with folder() as wheels:
        pip = ["-m", "pip", "--disable-pip-version-check", "-q"]
        build = [sys.executable, *pip, "wheel", "--no-deps", "-w", wheels, checkout]
        subprocess.run(build, check=True)
        wheel = next(wheels.glob("*.whl"))
        subprocess.run([python, *pip, "install", "--force-reinstall", "--no-deps", wheel], check=True)
        subprocess.run([python, *pip, "install", f"{wheel}[gpio]"], check=True)
    return python
