"""The command `status`: of the daemon of these settings, or of every one on this computer."""

import argparse
import asyncio
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path

from dumpload.cli import client, nearby
from dumpload.cli.terminal import Display
from dumpload.config.model import Settings

OK, WRONG = 0, 1


def run_status(args: argparse.Namespace, load: Callable[[], tuple[Path, Settings]], fail: Callable[[str], None]) -> int:
    """Show the status; 1 with the reason if nobody answers. `load` returns the settings and their file."""
    display = Display(sys.stdout, os.environ, brief=args.brief, json=args.json, follow=args.follow)
    if args.all:
        return _show_all(args, display, fail)
    path, settings = load()
    try:
        asyncio.run(nearby.watch(path, settings, display.show, follow=args.follow, every=display.redraws))
    except client.NoAnswerError as error:
        fail(str(error))
        return WRONG
    return OK


def _show_all(args: argparse.Namespace, display: Display, fail: Callable[[str], None]) -> int:
    closed: list[Path] = []
    found = asyncio.run(nearby.everyone(closed))
    if found and args.json:
        sys.stdout.write(json.dumps({"instances": found}) + "\n")
    elif found:
        display.show_all([one["status"] for one in found])
    if closed:
        fail(f"{', '.join(map(str, closed))}: this user may not connect: try sudo, or the group of that file")
    elif not found:
        fail("No dumpload daemon is running on this computer (no control.sock under /run/dumpload*)")
    return OK if found and not closed else WRONG
