"""Talk to a running daemon over the broker: read its status, move its selector.

What it prints is for a person; what it returns is for the exit code.
"""

import asyncio
import contextlib
import json
import secrets
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, NamedTuple

from dumpload.config.model import Settings
from dumpload.config.to_mqtt import base_topics, link_options
from dumpload.core.printable import one_line
from dumpload.core.text import utc_text
from dumpload.daemon.payloads import Document, status_misfit, to_json
from dumpload.daemon.publisher import STATUS_EXPIRES_S
from dumpload.mqtt import Message, Subscription
from dumpload.mqtt.link import Link
from dumpload.mqtt.visit import Visitor, plain_reason, visiting

ANSWER_S = 5.0
RETAINED_S = 1.0

_SHOWN = ("relay", "cause", "selector", "data")


class NoAnswerError(Exception):
    """The broker or the daemon did not answer; the message says which, and what to look at."""


class RefusedError(Exception):
    """The daemon refused the request; the message is its reason."""


class Heard(NamedTuple):
    """One message from the daemon: "status", "presence" or "change", and what it says."""

    kind: str
    payload: Any
    retained: bool


class Conversation(Visitor):
    """Collects what the daemon publishes."""

    def __init__(self, settings: Settings) -> None:
        super().__init__()
        self._topics = base_topics(settings)
        self._kinds = {getattr(self._topics, kind): kind for kind in ("status", "presence", "change")}
        self.options = link_options(settings)._replace(
            client_id=f"{settings.name}-ask-{secrets.token_hex(4)}",
            subscriptions=tuple(Subscription(topic, 1, retained=True) for topic in self._kinds),
            will=None,
        )
        self.name = settings.name
        self.broker = f"{self.options.host}:{self.options.port}"
        self.link: Link
        self.heard: asyncio.Queue[Heard] = asyncio.Queue()
        self.misfit = ""

    def on_message(self, message: Message) -> None:
        """Queue a message from one of our daemons; ignore anything else."""
        kind = self._kinds[message.topic]
        text = message.payload.decode("utf-8", "replace")
        try:
            payload = text if kind == "presence" else json.loads(text)
        except (ValueError, RecursionError):
            payload = None
        if kind == "status":
            self.misfit = status_misfit(payload)
        if kind == "presence" or (isinstance(payload, dict) and (kind == "change" or not self.misfit)):
            self.heard.put_nowait(Heard(kind, payload, message.retained))

    async def next(self, within_s: float | None) -> Heard | None:
        """Return the next message, or None after `within_s`."""
        try:
            async with asyncio.timeout(within_s):
                return await self.heard.get()
        except TimeoutError:
            return None

    def request(self, document: Document) -> None:
        """Send a request."""
        self.link.publish(self._topics.request, to_json(document))


@asynccontextmanager
async def conversation(settings: Settings) -> AsyncIterator[Conversation]:
    """Connect; disconnect at the end of the block.

    Raises:
        NoAnswerError: the broker cannot be reached or refuses.
    """
    talk = Conversation(settings)
    async with visiting(talk.options, talk) as talk.link:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(ANSWER_S):
                await talk.tried.wait()
        if not talk.up.is_set():
            reason = plain_reason(talk.trouble or "no answer", talk.broker)
            raise NoAnswerError(one_line(f"Cannot reach the broker at {talk.broker}: {reason}"))
        yield talk
        await talk.link.close(RETAINED_S)


async def current(talk: Conversation) -> Document:
    """Return the daemon's retained status.

    Raises:
        NoAnswerError: there is none, it is stale, or the daemon is known to be gone.
    """
    status: Document | None = None
    presence = ""
    while (message := await talk.next(RETAINED_S)) is not None:
        status = message.payload if message.kind == "status" else status
        presence = message.payload if message.kind == "presence" else presence
        if status and presence:
            break
    if presence == "down":
        last = f"; last heard at {status['at']}, relay {status['relay']}" if status else ""
        msg = f'"{talk.name}" is not connected to the broker at {talk.broker} (its presence is down){last}'
        raise NoAnswerError(msg)
    if status is None and talk.misfit:
        problem = f'This version does not understand the status of "{talk.name}" at the broker at {talk.broker}'
        msg = f"{problem} ({talk.misfit}). Is it another program, or a daemon of another version?"
        raise NoAnswerError(msg)
    if status is None:
        msg = f'No status from "{talk.name}" at the broker at {talk.broker}. Is it running?'
        raise NoAnswerError(msg)
    if utc_text(time.time() - STATUS_EXPIRES_S) > status["at"]:
        msg = f'The last status of "{talk.name}" is from {status["at"]}: the daemon or its connection has stopped'
        raise NoAnswerError(msg)
    return status


async def watch(settings: Settings, show: Callable[[Document], None], *, follow: bool, every: bool = False) -> None:
    """Show the daemon's status, and whenever it changes if it is followed; with `every`, each one that is published.

    Raises:
        NoAnswerError: no daemon, or it fell silent.
    """
    async with conversation(settings) as talk:
        status = await current(talk)
        show(status)
        while follow:
            status = await _next_shown(talk, status, every=every)
            show(status)


async def _next_shown(talk: Conversation, status: Document, *, every: bool) -> Document:
    """Return the next status that differs in anything worth a line."""
    while True:
        message = await talk.next(STATUS_EXPIRES_S)
        if message is None:
            msg = "The daemon has stopped publishing its status"
            raise NoAnswerError(msg)
        if message.kind == "presence" and message.payload == "down":
            msg = "The daemon has stopped or lost its connection (its presence is down)"
            raise NoAnswerError(msg)
        if message.kind == "status" and (every or any(message.payload[key] != status[key] for key in _SHOWN)):
            update: Document = message.payload
            return update


async def select(settings: Settings, request: Document) -> Document:
    """Send a request to the running daemon and return its status once that has taken effect.

    Raises:
        NoAnswerError: no daemon, or it did not react.
        RefusedError: it refused.
    """
    async with conversation(settings) as talk:
        before = await current(talk)
        talk.request({**request, "issued_at": utc_text(time.time()), "boot_id": before["boot_id"]})
        now = before
        deadline = time.monotonic() + ANSWER_S
        while (message := await talk.next(max(0.0, deadline - time.monotonic()))) is not None:
            if message.kind == "change" and "refused" in message.payload:
                msg = refusal_words(message.payload["refused"])
                raise RefusedError(msg)
            now = message.payload if message.kind == "status" else now
            if message.kind == "status" and _took_effect(before, now, request):
                return now
        raise NoAnswerError(_why_no_effect(before, now, request))


def refusal_words(reason: object) -> str:
    """Return a refusal as text; a leading code, such as `expired:`, is for programs."""
    code, colon, text = str(reason).partition(": ")
    return one_line(f"Refused: {text if colon and code.replace('_', '-').replace('-', '').isalpha() else reason}")


def _why_no_effect(before: Document, now: Document, request: Document) -> str:
    if request.get("reset") and now["sequence"] > before["sequence"] and now["lockout"]:
        return f"The lockout is still set, or was set again at once: {now['lockout']}"
    return "No answer from the daemon (over the broker it takes requests only with request.enabled = true)"


def _took_effect(before: Document, now: Document, request: Document) -> bool:
    newer = now["boot_id"] == before["boot_id"] and now["sequence"] > before["sequence"]
    moved = now["selector"] == request.get("selector", now["selector"])
    return newer and moved and not (request.get("reset") and now["lockout"])
