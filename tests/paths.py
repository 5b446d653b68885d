"""Paths of SVG read back: where their corners are, and what lies above and below a point of the axis."""

import re
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

_STEP = re.compile(r"([MmHhVvz])([^MmHhVvz]*)")


class Point(NamedTuple):
    """A corner."""

    x: float
    y: float


def corners(path: str) -> Iterator[list[Point]]:
    """Yield the corners of each part of a path; a closed one ends where it began."""
    part: list[Point] = []
    at = Point(0.0, 0.0)
    assert _STEP.sub("", path) == "", path
    for letter, text in _STEP.findall(path):
        numbers = [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", text)]
        if letter in "Mm":
            if part:
                yield part
            at = Point(*numbers) if letter == "M" else Point(at.x + numbers[0], at.y + numbers[1])
            part = [at]
            continue
        if letter == "z":
            at = part[0]
        elif letter in "Hh":
            at = Point(numbers[0] + (at.x if letter == "h" else 0.0), at.y)
        else:
            at = Point(at.x, numbers[0] + (at.y if letter == "v" else 0.0))
        part.append(at)
    if part:
        yield part


def heights(path: str, x: float) -> list[float]:
    """Return at which heights level lines of the path pass above `x`, the topmost first."""
    lines = (line for part in corners(path) for line in pairwise(part))
    return sorted(begin.y for begin, end in lines if begin.y == end.y and min(begin.x, end.x) < x < max(begin.x, end.x))
