"""Asks a running daemon over the broker: what is the load doing, and please move the selector.

Talks MQTT only; knows nothing of the pin. What it prints is for a person; what it returns is for the exit code.
"""

import asyncio
import json
import secrets
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, NamedTuple

from dumpload.config.model import Settings
from dumpload.config.to_mqtt import base_topics, link_options
from dumpload.core.explain import MEANINGS
from dumpload.core.law import Cause
from dumpload.core.printable import one_line, printable
from dumpload.core.window import utc_text
from dumpload.daemon.payloads import Document, status_misfit, to_json
from dumpload.daemon.publisher import STATUS_EXPIRES_S
from dumpload.mqtt import Listener, Message, Subscription
from dumpload.mqtt.link import Link

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


class Conversation(Listener):
    """Collects what the daemon publishes."""

    def __init__(self, settings: Settings) -> None:
        self._topics = base_topics(settings)
        self._kinds = {getattr(self._topics, kind): kind for kind in ("status", "presence", "change")}
        options = link_options(settings)._replace(
            client_id=f"{settings.name}-ask-{secrets.token_hex(4)}",
            subscriptions=tuple(Subscription(topic, 1, retained=True) for topic in self._kinds),
            will=None,
        )
        self.broker = f"{options.host}:{options.port}"
        self.link = Link(options, self, time.monotonic)
        self.heard: asyncio.Queue[Heard] = asyncio.Queue()
        self.up = asyncio.Event()
        self.trouble = ""
        self.misfit = ""

    def on_message(self, message: Message) -> None:
        """Queue what was heard; what does not look like it is not from a daemon of ours."""
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

    def on_up(self) -> None:
        """The broker answered."""
        self.up.set()

    def on_down(self, reason: str, retry_s: float) -> None:  # noqa: ARG002
        """Keep the reason, in case no answer ever comes."""
        self.trouble = reason

    def on_callback_error(self, error: Exception) -> None:
        """Keep the reason."""
        self.trouble = repr(error)

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
    """Connect for the time of the block.

    Raises:
        NoAnswerError: the broker cannot be reached or refuses.
    """
    talk = Conversation(settings)
    running = asyncio.create_task(talk.link.run())
    try:
        try:
            async with asyncio.timeout(ANSWER_S):
                await talk.up.wait()
        except TimeoutError:
            reason = talk.trouble or "it does not answer"
            msg = f"no connection to the broker {talk.broker}: {reason}"
            raise NoAnswerError(msg) from None
        yield talk
        await talk.link.close(RETAINED_S)
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


async def current(talk: Conversation) -> Document:
    """Return the daemon's retained status.

    Raises:
        NoAnswerError: there is none, it is stale, or the daemon is known to be gone.
    """
    status: Document | None = None
    presence = ""
    while (heard := await talk.next(RETAINED_S)) is not None:
        status = heard.payload if heard.kind == "status" else status
        presence = heard.payload if heard.kind == "presence" else presence
        if status and presence:
            break
    if presence == "down":
        last = f"; last heard at {status['at']}, relay {status['relay']}" if status else ""
        msg = f"the daemon is not connected to the broker {talk.broker} (its presence is down){last}"
        raise NoAnswerError(msg)
    if status is None and talk.misfit:
        what = f"what is published as its status at the broker {talk.broker} is none that this version understands"
        msg = f"{what} ({talk.misfit}); is it another program, or a daemon of another version?"
        raise NoAnswerError(msg)
    if status is None:
        msg = f"no dumpload daemon has published a status at the broker {talk.broker} (is `dumpload run` running?)"
        raise NoAnswerError(msg)
    if utc_text(time.time() - STATUS_EXPIRES_S) > status["at"]:
        msg = f"the last status is stale: it is of {status['at']}; the daemon, or its connection, stands still"
        raise NoAnswerError(msg)
    return status


