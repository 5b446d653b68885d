"""The command `forget`: clear a removed instance's retained messages from the broker."""

import argparse
import re
import sys
from typing import TYPE_CHECKING

from dumpload.cli import console

if TYPE_CHECKING:
    from dumpload.config.model import Settings


def add_forget_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `forget`."""
    parser.add_argument("name", metavar="NAME", type=instance_name, help="name of the instance, as in its settings")
    parser.add_argument("--yes", action="store_true", help="do not ask for confirmation")


def instance_name(text: str) -> str:
    """Return the text if an instance can have that name.

    Raises:
        argparse.ArgumentTypeError: none can.
    """
    # Loads pydantic, which the help of this command can do without.
    from dumpload.config.types import NAME_PATTERN

    if not re.fullmatch(NAME_PATTERN, text):
        msg = f"{text[:40]!r}: expected the name of an instance: letters, digits, - and _"
        raise argparse.ArgumentTypeError(msg)
    return text


def run_forget(args: argparse.Namespace) -> int:
    """List what is retained, ask for confirmation and clear it; return the exit code."""
    from dumpload.cli.leftovers import ForgetError

    try:
        return _forget(args, console.load(args)[1])
    except ForgetError as error:
        console.fail(args, str(error))
        return console.WRONG


def _forget(args: argparse.Namespace, settings: "Settings") -> int:
    """List what is retained, ask for confirmation and clear it; return the exit code.

    Raises:
        ForgetError: the broker cannot be reached, the instance is alive, or something is still there afterwards.
    """
    import asyncio

    from dumpload.cli.leftovers import ForgetError, leftovers
    from dumpload.config.to_mqtt import base_topics

    base = base_topics(settings).status.rpartition("/")[0] if args.name == settings.name else f"dumpload/{args.name}"
    retained = asyncio.run(leftovers(settings, base))
    if retained.get(f"{base}/presence") == b"up":
        msg = f"{args.name} is up at {settings.mqtt.host}: expected an instance that has been stopped"
        raise ForgetError(msg)
    if not retained:
        console.say(f"Nothing of {args.name} is retained under {base} at {settings.mqtt.host}.")
        return console.OK
    console.say("\n".join((f"Retained at {settings.mqtt.host}:", *(f"  {topic}" for topic in sorted(retained)))))
    if not args.yes and not _is_sure():
        console.say("Nothing was cleared.")
        return console.WRONG
    asyncio.run(leftovers(settings, base, clear=True))
    if remaining := asyncio.run(leftovers(settings, base)):
        msg = f"{', '.join(sorted(remaining))}: expected permission to publish there; the broker still has it"
        raise ForgetError(msg)
    console.say("Cleared.")
    return console.OK


def _is_sure() -> bool:
    from dumpload.cli.leftovers import ForgetError

    if not sys.stdin.isatty():
        msg = "expected --yes or a terminal to confirm on; nothing was cleared"
        raise ForgetError(msg)
    return input("Clear them? [y/N] ").strip().lower() in {"y", "yes"}
