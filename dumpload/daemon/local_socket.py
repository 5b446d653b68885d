"""Unix sockets of the machine itself: one on which requests are sent, and one on which the status is asked for.

One JSON document a line, one answer a line. The file's mode says who may connect. Works with the broker down, and
behind a broker's password, which only the service has. Served by the event loop that controls, so everything is
bounded: clients, the length of a line, how long one may take, and how often one may ask.
"""

import asyncio
import contextlib
import json
import socket
import stat
from collections.abc import AsyncGenerator, Awaitable, Callable, Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from dumpload.daemon.payloads import Document, status_misfit


class Door(NamedTuple):
    """A socket's name in its folder, and the mode of its file: who is let in."""

    name: str
    mode: int


# A taken-over page must not reach the first: what it may open is all that stops it. Both belong to the service's one
# group, so requests are root's. (In a user namespace, and closed to chown, it can give a socket to no other group.)
CONTROL = Door("control.sock", 0o600)
VIEW = Door("status.sock", 0o660)

# The event loop that controls serves these clients, too, so many at each door; what is beyond the bounds is let go
# without a word.
MAX_CLIENTS = 8
MAX_LINE_BYTES = 4096

# A client that says nothing, or does not read its answer, for so long is let go.
SILENCE_S = 15.0

# Between two answers to one client: eight that ask as fast as they can take about one percent of a small computer.
PAUSE_S = 0.1


class LocalWay(NamedTuple):
    """Where to listen, and the settings file by which a client recognises the daemon that it means."""

    folder: Path
    config: str


Answer = Callable[[bytes], Awaitable[Document]]


class LocalSocket:
    """Listens in one folder; `answer` makes a document of each line, to which the settings file's name is added."""

    def __init__(self, way: LocalWay, door: Door, answer: Answer) -> None:
        """Nothing is opened before `open`."""
        self.path = way.folder / door.name
        self._mode = door.mode
        self._config = way.config
        self._answer = answer
        self._server: asyncio.Server | None = None
        self._clients: set[asyncio.Task[None]] = set()

    async def open(self) -> None:
        """Listen from now on.

        Raises:
            OSError: the folder cannot be written, something else has that name, or another daemon listens there.
        """
        listening = _bind(self.path, self._mode)
        # As many as may wait are accepted at a time (100, if nothing is said), and each takes a descriptor for a while.
        self._server = await asyncio.start_unix_server(
            self._meet, sock=listening, limit=MAX_LINE_BYTES, backlog=MAX_CLIENTS
        )

    def close(self) -> None:
        """Close every connection and remove the socket."""
        if self._server is None:
            return
        self._server.close()
        for client in self._clients:
            client.cancel()
        with contextlib.suppress(OSError):
            self.path.unlink()

    async def _meet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        client = asyncio.current_task()
        if client is None or len(self._clients) >= MAX_CLIENTS:
            writer.transport.abort()
            return
        self._clients.add(client)
        try:
            await self._serve(reader, writer)
        except (OSError, ValueError, asyncio.LimitOverrunError, asyncio.IncompleteReadError, asyncio.CancelledError):
            # Gone, too slow, too long, or half a line: its trouble, not ours.
            pass
        finally:
            self._clients.discard(client)
            writer.transport.abort() if writer.transport.get_write_buffer_size() else writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            async with asyncio.timeout(SILENCE_S):
                line = await reader.readuntil()
            answer = {"config": self._config, **await self._answer(line)}
            writer.write(json.dumps(answer, separators=(",", ":"), ensure_ascii=False).encode() + b"\n")
            async with asyncio.timeout(SILENCE_S):
                await writer.drain()
            await asyncio.sleep(PAUSE_S)


def _bind(path: Path, mode: int) -> socket.socket:
    """Return a socket that listens under this name, with its mode from the first moment.

    Raises:
        OSError: as `LocalSocket.open`.
    """
    _clear(path)
    new = path.with_suffix(".new")
    _clear(new)
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        listening.bind(str(new))
        new.chmod(mode)
        listening.listen(MAX_CLIENTS)
        new.rename(path)
    except BaseException:
        listening.close()
        raise
    return listening


def _clear(path: Path) -> None:
    """Remove a socket that a killed daemon left.

    Raises:
        OSError: it is no socket, or somebody listens.
    """
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        message = f"{path} is not a socket"
        raise OSError(message)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.settimeout(0.1)
        try:
            asking.connect(str(path))
        except ConnectionRefusedError:
            path.unlink()
            return
    message = f"another daemon listens on {path}"
    raise OSError(message)


# ---- the other end ----


def sockets(environ: Mapping[str, str], *doors: Door, run: Path = Path("/run")) -> list[Path]:
    """Return the first of these doors in each folder where a daemon of this machine may listen."""
    own = environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    folders = [Path(own)] if own else []
    there = ([folder / door.name for door in doors] for folder in folders + sorted(run.glob("dumpload*")))
    return [path for paths in there for path in list(filter(_may_be_there, paths))[:1]]


def _may_be_there(path: Path) -> bool:
    """Return whether there is such a socket, or this user may not know: it is not to hear that there is no daemon."""
    try:
        return stat.S_ISSOCK(path.lstat().st_mode)
    except OSError as error:
        return isinstance(error, PermissionError)


class Connection:
    """An open connection to a daemon: documents there and back."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Take an open connection; see `connected`."""
        self._reader, self._writer = reader, writer

    async def ask(self, document: Document, within_s: float) -> Document:
        """Send a document and return the answer.

        Raises:
            OSError: the daemon has gone, does not answer in time, or answers what is no answer.
        """
        self._writer.write(json.dumps(document).encode() + b"\n")
        try:
            async with asyncio.timeout(within_s):
                await self._writer.drain()
                answer = json.loads(await self._reader.readuntil())
        except (ValueError, RecursionError, asyncio.IncompleteReadError, asyncio.LimitOverrunError) as error:
            message = "no answer"
            raise ConnectionError(message) from error
        if not isinstance(answer, dict):
            message = "no answer"
            raise ConnectionError(message)
        return answer

    def close(self) -> None:
        """Close the connection."""
        self._writer.close()


async def connected(path: Path) -> Connection:
    """Connect to a daemon's socket.

    Raises:
        OSError: nobody listens there, or this user may not connect.
    """
    return Connection(*await asyncio.open_unix_connection(path, limit=1_000_000))


# The question to which a daemon answers with its settings file and its status.
STATUS: Document = {"status": True}
ANSWER_S = 5.0


async def answering(paths: Iterable[Path], closed: list[Path]) -> AsyncGenerator[tuple[Connection, Document]]:
    """Yield every daemon that answers on these sockets: a connection, open until the next one, and its answer.

    `closed` is given the sockets to which this user may not connect.
    """
    for path in dict.fromkeys(paths):
        try:
            line = await connected(path)
        except PermissionError:
            closed.append(path)
            continue
        except OSError:
            continue  # a name that a killed daemon left
        with contextlib.closing(line), contextlib.suppress(OSError):
            answer = await line.ask(STATUS, ANSWER_S)
            if not status_misfit(answer.get("status")):
                yield line, answer
