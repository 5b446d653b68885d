"""Real MQTT brokers for the tests, each on a free port of the loopback: mosquitto, or the embedded one without it."""

import os
import random
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Self

from waiting import PATIENCE_S, eventually

HOST = "127.0.0.1"
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
# Set BROKER=embedded to run as on a machine without mosquitto.
EMBEDDED_ONLY = os.environ.get("BROKER") == "embedded"

# Below the usual ephemeral ports: none of them becomes a client's own port while a broker restarts.
PORTS = range(20_000, 32_000)


def free_port() -> int:
    """Return a port on which nothing listens now."""
    for port in random.sample(PORTS, 100):
        with socket.socket() as probe:
            if probe.connect_ex((HOST, port)):
                return port
    message = "no free port found"
    raise AssertionError(message)


def is_listening(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex((HOST, port)) == 0


class Broker:
    """A broker in a process of its own, on the same port through every restart."""

    speaks_5 = True

    def __init__(self, folder: Path, name: str = "broker") -> None:
        self.folder = folder
        self.name = name
        self.port = free_port()
        self.process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        raise NotImplementedError

    @property
    def log(self) -> str:
        return (self.folder / f"{self.name}.log").read_text("utf-8", "replace")

    def start(self) -> Self:
        """Start, and wait until it listens; another port is taken if this one has just been lost to somebody."""
        for _ in range(3):
            with (self.folder / f"{self.name}.log").open("ab") as log:
                self.process = subprocess.Popen(self.command(), stdout=log, stderr=log, stdin=subprocess.DEVNULL)
            eventually(lambda: is_listening(self.port) or not self.is_running, "the broker to listen")
            if self.is_running:
                return self
            self.port = free_port()
        message = f"the broker does not start: {self.log}"
        raise AssertionError(message)

    @property
    def is_running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        self._end(signal.SIGKILL)

    def restart(self) -> None:
        self.stop()
        self.start()

    def _end(self, number: int) -> None:
        if self.process is not None:
            self.process.send_signal(number)
            self.process.wait(PATIENCE_S)
            self.process = None


class Mosquitto(Broker):
    """The real mosquitto; `lines` are added to its configuration, and let everybody in if empty."""

    def __init__(self, folder: Path, lines: Sequence[str] = (), name: str = "broker") -> None:
        super().__init__(folder, name)
        self.lines = lines

    def command(self) -> list[str]:
        config = self.folder / f"{self.name}.conf"
        who = [] if any(line.startswith("password_file") for line in self.lines) else ["allow_anonymous true"]
        root = ["user root"] if os.geteuid() == 0 else []  # it would drop to a user that cannot read our folder
        logs = ["log_dest stderr", "log_type all", "set_tcp_nodelay true"]
        config.write_text("\n".join([*root, *logs, f"listener {self.port} {HOST}", *who, *self.lines, ""]))
        assert MOSQUITTO is not None
        return [MOSQUITTO, "-c", str(config)]

    def read_again(self) -> None:
        """Have it read its users and access rules again."""
        before = self.log.count("Reloading config.")
        assert self.process is not None
        self.process.send_signal(signal.SIGHUP)
        eventually(lambda: self.log.count("Reloading config.") > before, "the broker to read its files again")


class Embedded(Broker):
    """The broker of the package amqtt, which speaks MQTT 3.1.1 only."""

    speaks_5 = False

    def command(self) -> list[str]:
        return [sys.executable, str(Path(__file__).with_name("embedded_broker.py")), f"{HOST}:{self.port}"]


def write_users(path: Path, users: Mapping[str, str]) -> None:
    """Write mosquitto's password file."""
    path.write_text("".join(f"{name}:{password}\n" for name, password in users.items()))
    path.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", str(path)], check=True, capture_output=True)
