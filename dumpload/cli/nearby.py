"""Talk to the daemon with these settings: over the local socket if it listens there, else over the broker.

The socket works with the broker down, behind a broker's password, and with requests over MQTT disabled.
"""

import asyncio
import os
import time
from collections.abc import AsyncIterator, Callable
from contextlib import aclosing, asynccontextmanager
from pathlib import Path

from dumpload.cli import client
from dumpload.cli.client import NoAnswerError, RefusedError
from dumpload.config.model import Settings
from dumpload.core.printable import one_line
from dumpload.core.text import utc_text
from dumpload.daemon.local_socket import ANSWER_S, CONTROL, STATUS, VIEW, Connection, Door, answering, sockets
from dumpload.daemon.payloads import Document, status_misfit

# A request waits for its second and for the disk.
DONE_S = 15.0
LOOK_EVERY_S = 1.0

# A daemon that has no socket for those who look on answers on the other one.
LOOKING = (VIEW, CONTROL)

NOBODY = "No dumpload daemon is running on this computer (no status.sock under /run/dumpload*)"

_SHOWN = ("relay", "cause", "selector", "data")


def closed_words(closed: list[Path]) -> str:
    """Return why the daemons behind these sockets were not asked, and what to do about it."""
    return f"{', '.join(map(str, closed))}: this user may not connect: try sudo, or the group of that file"


class Daemon:
    """A daemon that listens on this computer, and its status when it was found."""

    def __init__(self, line: Connection, status: Document) -> None:
        self._line = line
        self.last = status

    async def status(self) -> Document:
        """Return its status now.

        Raises:
            NoAnswerError: it has gone, or does not answer.
        """
        return (await self.ask(STATUS, ANSWER_S))["status"]  # type: ignore[no-any-return]

    async def ask(self, document: Document, within_s: float) -> Document:
        """Return its answer, in which there is a status or a refusal.

        Raises:
            NoAnswerError: it has gone, or does not answer.
        """
        try:
            answer = await self._line.ask(document, within_s)
        except OSError as error:
            message = f"The daemon has stopped, or does not answer on its socket ({error or 'timeout'})"
            raise NoAnswerError(message) from error
        if "refused" not in answer and (misfit := status_misfit(answer.get("status"))):
            message = f"This version does not understand the daemon's answer ({misfit})"
            raise NoAnswerError(message)
        return answer


@asynccontextmanager
async def daemon_of(config: Path, closed: list[Path], *doors: Door) -> AsyncIterator[Daemon | None]:
    """Find the daemon that runs with this settings file, for the time of the block; None: none listens here.

    `doors`: which of its sockets will do; not given: those for looking on. `closed` is given the sockets to which this
    user may not connect.
    """
    async with aclosing(answering(sockets(os.environ, *(doors or LOOKING)), closed)) as answers:
        async for line, answer in answers:
            if answer.get("config") == str(config):
                yield Daemon(line, answer["status"])
                return
    yield None


async def watch(
    config: Path, settings: Settings, show: Callable[[Document], None], *, follow: bool, every: bool = False
) -> None:
    """Show the daemon's status now and, to follow it, whenever it changes; with `every`, once a second.

    Raises:
        NoAnswerError: no daemon, or it fell silent.
    """
    closed: list[Path] = []
    async with daemon_of(config, closed) as daemon:
        if daemon is not None:
            await _watch(daemon, show, follow=follow, every=every)
            return
    try:
        await client.watch(settings, show, follow=follow, every=every)
    except NoAnswerError as error:
        raise _with_hint(error, closed) from error


async def _watch(daemon: Daemon, show: Callable[[Document], None], *, follow: bool, every: bool) -> None:
    status = daemon.last
    show(status)
    while follow:
        await asyncio.sleep(LOOK_EVERY_S)
        now = await daemon.status()
        if every or any(now.get(key) != status.get(key) for key in _SHOWN):
            show(now)
        status = now


async def select(config: Path, settings: Settings, request: Document) -> Document:
    """Send a request to the running daemon and return its status once that has taken effect and will outlive a restart.

    Raises:
        NoAnswerError: no daemon, it did not react, or it could not keep what was asked.
        RefusedError: it refused.
    """
    closed: list[Path] = []
    async with daemon_of(config, closed, CONTROL) as daemon:
        if daemon is not None:
            return await _select(daemon, request)
    try:
        return await client.select(settings, request)
    except NoAnswerError as error:
        raise _with_hint(error, closed, "requests are root's here: try sudo") from error


async def everyone(closed: list[Path]) -> list[Document]:
    """Return the answer of every daemon that listens on this computer: its settings file and its status.

    `closed` is given the sockets to which this user may not connect.
    """
    return [
        {"config": str(answer.get("config")), "status": answer["status"]}
        async for _line, answer in answering(sockets(os.environ, *LOOKING), closed)
    ]


async def _select(daemon: Daemon, change: Document) -> Document:
    request = {**change, "issued_at": utc_text(time.time()), "boot_id": daemon.last.get("boot_id")}
    answer = await daemon.ask(request, DONE_S)
    if "refused" in answer:
        raise RefusedError(client.refusal_words(answer["refused"]))
    status: Document = answer["status"]
    if "trouble" in answer:
        message = f"Done, the selector is in {status['selector']}, but {one_line(str(answer['trouble']))}"
        raise NoAnswerError(message)
    if change.get("reset") and status["lockout"]:
        message = f"The lockout is still set, or was set again at once: {status['lockout']}"
        raise NoAnswerError(message)
    return status


def _with_hint(error: NoAnswerError, closed: list[Path], advice: str = "try sudo, or its group") -> NoAnswerError:
    if not closed:
        return error
    return NoAnswerError(f"{error}; a daemon listens on {closed[0]}, which this user may not use: {advice}")
