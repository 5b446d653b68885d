"""Passes over the rows of a history that can change nothing, and has the others evaluated one by one.

As `passing` does with a table; here a row is one sample, and says itself how long it went on arriving.
"""

import math

from dumpload.core.controller import Event, Kind
from dumpload.core.freshness import expiry_after, is_missing
from dumpload.core.signals import Signal
from dumpload.io.history_schema import RowKind
from dumpload.study.records.bounds import ALL, NONE, Band
from dumpload.study.records.items import Page
from dumpload.study.replay.player import ENERGY_SIGNALS, SOC, Player

CLOCK_DRIFT_S = 0.0005
"""While the wall clock moves less than this against the other, no moment of the day moves by a millisecond."""

_SAMPLE = int(RowKind.SAMPLE)
_EARLY_S = 1e-6
"""So much sooner a deadline is respected, against rounding where the clocks of two starts are laid in a row."""


class _Limits:
    """What a row must keep to, to change nothing. Times are on the clock of the page."""

    def __init__(self, player: Player, page: Page) -> None:
        self.until = player.quiet_now().until - page.shift - _EARLY_S
        bands = [self._band(player, signal) for signal in Signal]
        self.lows, self.highs = [band.low for band in bands], [band.high for band in bands]
        self.watched = [player.band(signal) != ALL for signal in Signal]
        self.ages = [math.inf if is_missing(age) else age for age in player.ages]
        self.youngest_s = min(self.ages)
        self.expiries = [
            expiry_after(datum, player.evaluated_at) - page.shift - _EARLY_S if is_watched else math.inf
            for datum, is_watched in zip(player.controller.data, self.watched, strict=True)
        ]

    @staticmethod
    def _band(player: Player, signal: Signal) -> Band:
        is_counted = player.tally.is_on and signal in ENERGY_SIGNALS
        return NONE if is_counted or is_missing(player.ages[signal]) else player.band(signal)


def play_page(player: Player, page: Page) -> None:
    """Play the rows of a page."""
    begin, rows = 0, len(page.rows)
    while begin < rows:
        begin = _pass_over(player, page, begin)
        if begin < rows:
            for item in page.items(begin):
                player.play(item)
            begin += 1


def _pass_over(player: Player, page: Page, begin: int) -> int:
    """Count those of the next rows that can change nothing, and return the first that may."""
    limits = _Limits(player, page)
    lows, highs, watched, expiries, ages = limits.lows, limits.highs, limits.watched, limits.expiries, limits.ages
    until, young_s = min(limits.until, *expiries), limits.youngest_s
    apart_s = page.shift - player.evaluated_ahead
    least, most = apart_s - CLOCK_DRIFT_S, apart_s + CLOCK_DRIFT_S
    last: dict[int, int] = {}
    end = begin
    for wall, _boot, _sequence, kind, signal, value, _cause, _text, t, stamp, kept in page.rows[begin:]:
        if kind != _SAMPLE or not (t < until and lows[signal] <= value < highs[signal] and t - young_s < stamp):
            break
        if not least < wall - t < most:
            break
        last[signal] = end
        end += 1
        if watched[signal]:
            expiries[signal] = kept + ages[signal]
            until = min(limits.until, *expiries)
    _hand_on(player, page, range(begin, end), last)
    return end


def _hand_on(player: Player, page: Page, passed: range, last: dict[int, int]) -> None:
    """Count the rows, and let the player know the last one of each signal."""
    if player.tally.is_on:
        charges = [page.rows[index].value for index in passed if page.rows[index].signal == SOC]
        player.tally.lowest(min(charges, default=math.inf))
    player.tally.accept(len(passed))
    for index in sorted(last.values()):
        row = page.rows[index]
        t = row.t + page.shift
        event = Event(t, row.wall, Kind.SAMPLE, Signal(row.signal), row.value, row.stamp + page.shift)
        player.pass_over(event, row.until + page.shift)
