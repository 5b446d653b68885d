"""What an instance left at the broker, which keeps retained messages for ever: found, and cleared."""

import asyncio
import secrets
import time

from dumpload.config.model import Settings
from dumpload.config.to_mqtt import link_options
from dumpload.mqtt import Listener, Message, Subscription
from dumpload.mqtt.link import Link

ANSWER_S = 5.0
# How long retained messages may take to come after the subscription is acknowledged (our choice, no source).
SETTLE_S = 1.0


class ForgetError(Exception):
    """The broker cannot be reached, or the instance is alive; the message says which."""


class _Leftovers(Listener):
    """Takes the retained messages that the broker has."""

    def __init__(self) -> None:
        self.payloads: dict[str, bytes] = {}
        self.up = asyncio.Event()
        self.trouble = "it does not answer"

    def on_message(self, message: Message) -> None:
        """Keep what is retained; an empty one clears."""
        if message.retained:
            self.payloads[message.topic] = message.payload

    def on_up(self) -> None:
        """Every subscription is acknowledged."""
        self.up.set()

    def on_down(self, reason: str, retry_s: float) -> None:
        """Keep the reason, in case no answer ever comes."""
        del retry_s
        self.trouble = reason

    def on_callback_error(self, error: Exception) -> None:
        """Keep the reason."""
        self.trouble = repr(error)


async def leftovers(settings: Settings, base: str, *, clear: bool = False) -> dict[str, bytes]:
    """Return the retained messages below a base topic; `clear` them, and return what is still there.

    Raises:
        ForgetError: the broker cannot be reached.
    """
    found = _Leftovers()
    options = link_options(settings)
    own = options._replace(
        client_id=f"dumpload-forget-{secrets.token_hex(4)}",
        will=None,
        subscriptions=(Subscription(f"{base}/#", 1, retained=True),),
    )
    link = Link(own, found, time.monotonic)
    running = asyncio.create_task(link.run())
    try:
        async with asyncio.timeout(ANSWER_S):
            await found.up.wait()
        await _settle(link)
        if clear:
            for topic in found.payloads:
                link.publish(topic, "", qos=1, retain=True)
            await _settle(link)
        await link.close(ANSWER_S)
    except TimeoutError:
        msg = f"{options.host}:{options.port}: expected a broker that answers: {found.trouble}"
        raise ForgetError(msg) from None
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    return found.payloads


async def _settle(link: Link) -> None:
    until = time.monotonic() + SETTLE_S
    while time.monotonic() < until:
        link.tick()
        await asyncio.sleep(0.1)
