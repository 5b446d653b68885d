"""Numbers on the command line, within bounds."""

import argparse
import math
from collections.abc import Callable


def number(least: float, most: float, unit: str = "") -> Callable[[str], float]:
    """Return what reads a number from `least` to `most`; `unit`: named in the error."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not least <= value <= most:
            of_unit = f" of {unit}" if unit else ""
            msg = f"{text!r}: expected a number{of_unit} from {least:g} to {most:g}"
            raise argparse.ArgumentTypeError(msg)
        return value

    return read


def whole(least: int, most: int) -> Callable[[str], int]:
    """Return what reads a whole number from `least` to `most`, in digits."""

    def read(text: str) -> int:
        value = int(text) if text.isascii() and text.isdigit() and len(text) <= len(str(most)) else -1
        if not least <= value <= most:
            msg = f"{text!r}: expected a whole number from {least} to {most}"
            raise argparse.ArgumentTypeError(msg)
        return value

    return read
