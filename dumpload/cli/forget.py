"""`dumpload forget NAME`: clears what an instance left at the broker, which keeps retained messages for ever."""

import argparse
import asyncio
import re
import secrets
import sys
import time
from collections.abc import Callable

from dumpload.config.model import Settings
from dumpload.config.to_mqtt import base_topics, link_options
from dumpload.config.types import NAME_PATTERN
from dumpload.mqtt import Listener, Message, Subscription
from dumpload.mqtt.link import Link

ANSWER_S = 5.0
# How long retained messages may take to come after the subscription is acknowledged (our choice, no source).
SETTLE_S = 1.0


def add_forget_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `forget`."""
    parser.add_argument("name", metavar="NAME", type=_name, help="the name of the instance, as its settings had it")
    parser.add_argument("--yes", action="store_true", help="do not ask back")


def _name(text: str) -> str:
    if not re.fullmatch(NAME_PATTERN, text):
        msg = f"{text[:40]!r}: expected the name of an instance: letters, digits, - and _"
        raise argparse.ArgumentTypeError(msg)
    return text


def run_forget(
    args: argparse.Namespace, settings: Settings, show: Callable[[str], None], fail: Callable[[str], None]
) -> int:
    """Say what is there, ask back, and clear it; return the exit code."""
    try:
        return _forget(args, settings, show)
    except ForgetError as error:
        fail(str(error))
        return 1


def _forget(args: argparse.Namespace, settings: Settings, show: Callable[[str], None]) -> int:
    """Say what is there, ask back, and clear it; return the exit code.

    Raises:
        ForgetError: the broker cannot be reached, the instance is alive, or something is still there afterwards.
    """
    base = base_topics(settings).status.rpartition("/")[0] if args.name == settings.name else f"dumpload/{args.name}"
    found = asyncio.run(leftovers(settings, base))
    if found.get(f"{base}/presence") == b"up":
        msg = f"{args.name} is up at {settings.mqtt.host}: expected an instance that has been stopped for good"
        raise ForgetError(msg)
    if not found:
        show(f"Nothing of {args.name} is retained below {base} at {settings.mqtt.host}.")
        return 0
    show("\n".join((f"Retained at {settings.mqtt.host}:", *(f"  {topic}" for topic in sorted(found)))))
    if not args.yes and not _is_sure():
        show("Nothing was cleared.")
        return 1
    asyncio.run(leftovers(settings, base, clear=True))
    if left := asyncio.run(leftovers(settings, base)):
        msg = f"{', '.join(sorted(left))}: expected the right to publish there; the broker still has it"
        raise ForgetError(msg)
    show("Cleared.")
    return 0


def _is_sure() -> bool:
    if not sys.stdin.isatty():
        msg = "expected --yes, or a terminal to ask back on; nothing was cleared"
        raise ForgetError(msg)
    return input("Clear them? [y/N] ").strip().lower() in {"y", "yes"}


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
