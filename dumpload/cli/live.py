"""The commands `status` and `select`: ask the daemon with these settings, or every one on this computer."""

import argparse
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dumpload.cli import console
from dumpload.cli.periods import duration

if TYPE_CHECKING:
    from dumpload.cli.terminal import Display


def add_status_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `status`."""
    whose = parser.add_mutually_exclusive_group()
    whose.add_argument(
        "--follow", action="store_true", help="keep watching; one line per change when not on a terminal"
    )
    whose.add_argument("--all", action="store_true", help="show every instance on this computer (needs no config)")
    parser.add_argument("--brief", action="store_true", help="one line")


def add_select_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `select`."""
    parser.add_argument("position", nargs="?", choices=["hand", "off", "auto"])
    parser.add_argument(
        "--for", dest="for_s", type=duration, metavar="45m", help="how long to run, such as 45m or 1h30m"
    )
    parser.add_argument(
        "--reset", action="store_true", help="clear the lockout, once the fault has been found and repaired"
    )


def run_status(args: argparse.Namespace) -> int:
    """Show the status; return 1 with the reason if no daemon answers."""
    import asyncio

    from dumpload.cli import client, nearby
    from dumpload.cli.terminal import Display

    display = Display(sys.stdout, os.environ, brief=args.brief, json=args.json, follow=args.follow)
    if args.all:
        return _show_all(args, display)
    path, settings = console.load(args)
    try:
        asyncio.run(nearby.watch(path, settings, display.show, follow=args.follow, every=display.redraws))
    except client.NoAnswerError as error:
        console.fail(args, str(error))
        return console.WRONG
    return console.OK


def _show_all(args: argparse.Namespace, display: "Display") -> int:
    import asyncio

    from dumpload.cli import nearby

    closed: list[Path] = []
    instances = asyncio.run(nearby.everyone(closed))
    if instances and args.json:
        sys.stdout.write(json.dumps({"instances": instances}) + "\n")
    elif instances:
        display.show_all([instance["status"] for instance in instances])
    if closed:
        console.fail(args, nearby.closed_words(closed))
    elif not instances:
        console.fail(args, nearby.NOBODY)
    return console.OK if instances and not closed else console.WRONG


def run_select(args: argparse.Namespace) -> int:
    """Send a request and wait for its effect or its refusal."""
    import asyncio

    from dumpload.cli import client, nearby
    from dumpload.daemon.screen import brief

    request: dict[str, Any] = {"selector": args.position} if args.position else {}
    if args.reset:
        request["reset"] = True
    if args.for_s is not None:
        request["for_s"] = args.for_s
    if not (args.position or args.reset) or (args.for_s is not None and args.position != "hand"):
        console.say_error("dumpload select: expected hand, off or auto, or --reset; --for goes with hand only")
        return console.USAGE
    path, settings = console.load(args)
    try:
        document = asyncio.run(nearby.select(path, settings, request))
    except (client.NoAnswerError, client.RefusedError) as error:
        console.fail(args, str(error))
        return console.WRONG
    console.say(json.dumps(document) if args.json else brief(document))
    return console.OK
