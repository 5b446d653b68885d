"""The pages, by their addresses: the live page and its events, the reports, and what a monitor asks."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from html import escape
from pathlib import Path
from typing import NamedTuple

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from dumpload.daemon.openmetrics import CONTENT_TYPE, metrics_text
from dumpload.html import POLICY as PAGE_POLICY
from dumpload.html import page
from dumpload.web import live
from dumpload.web.current import Current
from dumpload.web.hub import Hub
from dumpload.web.reports import NoReportError, Reports, UnknownPeriodError

# Browsers that look at once; and how often one that has nothing new is written to, which is how a dead one is noticed.
MOST_VIEWERS, STILL_HERE_S = 250, 5.0

# In a comment of the stream; and how soon a browser comes back (ms).
STILL_HERE, RETRY = b": still here\n\n", b"retry: 3000\n\n"

SCRIPT = Path(__file__).with_name("live.js")


class Pages(NamedTuple):
    """What the pages are made of."""

    name: str
    current: Current
    hub: Hub
    reports: Reports


def application(pages: Pages) -> Starlette:
    """Return the application."""
    script = SCRIPT.read_bytes()

    async def now(_request: Request) -> Response:
        return _html(live.live_page(pages.name, pages.hub.blocks), live.POLICY)

    async def javascript(_request: Request) -> Response:
        return Response(script, media_type="text/javascript")

    async def health(_request: Request) -> Response:
        why = pages.current.away_because or ("" if pages.current.status else "looking for the daemon")
        return PlainTextResponse(f"{why or 'ok'}\n", 503 if why else 200)

    async def metrics(_request: Request) -> Response:
        status = None if pages.current.away_because else pages.current.status
        return Response(metrics_text({pages.name: status}), media_type=CONTENT_TYPE)

    routes = [
        Route("/", now),
        Route("/live.js", javascript),
        Route("/events", _StatusStream(pages.hub)),
        Route("/report/{period}", _reporting(pages.reports)),
        Route("/healthz", health),
        Route("/metrics", metrics),
    ]
    return Starlette(routes=routes)


def _reporting(reports: Reports) -> Callable[[Request], Awaitable[Response]]:
    async def report(request: Request) -> Response:
        period = request.path_params["period"]
        try:
            text = await reports.page(period)
        except UnknownPeriodError:
            return PlainTextResponse("No such period: today, yesterday, 7d, 2025-06-16, 2025-06 or 2025.\n", 404)
        except NoReportError as error:
            again = ' <a href="">Refresh</a>' if error.retry_s else ""
            text = page("Not yet" if again else "No report", "", [f"<p>{escape(str(error))}.{again}</p>"])
            headers = {"Retry-After": str(error.retry_s)} if again else {}
            return _html(_with_links(text, period), PAGE_POLICY, 503 if again else 404, headers)
        return _html(_with_links(text, period), PAGE_POLICY)

    return report


def _with_links(text: str, period: str) -> str:
    """Return a page with the links to all others on top, which a page written into a file does not have."""
    styled = text.replace("</style>", f"{live.NAVIGATION}</style>", 1)
    return styled.replace("<main>", f"<main>\n{live.navigation(f'/report/{period}')}", 1)


def _html(text: str, policy: str, code: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    # Which pages may frame this one is said in the header alone, a page cannot say it itself.
    return HTMLResponse(
        text.encode(), code, {"Content-Security-Policy": f"{policy}; frame-ancestors 'none'", **(headers or {})}
    )


class _StatusStream:
    """The stream of the live page: server-sent events (HTML standard, 9.2), the same bytes for all viewers."""

    def __init__(self, hub: Hub) -> None:
        self._hub = hub
        self._viewers = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send what changes for as long as the viewer is there."""
        if self._viewers >= MOST_VIEWERS:
            refusal = PlainTextResponse("Too many viewers.\n", 503, {"Retry-After": "30"})
            await refusal(scope, receive, send)
            return
        self._viewers += 1
        hang_up = asyncio.create_task(_hang_up(receive))
        try:
            await self._stream(hang_up, scope, send)
        finally:
            self._viewers -= 1
            hang_up.cancel()

    async def _stream(self, hang_up: "asyncio.Task[None]", scope: Scope, send: Send) -> None:
        headers = [(b"content-type", b"text/event-stream; charset=utf-8")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        if scope["method"] == "HEAD":
            await send({"type": "http.response.body", "body": b""})
            return
        await send({"type": "http.response.body", "body": RETRY, "more_body": True})
        version = 0
        while not (hang_up.done() or self._hub.closed):
            body = self._hub.since(version) if self._hub.version > version else STILL_HERE
            version = self._hub.version
            await send({"type": "http.response.body", "body": body, "more_body": True})
            await self._hub.wait(version, STILL_HERE_S)
        await send({"type": "http.response.body", "body": b""})


async def _hang_up(receive: Receive) -> None:
    """Wait until the viewer has gone."""
    while (await receive())["type"] != "http.disconnect":
        pass
