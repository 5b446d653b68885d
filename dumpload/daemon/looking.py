"""What is answered to those who may only look on: the status, and nothing else.

They may be anybody's page or collector, taken over or not. So nothing here can reach the control: it is given what it
needs to read, and no more; requests are judged elsewhere (`requests`), behind another socket.
"""

import asyncio
import json
from collections.abc import Awaitable, Callable

from dumpload.daemon.payloads import Document

NO_REQUESTS: Document = {"refused": "only the status is answered here"}
STOPPING: Document = {"refused": "the service is stopping"}


def looking_on(
    when_kept: Callable[[Callable[[str], None]], None], has_ended: Callable[[], bool], status: Callable[[], Document]
) -> Callable[[bytes], Awaitable[Document]]:
    """Return what answers a line with the status, once the disk has what it shows (`ControlLoop.when_kept`)."""

    async def answer(line: bytes) -> Document:
        if not wants_status(line):
            return NO_REQUESTS
        if has_ended():
            return STOPPING
        saved: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        when_kept(lambda trouble: None if saved.done() else saved.set_result(trouble))
        await saved
        try:
            return {"status": status()}
        except Exception as error:  # noqa: BLE001  (an error in a task of the event loop's ends the service)
            return {"refused": f"the status cannot be made: {error!r}"}

    return answer


def wants_status(line: bytes) -> bool:
    """Return whether a line of a socket asks for the status: {"status": true}."""
    try:
        document = json.loads(line)
    except (ValueError, RecursionError):
        return False
    return isinstance(document, dict) and document.keys() == {"status"} and document["status"] is True
