"""Plays a record from its first row to its last, and returns what the relay would have done."""

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import chain
from pathlib import Path
from typing import NamedTuple, Protocol

from dumpload.core.window import utc_text
from dumpload.study.records.items import Item, Stretch
from dumpload.study.records.record import Account, Record, RecordError
from dumpload.study.replay.player import Plan, Player
from dumpload.study.replay.summary import Change, Summary, Tally

__all__ = ["Plan", "ReplayInterrupted", "Result", "replay"]


class Result(NamedTuple):
    """What came of it. `first`, `last`: Unix s. `samples` are accepted, rejected, or say that a value is unknown."""

    path: Path
    kind: str
    first: float
    last: float
    samples: int
    accepted: int
    rejected: int
    changes: Sequence[Change]
    summary: Summary
    account: Account


class ReplayInterrupted(KeyboardInterrupt):
    """A person ended the replay; the text says how far it was."""


class Witness(Protocol):
    """Sees a replay happen, for a report."""

    def begin(self, tally: Tally) -> None:
        """The replay begins."""

    def play(self, player: Player, item: Item) -> None:
        """Have one part of the record played."""


def replay(record: Record, plan: Plan, account: Account, witness: Witness | None = None) -> Result:
    """Play a whole record.

    Raises:
        RecordError: it cannot be read, or has no rows.
        ReplayInterrupted: a person ended it; nothing of a part of a record is returned.
    """
    items = _filled(record.read(account))
    first = next(items, None)
    if first is None:
        raise RecordError.of(account.bad[0]) if account.bad else RecordError(record.path, "at least one row")
    item, player = first, Player(plan, first.ends.t)
    play = player.play
    if witness is not None:
        witness.begin(player.tally)
        play = partial(witness.play, player)
    try:
        for item in chain([first], items):
            play(item)
    except KeyboardInterrupt:
        msg = f"interrupted at {utc_text(item.ends.wall)} of the record; nothing is shown for a part of it"
        raise ReplayInterrupted(msg) from None
    summary, tally = player.finish(item.ends.end_t), player.tally
    counts = (tally.samples, tally.accepted, tally.rejected)
    ends = (first.ends.wall, item.ends.end_wall)
    return Result(record.path, record.kind, *ends, *counts, tally.changes, summary, account)


def _filled(items: Iterator[Item]) -> Iterator[Item]:
    return (item for item in items if not isinstance(item, Stretch) or item.rows)
