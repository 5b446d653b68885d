"""The one reader of the daemon's socket, for all viewers: asks for the status once a second, and only that."""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import aclosing
from pathlib import Path
from typing import Any

from dumpload.daemon.local_socket import ANSWER_S, STATUS, VIEW, Connection, answering, sockets
from dumpload.daemon.payloads import Document, status_misfit

ASK_EVERY_S = 1.0

# A daemon that starts is found within this.
SEEK_EVERY_S = 2.0


class Reader:
    """Follows the daemon that runs with a settings file, through every restart of it.

    `heard` is called with each status; `away` once when there is no daemon, and whenever the reason changes.
    """

    def __init__(
        self,
        config: Path,
        environ: Mapping[str, str],
        on_status: Callable[[Document], None],
        away: Callable[[str], None],
    ) -> None:
        self._config, self._environ = config, environ
        self._heard, self._away = on_status, away

    async def run(self) -> None:
        """Follow it until cancelled."""
        while True:
            self._away(await self._follow())
            await asyncio.sleep(SEEK_EVERY_S)

    async def _follow(self) -> str:
        """Find the daemon and follow it to its end; return why there is no status any more."""
        closed: list[Path] = []
        try:
            async with aclosing(answering(sockets(self._environ, VIEW), closed)) as answers:
                await self._listen_to_ours(answers)
        except OSError as error:
            return f"the daemon has stopped, or does not answer ({error or 'timeout'})"
        if closed:
            return f"a daemon listens on {closed[0]}, which this user may not use"
        return f"no daemon runs on this computer with {self._config}"

    async def _listen_to_ours(self, answers: AsyncIterator[tuple[Connection, Document]]) -> None:
        async for line, answer in answers:
            if answer.get("config") == str(self._config):
                self._heard(answer["status"])
                await self._listen(line)

    async def _listen(self, line: Connection) -> None:
        while True:
            await asyncio.sleep(ASK_EVERY_S)
            status: Any = (await line.ask(STATUS, ANSWER_S)).get("status")
            if misfit := status_misfit(status):
                message = f"this version does not understand {misfit}"
                raise ConnectionError(message)
            self._heard(status)
