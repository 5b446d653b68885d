"""Access control for every request: its host, its method, its user.

And the headers that every answer has. Nothing behind this can change anything: there is no way to write, to the daemon
or to a broker.
"""

import asyncio
import ipaddress
import re
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dumpload.web.passwords import Doorkeeper, Tries

METHODS = ("GET", "HEAD")

# What answers have unless they say otherwise. frame-ancestors works in a header only (CSP level 3, 6.4.2).
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}
RETRY_S = 20

_HOST = re.compile(r"(?:\[([0-9A-Fa-f:.]{2,45})\]|([A-Za-z0-9.-]{1,253}))(?::\d{1,5})?")


class Guard:
    """An ASGI middleware. `doorkeeper`: who may look; None: everybody who reaches this, which is this computer only."""

    def __init__(
        self, app: ASGIApp, host_names: Sequence[str], doorkeeper: Doorkeeper | None, say: Callable[[str], None]
    ) -> None:
        self._app, self._doorkeeper, self._say = app, doorkeeper, say
        self._names = {"localhost", *(name.lower().rstrip(".") for name in host_names)}
        self._tries = Tries()
        self._hashing = ThreadPoolExecutor(1, "scrypt")  # one at a time: each takes 16 MiB

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer what is refused, and hand on the rest."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = await self._refusal(scope)
        await (refusal or self._app)(scope, receive, send_with_headers)

    async def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if not self._is_ours(headers.getlist("host")):
            # RFC 9110, 15.5.20. A page of a stranger's whose name was made to lead here asks for that name.
            return _refused(421, "This host name is not allowed: see web.host_names in the settings.")
        if scope["method"] not in METHODS:
            return _refused(405, "This page is read-only.", {"Allow": ", ".join(METHODS)})
        if self._doorkeeper is None:
            return None
        return await self._stranger(self._doorkeeper, headers.get("authorization", ""), scope)

    def _is_ours(self, hosts: Sequence[str]) -> bool:
        """Return whether a request is for a name of ours, or for a bare address: to that no name was made to lead."""
        match = _HOST.fullmatch(hosts[0]) if len(hosts) == 1 else None
        if match is None:
            return False
        name = (match[1] or match[2]).lower().rstrip(".")
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return name in self._names and not match[1]
        return True

    async def _stranger(self, doorkeeper: Doorkeeper, header: str, scope: Scope) -> Response | None:
        ask = {"WWW-Authenticate": 'Basic realm="dumpload", charset="UTF-8"'}
        if not header:
            return _refused(401, "User name and password required.", ask)
        if doorkeeper.knows(header):
            return None
        address = scope["client"][0] if scope.get("client") else ""
        if not self._tries.allow(address, time.monotonic()):
            return _refused(429, "Too many wrong passwords. Try again later.", {"Retry-After": f"{RETRY_S}"})
        if await asyncio.get_running_loop().run_in_executor(self._hashing, doorkeeper.check, header):
            self._tries.give_back(address)
            return None
        self._say(f"wrong password from {address}")
        return _refused(401, "Wrong name or password.", ask)


def _refused(code: int, text: str, headers: dict[str, str] | None = None) -> Response:
    return PlainTextResponse(f"{text}\n", code, headers)
