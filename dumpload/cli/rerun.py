"""A command line shown again: as it was given, with what it needs besides, and without a secret."""

import re
import shlex
from collections.abc import Sequence

from dumpload.config.layers import NOT_SHOWN
from dumpload.core.printable import printable

# A setting of the broker among the words of a command line.
_SECRET = re.compile(r"((?:^|=)\s*mqtt[^=]*=).*", re.DOTALL)


def without_secrets(word: str) -> str:
    """Return a word of a command line; of a setting of the broker only the key."""
    return _SECRET.sub(rf"\g<1>{NOT_SHOWN}", word)


def rerun_words(arguments: Sequence[str], options: Sequence[str]) -> str:
    """Return the command with more options, to be copied into a shell; "" if it needs none."""
    command = shlex.join(["dumpload", *map(without_secrets, arguments), *options])
    return f"try: {printable(command)}\n" if options else ""
