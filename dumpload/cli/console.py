"""Shared by every command: loading settings, printing output, exit codes."""

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dumpload.config.layers import choice_remark, find_config
from dumpload.core.printable import LINE_CHARACTERS, one_line, printable, shorten
from dumpload.files import Named, with_database_files

if TYPE_CHECKING:
    from dumpload.config.model import Settings

# 1: the check or the run found something wrong; 2: usage, config or input error; 130: interrupted, as shells have it.
OK, WRONG, USAGE, INTERRUPTED = 0, 1, 2, 130


class CallError(ValueError):
    """The call cannot be carried out as it is; the text says what was expected."""


def load(args: argparse.Namespace) -> "tuple[Path, Settings]":
    """Return the settings to use and their file; name the file where several candidates differ.

    Raises:
        ConfigError: there are none, or they are wrong.
    """
    from dumpload.config.model import load_settings

    chosen = find_config(args.config, os.environ, args.searched)
    if remark := choice_remark(args.config, os.environ, chosen, args.searched):
        say_error(remark)
    path = chosen.resolve()
    return path, load_settings(path, os.environ, args.sets)


def load_file(file: str) -> "tuple[Path, Settings]":
    """Return the settings in a file that an option names, and the file.

    Raises:
        ConfigError: there are none, or they are wrong.
    """
    from dumpload.config.model import load_settings

    path = find_config(file, os.environ).resolve()
    return path, load_settings(path, os.environ)


def history_file(args: argparse.Namespace, settings: "Settings") -> Path:
    """Return the history that the call or the settings name.

    Raises:
        CallError: neither does.
    """
    file: Path | None = args.history or settings.history.path
    if file is None:
        msg = "history.path: expected a history file, in the config or as --history FILE"
        raise CallError(msg)
    return file


def say(text: str) -> None:
    """Print to standard output."""
    sys.stdout.write(printable(text, lines=True) + "\n")
    sys.stdout.flush()


def say_error(text: str) -> None:
    """Print to standard error, each line cut to a readable length."""
    sys.stderr.write("".join(shorten(line, LINE_CHARACTERS) + "\n" for line in printable(text, lines=True).split("\n")))
    sys.stderr.flush()


def show(args: argparse.Namespace, document: Callable[[], Any], text: Callable[[], str]) -> None:
    """Print the result as JSON if that was asked for, else as text."""
    say(json.dumps(document(), indent=2) if args.json else text())


def fail(args: argparse.Namespace, reason: str) -> None:
    """Print why a command failed; with --json also as a document on standard output."""
    reason = one_line(reason)
    say_error(reason)
    if getattr(args, "json", False):
        say(json.dumps({"error": reason}))


def fail_without(args: argparse.Namespace, subject: str, extra: str, error: ModuleNotFoundError) -> int:
    """Print that an extra is missing, and how to install it; return the exit code."""
    install = f"pip install 'dumpload[{extra}]'"
    fail(args, f"{subject}: expected the extra `{extra}` to be installed: {install} ({error.name} is missing)")
    return USAGE


def named(args: argparse.Namespace, path: Path, settings: "Settings") -> Iterator[Named]:
    """Yield the files that no output may replace: those that the call and the settings name, and all usual settings."""
    from dumpload.config.model import load_settings
    from dumpload.config.named_files import named_files

    yield from named_files(path, settings, os.environ)
    for label, name in (("LOG", "log"), ("--history", "history")):
        if file := getattr(args, name, None):
            yield from with_database_files(Named(label, file))
    for name in getattr(args, "compare", ()):
        yield from named_files(Path(name), load_settings(Path(name), os.environ), os.environ)
    yield from (Named("settings", Path(name)) for name in args.searched)
