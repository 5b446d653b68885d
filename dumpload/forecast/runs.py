"""Runs of entries: where a flag is set, and how to close and widen it."""

from typing import NamedTuple

import numpy as np

from dumpload.forecast.evidence import Flags


class Run(NamedTuple):
    """Entries from `begin` (inclusive) to `end` (exclusive)."""

    begin: int
    end: int

    @property
    def entries(self) -> int:
        """Number of entries."""
        return self.end - self.begin


def runs_of(flags: Flags) -> list[Run]:
    """Return every run of set flags."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [Run(int(begin), int(end)) for begin, end in edges.reshape(-1, 2)]


def closed_up(flags: Flags, entries: int) -> Flags:
    """Return the flags with pauses of at most `entries` entries filled."""
    closed = flags.copy()
    for run in runs_of(~flags):
        if run.entries <= entries and run.begin > 0 and run.end < len(flags):
            closed[run.begin : run.end] = True
    return closed


def smeared(flags: Flags, entries: int) -> Flags:
    """Return the flags widened by `entries` entries on both sides."""
    wide = flags.copy()
    for shift in range(1, entries + 1):
        wide[shift:] |= flags[:-shift]
        wide[:-shift] |= flags[shift:]
    return wide
