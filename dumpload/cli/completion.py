"""Shell completion; its library is loaded only when the option is used."""

import argparse
import sys
from collections.abc import Sequence
from typing import Any

SHELLS = ("bash", "zsh", "tcsh")


class _Print(argparse.Action):
    """Print a shell's completion script and exit."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        _namespace: object,
        values: str | Sequence[Any] | None,
        _option: Any = None,
    ) -> None:
        """Print it, or say what is missing."""
        try:
            import shtab
        except ImportError:
            parser.error("--print-completion needs pip install 'dumpload[completion]'")
        sys.stdout.write(shtab.complete(parser, shell=str(values)) + "\n")
        parser.exit(0)


def add_completion(parser: argparse.ArgumentParser) -> None:
    """Add the option that prints completion for a shell."""
    parser.add_argument("--print-completion", action=_Print, choices=SHELLS, help="print shell completion and exit")