def sentence(status: Document) -> str:
    """Return in a few sentences what the load is doing, why, and what would change it."""
    charge, ahead = status["state_of_charge"], status["next"]
    words = [
        f"The load is {status['relay'].upper()} since {_moment(status, status['since'])} ({status['cause']}).",
        _meaning(status["cause"]),
        "" if charge is None else f"State of charge {charge:g} %, {status['data_age_s']:.0f} s old.",
        f"It goes {ahead['relay']} when {ahead['condition']}{_when(status)}.",
        "" if status["selector"] == "auto" else f"The selector is in {status['selector']}.",
        *(f"Note: {note}." for note in status["notes"]),
    ]
    return printable(" ".join(filter(None, words)))


def _meaning(cause: str) -> str:
    """Return what a cause means; a daemon of another version may have causes of its own."""
    words = MEANINGS.get(Cause.__members__.get(cause.upper(), Cause.NONE), "").removeprefix("On: ")
    return words[:1].upper() + words[1:]


def _when(status: Document) -> str:
    ahead = status["next"]
    if ahead["at"] is None:
        return ""
    return f"; {'not before' if ahead['relay'] == 'on' else 'as things stand at'} {_moment(status, ahead['at'])}"


def _moment(status: Document, text: str) -> str:
    """Return a moment, with its date if that is not the status's own."""
    day, time_of_day = text[:10], text[11:19]
    return f"{time_of_day} UTC" if day == status["at"][:10] else f"{day} {time_of_day} UTC"


async def watch(settings: Settings, show: Callable[[Document], None], *, follow: bool) -> None:
    """Show the daemon's status now and, to follow it, whenever it changes.

    Raises:
        NoAnswerError: no daemon, or it fell silent.
    """
    async with conversation(settings) as talk:
        status = await current(talk)
        show(status)
        while follow:
            status = await _next_shown(talk, status)
            show(status)


async def _next_shown(talk: Conversation, status: Document) -> Document:
    """Return the next status that differs in what is worth a line."""
    while True:
        heard = await talk.next(STATUS_EXPIRES_S)
        if heard is None:
            msg = "the daemon has fallen silent"
            raise NoAnswerError(msg)
        if heard.kind == "presence" and heard.payload == "down":
            msg = "the daemon is gone: its presence went down"
            raise NoAnswerError(msg)
        if heard.kind == "status" and any(heard.payload[key] != status[key] for key in _SHOWN):
            shown: Document = heard.payload
            return shown


async def select(settings: Settings, wanted: Document) -> Document:
    """Send a request to the running daemon and return its status once that has taken effect.

    Raises:
        NoAnswerError: no daemon, or it did not react.
        RefusedError: it refused.
    """
    async with conversation(settings) as talk:
        before = await current(talk)
        talk.request({**wanted, "issued_at": utc_text(time.time()), "boot_id": before["boot_id"]})
        now = before
        deadline = time.monotonic() + ANSWER_S
        while (heard := await talk.next(max(0.0, deadline - time.monotonic()))) is not None:
            if heard.kind == "change" and "refused" in heard.payload:
                msg = one_line(f"refused: {heard.payload['refused']}")
                raise RefusedError(msg)
            now = heard.payload if heard.kind == "status" else now
            if heard.kind == "status" and _took_effect(before, now, wanted):
                return now
        raise NoAnswerError(_why_no_effect(before, now, wanted))


def _why_no_effect(before: Document, now: Document, wanted: Document) -> str:
    if wanted.get("reset") and now["sequence"] > before["sequence"] and now["lockout"]:
        return f"the lockout is still there, or came back at once: {now['lockout']}"
    return "the daemon did not react to the request (request.enabled must be true in its settings)"


def _took_effect(before: Document, now: Document, wanted: Document) -> bool:
    newer = now["boot_id"] == before["boot_id"] and now["sequence"] > before["sequence"]
    moved = now["selector"] == wanted.get("selector", now["selector"])
    return newer and moved and not (wanted.get("reset") and now["lockout"])
