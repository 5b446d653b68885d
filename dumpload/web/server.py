"""The server: sockets, TLS, limits on connections and on slow peers, and the end. Only uvicorn's own parts are used."""

import asyncio
import contextlib
import os
import signal
import socket
import ssl
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from types import FrameType
from typing import NamedTuple

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from dumpload.config.model import Settings
from dumpload.config.types import parse_listen
from dumpload.records.history import HistoryRecord
from dumpload.records.record import ReadLog, RecordError
from dumpload.report.report import zone_of
from dumpload.web.app import MOST_VIEWERS, Pages, application
from dumpload.web.current import Current
from dumpload.web.guard import Guard
from dumpload.web.hub import Hub
from dumpload.web.passwords import Doorkeeper, PasswordFileError, read_passwords
from dumpload.web.reader import Reader
from dumpload.web.reports import Reports
from dumpload.web.today import Today, recorded_day

MOST_CONNECTIONS = MOST_VIEWERS + 50

# A request must be whole within the first; what waits to be taken must become little within the second (a report over
# a line of 40 kbit/s does); a connection without a request is closed after the third.
REQUEST_S, SLOW_S, IDLE_S = 10.0, 30.0, 5

# What the kernel keeps for a peer that does not read; and how long it waits for one that is gone (tcp(7)).
SEND_BUFFER_BYTES, GONE_S = 65_536, 20
BACKLOG = 64

# What a request's line and headers may be together.
HEADER_BYTES = 16_384

# How long an answer in progress may take after SIGTERM.
GRACE_S = 3


class ServeError(Exception):
    """It cannot listen, or a file that it needs cannot be used; the message says which."""


class Origin(NamedTuple):
    """Whose page it is: the settings, their file by which the daemon is known, and the history; None: there is none."""

    config: Path
    settings: Settings
    history: Path | None


class LimitedProtocol(H11Protocol):
    """uvicorn's protocol of HTTP/1.1, with limits: on connections, and on how long a peer may send or take."""

    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a peer, unless there are too many."""
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            transport.abort()
        else:
            self._limit(REQUEST_S)

    def data_received(self, data: bytes) -> None:
        """Take a part of a request: the time for a whole one runs from its first byte."""
        super().data_received(data)
        is_answering = self.cycle is not None and not self.cycle.response_complete
        if is_answering and not self.flow.write_paused:
            self._unlimit()
        elif self._deadline is None:
            self._limit(REQUEST_S)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget a closed connection."""
        self._unlimit()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Wait briefly for a peer that does not read what it is sent."""
        super().pause_writing()
        self._limit(SLOW_S)

    def resume_writing(self) -> None:
        """Resume a peer that has caught up."""
        self._unlimit()
        super().resume_writing()

    def _limit(self, seconds: float) -> None:
        self._unlimit()
        self._deadline = self.loop.call_later(seconds, self.transport.abort)

    def _unlimit(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None


class _Server(uvicorn.Server):
    """Lets the viewers go before it waits for connections to end."""

    def __init__(self, config: uvicorn.Config, hub: Hub) -> None:
        super().__init__(config)
        self._hub = hub

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End."""
        self._hub.close()
        await super().shutdown(sockets)


def run_server(origin: Origin, environ: Mapping[str, str], say: Callable[[str], None]) -> None:
    """Serve until SIGTERM or SIGINT.

    Raises:
        ServeError: it cannot listen, or a file that it needs cannot be used.
        KeyboardInterrupt: SIGINT came.
    """
    web = origin.settings.web
    doorkeeper = _doorkeeper(web.password_file)
    context = _tls_context(web.cert_file, web.key_file)
    listening = _listen(*parse_listen(web.listen))
    # uvicorn raises it again once it has ended in good order.
    signal.signal(signal.SIGTERM, _ended)
    scheme = "http" if context is None else "https"
    say(f"listening on {scheme}://{web.listen}/")
    with contextlib.closing(listening):
        asyncio.run(_serve(origin, environ, say, doorkeeper, listening))


def _ended(_number: int, _frame: FrameType | None) -> None:
    pass


async def _serve(
    origin: Origin,
    environ: Mapping[str, str],
    say: Callable[[str], None],
    doorkeeper: Doorkeeper | None,
    listening: socket.socket,
) -> None:
    settings, zone, hub = origin.settings, zone_of(origin.settings), Hub()
    current = Current(settings, zone, hub, lambda day: _recorded(origin, day), say)
    reports = Reports(origin.history, settings, zone)
    reader = Reader(origin.config, environ, current.heard, current.away)
    app = Guard(application(Pages(settings.name, current, hub, reports)), settings.web.host_names, doorkeeper, say)
    reading = asyncio.create_task(reader.run())
    try:
        await _Server(_config(app, settings), hub).serve([listening])
    finally:
        reports.close()
        reading.cancel()


def _config(app: Guard, settings: Settings) -> uvicorn.Config:
    web = settings.web
    return uvicorn.Config(
        app,
        http=LimitedProtocol,
        loop="asyncio",
        ws="none",
        lifespan="off",
        log_config=None,
        log_level="error",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        timeout_keep_alive=IDLE_S,
        timeout_graceful_shutdown=GRACE_S,
        backlog=BACKLOG,
        h11_max_incomplete_event_size=HEADER_BYTES,
        ssl_certfile=web.cert_file,
        ssl_keyfile=web.key_file,
    )


def _recorded(origin: Origin, day: date) -> Today | None:
    """Return what the history has of a day; a reader must never be ended by what is wrong with the history."""
    if origin.history is None:
        return None
    try:
        return recorded_day(HistoryRecord(origin.history), day, zone_of(origin.settings), ReadLog())
    except RecordError:
        return None


def _doorkeeper(path: Path | None) -> Doorkeeper | None:
    if path is None:
        return None
    try:
        return Doorkeeper(read_passwords(path))
    except PasswordFileError as error:
        message = f"web.password_file: {error}"
        raise ServeError(message) from None


def _tls_context(cert: Path | None, key: Path | None) -> ssl.SSLContext | None:
    """Return what the two files make, to see that they can be used."""
    if cert is None or key is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(cert, key, password="")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        message = f"web.cert_file {cert} and web.key_file {key}: expected a certificate and its key (PEM): {reason}"
        raise ServeError(message) from None
    return context


def _listen(address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # Connections inherit these.
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, GONE_S * 1000)
        listening.bind((address, port))
        listening.listen(BACKLOG)
    except OSError as error:
        listening.close()
        reason = os.strerror(error.errno) if error.errno else str(error)
        message = f"web.listen = {address}:{port}: cannot listen there: {reason}"
        raise ServeError(message) from None
    return listening
