"""The real live page in a process of its own, over the real daemon or none; and clients that ask it."""

import http.client
import json
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple, Self

from brokers import HOST, free_port
from daemons import plain_environment, write_settings
from waiting import PATIENCE_S, eventually


class Answer(NamedTuple):
    """What came back."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()


class Page:
    """`dumpload serve` for a settings file, which another process may run the daemon of."""

    def __init__(self, config: Path, run: Path, *options: str, name: str = "page", **environ: str) -> None:
        self.config, self.port = config, free_port()
        self.log_file = config.parent / f"{name}.log"
        self.options = options
        self.environ = {"RUNTIME_DIRECTORY": str(run), **environ}
        self.process: subprocess.Popen[bytes] | None = None
        self.context: ssl.SSLContext | None = None
        self.viewers: list[Events] = []

    def start(self, address: str = HOST) -> Self:
        """Start it, and wait until it listens."""
        listen = ["--listen", f"{address}:{self.port}"]
        command = [sys.executable, "-m", "dumpload", "serve", "--config", str(self.config), *listen, *self.options]
        with self.log_file.open("ab") as log:
            self.process = subprocess.Popen(
                command, env=plain_environment(**self.environ), stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        eventually(lambda: "listening on" in self.log or not self.is_running, "the page to listen", PATIENCE_S)
        assert self.is_running, self.log
        return self

    @property
    def is_running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    @property
    def log(self) -> str:
        return self.log_file.read_text("utf-8", "replace")

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    def stop(self) -> int:
        """End it in good order and return the exit code."""
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(PATIENCE_S)

    def kill(self) -> None:
        for viewer in self.viewers:
            viewer.close()
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()

    def connect(self) -> http.client.HTTPConnection:
        if self.context is not None:
            return http.client.HTTPSConnection("localhost", self.port, timeout=PATIENCE_S, context=self.context)
        return http.client.HTTPConnection(HOST, self.port, timeout=PATIENCE_S)

    def ask(self, path: str, method: str = "GET", headers: Mapping[str, str] | None = None) -> Answer:
        """Send one request on a connection of its own."""
        line = self.connect()
        try:
            line.request(method, path, headers=dict(headers or {}))
            reply = line.getresponse()
            return Answer(reply.status, {name.lower(): text for name, text in reply.getheaders()}, reply.read())
        finally:
            line.close()

    def raw(self, octets: bytes) -> bytes:
        """Send bytes as they are and return all that comes back until the server hangs up."""
        with socket.create_connection((HOST, self.port), PATIENCE_S) as line:
            line.sendall(octets)
            return b"".join(iter(lambda: line.recv(65_536), b""))

    def events(self, headers: Mapping[str, str] | None = None) -> "Events":
        self.viewers.append(Events(self.connect(), headers or {}))
        return self.viewers[-1]


class Events:
    """One viewer of the stream."""

    def __init__(self, line: http.client.HTTPConnection, headers: Mapping[str, str]) -> None:
        self._line = line
        line.request("GET", "/events", headers={"Accept": "text/event-stream", **headers})
        self.reply = line.getresponse()

    def __iter__(self) -> Iterator[dict[str, str]]:
        """Yield what changed, event by event, until the server ends the stream."""
        while text := self.reply.readline():
            if text.startswith(b"data: "):
                yield json.loads(text.removeprefix(b"data: "))

    def until(self, **texts: str) -> dict[str, Any]:
        """Return the blocks as they are once each of these has its words in it."""
        blocks: dict[str, Any] = {}
        for news in self:
            blocks |= news
            if all(text in blocks.get(name, "") for name, text in texts.items()):
                return blocks
        message = f"the stream ended without {texts}: {blocks}"
        raise AssertionError(message)

    def close(self) -> None:
        self.reply.close()
        self._line.close()


def write_plain_settings(folder: Path, **changes: Any) -> Path:
    """Write settings whose daemon nobody runs."""
    keys = {"name": "barge", "telemetry.state_of_charge.topic": "barge/bank/charge", "relay.pin": 17, **changes}
    return write_settings(folder / "dumpload.toml", keys)
