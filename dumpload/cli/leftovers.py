"""Find and clear the retained messages of an instance, which a broker keeps indefinitely."""

import asyncio
import secrets
import time
from collections.abc import Iterable

from dumpload.config.model import Settings
from dumpload.config.to_mqtt import link_options
from dumpload.mqtt import Message, Subscription
from dumpload.mqtt.link import Link
from dumpload.mqtt.visit import Visitor, visiting

ANSWER_S = 5.0
# How long retained messages may take to come after the subscription is acknowledged (our choice, no source).
SETTLE_S = 1.0


class ForgetError(Exception):
    """The broker cannot be reached, or the instance is alive; the message says which."""


class _Leftovers(Visitor):
    """Collect the broker's retained messages."""

    def __init__(self) -> None:
        super().__init__("it does not answer")
        self.payloads: dict[str, bytes] = {}

    def on_message(self, message: Message) -> None:
        """Keep a retained message; an empty payload removes it."""
        if message.retained:
            self.payloads[message.topic] = message.payload


async def leftovers(settings: Settings, base: str, *, clear: bool = False) -> dict[str, bytes]:
    """Return the retained messages below a base topic; `clear` them, and return what is still there.

    Raises:
        ForgetError: the broker cannot be reached.
    """
    listener = _Leftovers()
    options = link_options(settings)
    own = options._replace(
        client_id=f"dumpload-forget-{secrets.token_hex(4)}",
        will=None,
        subscriptions=(Subscription(f"{base}/#", 1, retained=True),),
    )
    try:
        async with visiting(own, listener) as link:
            async with asyncio.timeout(ANSWER_S):
                await listener.up.wait()
            await _settle(link)
            if clear:
                await _clear(link, listener.payloads)
            await link.close(ANSWER_S)
    except TimeoutError:
        msg = f"{options.host}:{options.port}: expected a broker that answers: {listener.trouble}"
        raise ForgetError(msg) from None
    return listener.payloads


async def _clear(link: Link, topics: Iterable[str]) -> None:
    for topic in topics:
        link.publish(topic, "", qos=1, retain=True)
    await _settle(link)


async def _settle(link: Link) -> None:
    until = time.monotonic() + SETTLE_S
    while time.monotonic() < until:
        link.tick()
        await asyncio.sleep(0.1)
