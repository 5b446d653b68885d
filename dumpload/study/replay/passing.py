"""Passes over the rows of a record that can change nothing, many at once, and has the others evaluated one by one.

Which rows those are `quiet` says; here they are only found, counted, and the last sample of
each signal handed on. What is counted is what evaluating every row would give, and a test holds it to that. Nothing is
done per row in Python, because a long record has many millions.
"""

from collections.abc import Sequence

from dumpload.core.controller import Event
from dumpload.core.freshness import is_missing
from dumpload.core.signals import Signal
from dumpload.study.records.bounds import ALL, Band
from dumpload.study.records.columns import Column
from dumpload.study.records.items import Item, Page, Stretch
from dumpload.study.replay.passing_page import play_page
from dumpload.study.replay.player import ENERGY_SIGNALS, SOC, Player
from dumpload.study.replay.summary import Summary

GROWTH = 16
"""So many times as many rows are looked at as were passed over before."""


class Passing:
    """Plays a record with a player that need not evaluate every row."""

    def __init__(self, player: Player) -> None:
        """Use this player."""
        self._player = player
        self._window = 0
        self._sparse: set[Signal] = set()
        self._idle: dict[Signal, tuple[Column, int, float]] = {}

    def play(self, item: Item) -> None:
        """Play one part of a record."""
        if isinstance(item, Stretch):
            self._play_stretch(item)
        elif isinstance(item, Page):
            play_page(self._player, item)
        else:
            self._hand_on()
            self._player.play(item)

    def finish(self, t: float) -> Summary:
        """End at `t` (s), the time of the last row."""
        self._hand_on()
        return self._player.finish(t)

    def _play_stretch(self, stretch: Stretch) -> None:
        """Pass over the rows that change nothing, and evaluate the others one by one."""
        begin, rows = 0, stretch.rows
        while begin < rows:
            end = min(rows, begin + max(stretch.least_window, self._window))
            passed = self._pass_over(stretch, begin, end)
            begin += passed
            self._window = GROWTH * passed
            if begin < end:
                self._hand_on()
                if self._player.wake_before(stretch.time(begin)):
                    continue  # after that, the row may be one that changes nothing
                self._player.play_row(stretch.time(begin), stretch.row(begin))
                begin += 1

    def _pass_over(self, stretch: Stretch, begin: int, end: int) -> int:
        """Count those of the first rows that can change nothing; return how many there are."""
        quiet = self._player.quiet_now()
        self._sparse.clear()
        end = stretch.first_from(quiet.until, begin, end)
        for signal in stretch.columns:
            if end > begin and not is_missing(self._player.ages[signal]):
                end = self._end_of_band(stretch, signal, range(begin, end), self._player.band(signal))
        for signal in Signal:
            if end > begin and self._player.band(signal) != ALL:
                end = self._end_of_life(stretch, signal, range(begin, end))
        if end > begin:
            self._take(stretch, range(begin, end))
        return end - begin

    def _end_of_band(self, stretch: Stretch, signal: Signal, rows: range, band: Band) -> int:
        """Return the first of the rows whose sample is not plain, or not within the band; else the end."""
        end, is_sparse = stretch.columns[signal].end_of_band(rows, band)
        if is_sparse:
            self._sparse.add(signal)
        return end

    def _end_of_life(self, stretch: Stretch, signal: Signal, rows: range) -> int:
        """Return the first of the rows before which a signal that matters is lost; else the end."""
        expires_at = self._player.controller.data[signal].expires_at
        if expires_at <= self._player.evaluated_at:
            return rows.stop  # it was lost already, and none of these rows has it again
        column = stretch.columns.get(signal)
        if column is None or signal in self._sparse:
            return stretch.end_of_life(column, rows, expires_at, self._player.ages[signal])
        first = stretch.time(rows.start)
        if first > expires_at:
            return rows.start
        return rows.start + stretch.leading_close(rows.start, rows.stop, self._allowed_s(signal, first))

    def _allowed_s(self, signal: Signal, t: float) -> float:
        """Return the longest time between two samples, as rounded where the law adds it up at `t` (s)."""
        return (t + self._player.ages[signal]) - t

    def _take(self, stretch: Stretch, rows: range) -> None:
        """Count samples that change nothing, and let the controller know the last of each."""
        self._note_energy(stretch, rows.start, rows.stop)
        for signal, column in stretch.columns.items():
            count = column.count(rows) if signal in self._sparse else len(rows)
            if not count or is_missing(self._player.ages[signal]):
                continue
            self._player.tally.accept(count)
            last = next(row for row in reversed(rows) if column.has(row))
            self._idle[signal] = (column, last, stretch.time(last))
            if signal == SOC:
                self._take_charge(column, rows, stretch.time(last))
        self._hand_on(only_watched=True)

    def _hand_on(self, *, only_watched: bool = False) -> None:
        """Let the controller know the last samples that were passed over.

        Those of signals that decide nothing can wait until something is evaluated (`only_watched`).
        """
        player = self._player
        chosen = [signal for signal in self._idle if not only_watched or player.band(signal) != ALL]
        samples = [column.event(row, t) for column, row, t in map(self._idle.pop, chosen)]
        events = [one for one in samples if isinstance(one, Event) and not player.is_aside(one)]
        player.controller.take(sorted(events))

    def _take_charge(self, column: Column, rows: range, last: float) -> None:
        tally = self._player.tally
        tally.charge(last)
        if tally.is_on:
            tally.lowest(column.extremes(rows).low)

    def _note_energy(self, stretch: Stretch, begin: int, end: int) -> None:
        energy = self._player.tally.energy
        signals = [signal for signal in ENERGY_SIGNALS if signal in stretch.columns and energy.looks_at(signal)]
        if self._player.tally.is_on and signals and not self._note_columns(stretch, begin, end, signals):
            for row in sorted({row for signal in signals for row in stretch.columns[signal].filled(range(begin, end))}):
                self._note_cells(stretch, row, signals)
        elif not self._player.tally.is_on:
            for signal in signals:
                self._note_last(stretch, signal, range(begin, end))

    def _note_last(self, stretch: Stretch, signal: Signal, rows: range) -> None:
        """Note the last value of a signal: while the relay is off only what is known when it comes on matters."""
        column = stretch.columns[signal]
        too_old = stretch.time(rows.stop - 1) - self._player.hold_s(signal)
        for row in reversed(rows):
            t = stretch.time(row)
            if t < too_old:
                return
            if isinstance(event := column.event(row, t), Event):
                self._player.note(event)
                return

    def _note_cells(self, stretch: Stretch, row: int, signals: Sequence[Signal]) -> None:
        t = stretch.time(row)
        for signal in signals:
            if (event := stretch.columns[signal].event(row, t)) is not None:
                self._player.note(event)

    def _note_columns(self, stretch: Stretch, begin: int, end: int, signals: Sequence[Signal]) -> bool:
        """Add up the energy of whole columns at once; return whether they allowed it."""
        columns = {}
        gaps = stretch.gaps(begin, end)
        for signal in signals:
            checked = not is_missing(self._player.ages[signal])
            values = stretch.columns[signal].values(range(begin, end), gaps, checked=checked)
            if values is None or stretch.leading_close(begin, end, self._player.hold_s(signal)) < end - begin:
                return False
            columns[signal] = values
        last = stretch.time(end - 1)
        energy = self._player.tally.energy
        energy.note_columns(columns, stretch.time(begin), last)
        for signal, values in columns.items():
            energy.note(signal, values.last, last, last + self._player.hold_s(signal))
        return True
