"""Replay a record from first row to last."""

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import NamedTuple

from dumpload.core.freshness import is_missing
from dumpload.core.signals import Signal, signal_name
from dumpload.core.text import duration, utc_text
from dumpload.records.items import Item, RowBatch
from dumpload.records.loading import interrupt_afterwards
from dumpload.records.record import MAX_SPAN_S, MAX_YEARS, ReadLog, Record, RecordError
from dumpload.records.traps import Spacing, Trap
from dumpload.replay.heat_sources import SOURCE_SIGNALS, HeatSources, SourcedEnergy
from dumpload.replay.replayer import Observer, Replayer, Scenario
from dumpload.replay.totals import SOC, Change, Summary, Totals

# One row may be missing, and a little time (our choice, no source). The longest age is that of the settings.
ROWS_MISSED = 2.2
MAX_AGE_S = 3600.0

# The plain loop takes longer for these (2 s: ours, measured) than loading numba and the compiled law does. A year of
# minutes is worth the 15 s that compiling takes once, from the second replay on.
COMPILED_FROM_ROWS = 100_000


class Result(NamedTuple):
    """Result of a replay. `first`, `last`: Unix s. `samples` are accepted, rejected, or say that a value is unknown.

    `heat`: where the heat came from; None: that was not reckoned.
    """

    path: Path
    kind: str
    first: float
    last: float
    samples: int
    accepted: int
    rejected: int
    changes: Sequence[Change]
    summary: Summary
    log: ReadLog
    heat: HeatSources | None = None


def heat_of(totals: Totals) -> HeatSources | None:
    """Return where the heat came from, if these totals split their energy."""
    return totals.energy.sources if isinstance(totals.energy, SourcedEnergy) else None


class ReplayInterrupted(KeyboardInterrupt):
    """The replay was interrupted; the message says at which time of the record."""

    @classmethod
    def at(cls, wall: float | None) -> "ReplayInterrupted":
        """Return the interrupt at `wall` (Unix s) of the record; None: before its first row."""
        far = "" if wall is None else f" at {utc_text(wall)} of the record"
        return cls(f"interrupted{far}; an incomplete run gives no result")


def replay(
    record: Record,
    scenario: Scenario,
    log: ReadLog,
    observer: Observer | None = None,
    say: Callable[[str], None] = lambda _line: None,
) -> Result:
    """Play a whole record: the rows of a long one compiled, with the extra `study`, unless an observer watches.

    One that has the power of the battery or of the panels is played plainly, too: the source of the heat is only
    reckoned there. `say` is called with what takes a while.

    Raises:
        RecordError: it cannot be read, has no rows, or spans too long a time.
        ReplayInterrupted: a person ended it; nothing of a part of a record is returned.
    """
    spacing = Spacing()
    items = _watched(_within_span(record.path, record.read(log)), spacing)
    item = first = None
    try:
        item = first = next(items, None)
        if item is None or first is None:
            raise RecordError.of(log.bad[0]) if log.bad else RecordError(record.path, "at least one row")
        replayer, may_compile = Replayer(scenario, _begin(item), _ahead(item), observer), observer is None
        for item in chain([first], items):
            if may_compile and isinstance(item, RowBatch) and log.rows > COMPILED_FROM_ROWS:
                replayer, may_compile = _go_on(replayer, item, say), False
            replayer.play(item)
    except KeyboardInterrupt:
        raise ReplayInterrupted.at(None if item is None else _begin(item) - _ahead(item)) from None
    end = _end(item)
    summary, totals = replayer.finish(end), replayer.totals
    for trap in sparse_traps(spacing.seconds, scenario.setup.settings.max_age_s):
        log.is_sparse = True
        log.advise(trap)
    counts = (totals.samples, totals.accepted, totals.rejected)
    ends = (_begin(first) - _ahead(first), end - _ahead(item))
    return Result(record.path, record.kind, *ends, *counts, totals.changes, summary, log, heat_of(totals))


def _go_on(begun: Replayer, batch: RowBatch, say: Callable[[str], None]) -> Replayer:
    """Return what plays on from a batch: compiled, unless the table tells where the heat came from."""
    return begun if batch.columns.keys() & SOURCE_SIGNALS else _go_on_compiled(begun, say)


def _go_on_compiled(begun: Replayer, say: Callable[[str], None]) -> Replayer:
    """Return what plays on compiled, where that can be had."""
    try:
        with interrupt_afterwards():
            from dumpload.replay.batches import go_on_compiled  # late: numba loads for a second, and is in an extra
    except ImportError:
        return begun
    return go_on_compiled(begun, say)


def _within_span(path: Path, items: Iterator[Item]) -> Iterator[Item]:
    """Refuse a record whose clock was not set at some time, because its gap would last decades."""
    begin = math.nan
    for item in items:
        if isinstance(item, RowBatch) and not item.rows:
            continue
        begin = _begin(item) if is_missing(begin) else begin
        if _end(item) - begin > MAX_SPAN_S:
            far = f"{utc_text(begin - _ahead(item))} to {utc_text(_end(item) - _ahead(item))}"
            raise RecordError(
                path, f"a record of at most {MAX_YEARS} years; this is one from {far}: was a clock not set?"
            )
        yield item


def _watched(items: Iterator[Item], spacing: Spacing) -> Iterator[Item]:
    """Measure the spacing of rows with a state of charge."""
    for item in items:
        if isinstance(item, RowBatch) and (column := item.columns.get(SOC)) is not None:
            spacing.take(item, None if column.codes is None else column.codes.tolist())
        yield item


def sparse_traps(spacing_s: float, ages: Sequence[float]) -> Iterator[Trap]:
    """Yield a note if rows are further apart than a value is valid; `ages`: by signal, s."""
    if not spacing_s > ages[SOC]:
        return
    apart = f"rows are {duration(spacing_s)} apart, and a state of charge is valid for {duration(ages[SOC])} only"
    needed_s = math.ceil(ROWS_MISSED * spacing_s)
    if needed_s > MAX_AGE_S:
        yield Trap(f"{apart}: too far for a replay, which needs a row every {duration(MAX_AGE_S / ROWS_MISSED)}")
        return
    names = [signal_name(signal) for signal in Signal if ages[signal] < needed_s]
    sets = [word for name in names for word in ("--set", f"telemetry.{name}.max_age_s={needed_s}")]
    yield Trap(f"{apart} (max_age_s): data were lost from row to row", tuple(sets))


def _begin(item: Item) -> float:
    return float(item.times[0]) if isinstance(item, RowBatch) else item.t


def _end(item: Item) -> float:
    return float(item.times[-1]) if isinstance(item, RowBatch) else item.t


def _ahead(item: Item) -> float:
    return 0.0 if isinstance(item, RowBatch) else item.ahead
