"""Repeat a command line with the options it still needs and without secrets."""

import argparse
import re
import shlex
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from dumpload.cli import console
from dumpload.config.layers import NOT_SHOWN
from dumpload.core.printable import printable

if TYPE_CHECKING:
    from dumpload.records.record import RecordError

# A setting of the broker among the words of a command line.
_SECRET = re.compile(r"((?:^|=)\s*mqtt[^=]*=).*", re.DOTALL)


def without_secrets(word: str) -> str:
    """Return a word of a command line; of a setting of the broker only the key."""
    return _SECRET.sub(rf"\g<1>{NOT_SHOWN}", word)


def rerun_words(arguments: Sequence[str], options: Sequence[str]) -> str:
    """Return the command with more options, to be copied into a shell; "" if it needs none."""
    command = shlex.join(["dumpload", *map(without_secrets, arguments), *options])
    return f"try: {printable(command)}\n" if options else ""


def fail_to_read(args: argparse.Namespace, error: "RecordError") -> int:
    """Print why a record cannot be read, and the command with which it can; return the exit code."""
    console.fail(args, str(error))
    sys.stderr.write(rerun_words(args.words, error.options))
    return console.USAGE
