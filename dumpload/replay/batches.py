"""Compiled replay of a long table's rows, batch by batch; the rest is played in Python on the same state."""

from collections.abc import Callable

import numpy as np

from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.law import Cause, Position
from dumpload.core.signals import Signal
from dumpload.records.items import EMPTY, PLAIN, REJECTED, UNKNOWN, Item, RowBatch
from dumpload.replay.arrays import Codes, codes_of, local_times, of_batches, with_floats
from dumpload.replay.compiled import Compiled, compiled
from dumpload.replay.replayer import Replayer, hold_s
from dumpload.replay.tally import Cells, put_back, tally_of
from dumpload.replay.totals import ENERGY_SIGNALS, SOC, Change, LoadRating


class BatchReplayer(Replayer):
    """A replay from somewhere in the record on, without an observer, of a table without any of `SOURCE_SIGNALS`."""

    def __init__(self, begun: Replayer, run: Compiled) -> None:
        """Take over a replay in progress, which is not to be played on."""
        vars(self).update(vars(begun))
        self._run = run
        self._rating = LoadRating(*map(float, self._scenario.load))

    def play(self, item: Item) -> None:
        """Play one part of a record."""
        if isinstance(item, RowBatch):
            self._play_batch(item)
        else:
            super().play(item)

    def _play_batch(self, batch: RowBatch) -> None:
        codes = {signal: codes_of(column) for signal, column in batch.columns.items()}
        spoken = [(codes[s] == PLAIN) | (codes[s] == UNKNOWN) for s in self._law_signals & codes.keys()]
        ends = np.cumsum(np.sum(spoken, axis=0, dtype=np.int64))
        if not ends[-1]:
            super().play(batch)
            return
        times = np.asarray(batch.times, np.float64)
        events, end = of_batches([batch], self._law_signals), float(times[-1])
        local = local_times(self._schedule, events, self.t, end)
        # What is due at the very moment of the last row comes after it, with what follows.
        due_by = float(np.nextafter(end, -np.inf))
        known = (self.totals.known_until, self.totals.lost_s)
        state, changes, _accepted, known = self._run.play(
            with_floats(self._settings), self.state, events, local, due_by, known
        )
        cells = tuple(self._cells(batch, codes, signal) for signal in (SOC, *ENERGY_SIGNALS))
        tally = self._run.count_rows(tally_of(self.totals), times, ends, cells, changes, self._rating)
        self.state = state
        put_back(self.totals, tally)
        self.totals.known_until, self.totals.lost_s = known
        for t, wall, position, cause, _previous, _after_s, charge, _place in changes.tolist():
            self.totals.note_change(t, Change(wall, Position(int(position)), Cause(int(cause)), charge))
        self._count_cells(codes)
        self._ahead, self.t = 0.0, end

    def _count_cells(self, codes: dict[Signal, Codes]) -> None:
        for signal, column in codes.items():
            if not is_missing(self._ages[signal]):
                self.totals.accept(int(np.count_nonzero(column == PLAIN)))
                self.totals.reject(int(np.count_nonzero(column == REJECTED)))
                self.totals.samples += int(np.count_nonzero(column == UNKNOWN))

    def _cells(self, batch: RowBatch, codes: dict[Signal, Codes], signal: Signal) -> Cells:
        if signal not in codes:
            return Cells(np.full(batch.rows, MISSING), np.full(batch.rows, EMPTY, np.int8), 0.0)
        values = np.asarray(batch.columns[signal].values, np.float64)
        return Cells(values, codes[signal], float(hold_s(self._ages, signal)))


def go_on_compiled(begun: Replayer, say: Callable[[str], None]) -> BatchReplayer:
    """Return what continues another replay; `say` is called if it has to be compiled first."""
    return BatchReplayer(begun, compiled(say))
