"""The command `metrics`: the status of this computer's daemons as OpenMetrics text.

Asks over the local socket only: the broker may retain the status of a hung daemon for a minute and a half.
"""

import argparse
import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from dumpload.cli import console
from dumpload.cli.forget import instance_name
from dumpload.core.printable import printable
from dumpload.files import Named, Output, write_outputs

if TYPE_CHECKING:
    from dumpload.config.model import Settings
    from dumpload.daemon.payloads import Document


class WantedInstances(NamedTuple):
    """The instances that are asked for: the name of each by its settings file, and what no output may replace.

    `others`: whether daemons with other settings files are wanted, too; `name`: the only name that is (None: any).
    """

    names: dict[str, str]
    others: bool
    name: str | None
    protected: list[Named]


def add_metrics_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `metrics`."""
    whose = parser.add_mutually_exclusive_group()
    whose.add_argument("--name", type=instance_name, help="only the instance of this name (needs no config)")
    whose.add_argument("--all", action="store_true", help="every instance on this computer (needs no config)")
    parser.add_argument("--output", metavar="FILE", type=Path, help="write a file for a collector, replaced atomically")


def run_metrics(args: argparse.Namespace) -> int:
    """Print or write the metrics; 1 with the reason if a daemon is away.

    Raises:
        WriteError: the output cannot be written.
    """
    import asyncio

    from dumpload.cli import nearby
    from dumpload.daemon.openmetrics import metrics_text

    choice = _everyone(args) if args.all or args.name else _one(*console.load(args))
    closed: list[Path] = []
    answers = asyncio.run(nearby.everyone(closed))
    statuses = _by_name(choice, answers)
    _give(args, metrics_text(statuses), [*choice.protected, *(Named("settings", Path(path)) for path in args.searched)])
    away = [name for name, status in statuses.items() if status is None]
    if closed:
        console.fail(args, nearby.closed_words(closed))
    for name in away:
        console.fail(args, f"No answer from {name} on this computer. Is it running?")
    if not statuses:
        console.fail(args, nearby.NOBODY)
    return console.WRONG if away or closed or not statuses else console.OK


def _one(path: Path, settings: "Settings") -> WantedInstances:
    from dumpload.config.named_files import named_files

    return WantedInstances({str(path): settings.name}, False, None, named_files(path, settings, os.environ))


def _everyone(args: argparse.Namespace) -> WantedInstances:
    """Return the instances that have settings beside the installed ones; those refused have the name of their file."""
    from dumpload.config.instances import installed_instances
    from dumpload.config.named_files import named_files

    names, protected = {}, []
    for path, settings in installed_instances(args.searched[0]).items():
        name = path.stem if settings is None else settings.name
        protected += [Named("settings", path)] if settings is None else named_files(path, settings, os.environ)
        if args.name in (None, name):
            names[str(path.resolve())] = name
    return WantedInstances(names, True, args.name, protected)


def _by_name(choice: WantedInstances, answers: "list[Document]") -> "dict[str, Document | None]":
    """Return the status of every wanted instance by its name; None: away."""
    statuses: dict[str, Document | None] = {}
    for answer in answers:
        path, status = answer["config"], answer["status"]
        name = str(status.get("name") or choice.names.get(path, "dumpload"))
        if path in choice.names or (choice.others and choice.name in (None, name)):
            statuses[name] = status
    answered = {answer["config"] for answer in answers}
    for path, name in choice.names.items():
        if path not in answered:
            statuses.setdefault(name, None)
    if choice.name is not None:
        statuses.setdefault(choice.name, None)
    return statuses


def _give(args: argparse.Namespace, text: str, protected: Iterable[Named]) -> None:
    """Print the text, or write the file even if no daemon answers: a collector would keep reading the old one.

    Raises:
        WriteError: the file cannot be written.
    """
    if args.output is not None:
        write_outputs([Output("--output", args.output, text.encode())], protected)
    elif sys.stdout.isatty():
        sys.stdout.write(printable(text, lines=True))
    else:
        sys.stdout.buffer.write(text.encode())
    sys.stdout.flush()
