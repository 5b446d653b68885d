"""Writes down what a report needs while a replay goes on: the charge, the times without it, the energy at midnights.

Cuts the record at every local midnight. Changes nothing that the replay comes to.
"""

import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from datetime import tzinfo

from dumpload.core.controller import Event, Kind
from dumpload.core.signals import Signal
from dumpload.io.history_schema import RowKind
from dumpload.study.records.bounds import Extremes
from dumpload.study.records.items import Item, Moment, Page, Stretch
from dumpload.study.replay.player import Player
from dumpload.study.replay.summary import Tally
from dumpload.study.report.chronicle import Story
from dumpload.study.report.local_time import Span, next_midnight
from dumpload.study.report.trace import QUARTER_S, Trace

SOC = Signal.STATE_OF_CHARGE


class Diary:
    """A witness of one replay."""

    def __init__(self, zone: tzinfo, max_age_s: float) -> None:
        """Days are those of this zone; a state of charge that comes later than `max_age_s` does not count."""
        self._zone = zone
        self._max_age_s = max_age_s
        self._charge = Trace()
        self._lost: list[Span] = []
        self._energy_at: dict[float, float] = {}
        self._midnight = 0.0
        self._ahead = 0.0
        self._reached = -math.inf
        self._tally: Tally | None = None

    def begin(self, tally: Tally) -> None:
        """Take note of what this tally counts."""
        self._tally = tally
        tally.on_loss = lambda begin, end: self._lost.append(Span(begin - self._ahead, end - self._ahead))

    def play(self, player: Player, item: Item) -> None:
        """Have an item played, cut at every midnight."""
        for part in self._parts(item):
            ends = part.ends
            self._ahead = ends.t - ends.wall
            self._pass_midnights(player, ends.wall, ends.t)
            self._note(part)
            player.play(part)
            self._reached = ends.end_t

    def story(self) -> Story:
        """Return what was written down."""
        return Story(self._charge, self._lost, self._energy_at)

    def _pass_midnights(self, player: Player, wall: float, t: float) -> None:
        """Write down the energy at each midnight up to a Unix time, which is `t` on the record's own clock (s)."""
        if not self._midnight:
            self._midnight = next_midnight(wall, self._zone)
        while wall >= self._midnight:
            assert self._tally is not None  # noqa: S101  (begin comes first)
            at = min(t, max(self._reached, self._midnight + self._ahead))  # a step of the clock may pass midnight
            player.play(Moment(at, (), self._ahead))
            self._tally.energy.advance(at)
            self._energy_at[self._midnight] = self._tally.energy.wh
            self._midnight = next_midnight(self._midnight, self._zone)

    # ---- cutting ----

    def _parts(self, item: Item) -> Iterator[Item]:
        if isinstance(item, Stretch):
            yield from self._cut(item, item.times)
        elif isinstance(item, Page):
            yield from self._cut(item, [row.wall for row in item.rows])
        else:
            yield item

    def _cut(self, item: Stretch | Page, walls: Sequence[float]) -> Iterator[Stretch | Page]:
        begin, count = 0, len(walls)
        while begin < count:
            end = bisect_left(walls, next_midnight(walls[begin], self._zone), begin + 1)
            while isinstance(item, Page) and end < count and item.rows[end].t == item.rows[end - 1].t:
                end += 1  # rows of one moment stay together
            yield item if end - begin == count else item.part(begin, end)
            begin = end

    # ---- the charge ----

    def _note(self, item: Item) -> None:
        if isinstance(item, Stretch):
            if SOC in item.columns:
                self._note_stretch(item)
        elif isinstance(item, Page):
            for row in item.rows:
                if row.kind == RowKind.SAMPLE and row.signal == SOC and row.t < row.stamp + self._max_age_s:
                    self._charge.hold(row.wall, row.until - row.t + row.wall, row.value)
        elif isinstance(item, Moment):
            for one in item.items:
                if isinstance(one, Event) and one.kind == Kind.SAMPLE and one.signal == SOC:
                    self._charge.add(one.wall, Extremes(one.value, one.value))

    def _note_stretch(self, stretch: Stretch) -> None:
        """Take a quarter of an hour at a time."""
        times, begin = stretch.times, 0
        while begin < len(times):
            end = bisect_left(times, (times[begin] // QUARTER_S + 1) * QUARTER_S, begin + 1)
            self._charge.add(times[begin], stretch.columns[SOC].extremes(range(begin, end)))
            begin = end
