"""A record as evidence: every signal as its mean over the entries of a regular grid, and what the relay did."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dumpload.core.controller import Event, Kind
from dumpload.core.signals import Signal
from dumpload.records.items import PLAIN, Hold, Instant, Item, Moved, Restart, RowBatch
from dumpload.replay.arrays import codes_of

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Rows further apart than this (s) have a gap between them.
GAP_S = 300.0
# The finest and the coarsest grid (s). Rows further apart than the coarsest leave the dwells to chance.
FINEST_S, COARSEST_S = 10.0, 60.0
SLOWEST_ROWS_S = 90.0
LEAST_DAYS = 7.0
# Clouds and switches change these in steps, so between two samples the value is one or the other.
JUMPING = frozenset({Signal.BATTERY_POWER, Signal.LOAD_POWER, Signal.SOLAR_POWER})


class EvidenceError(Exception):
    """The record cannot be used for a forecast; the message says why and what to record."""


class RecordEvidence(NamedTuple):
    """The record on its grid. `step_s`: length of an entry (s); `began`: Unix s of the first.

    `signals`: mean of each signal in each entry, NaN where it is not known. `relay`: part of the entry that the relay
    was on. `known`: the entry lies in no gap. `charge_step`: resolution of the state of charge (percent).
    `rows_s`: how far rows are apart.
    """

    step_s: float
    began: float
    signals: Mapping[Signal, Floats]
    relay: Floats
    known: Flags
    charge_step: float
    rows_s: float

    @property
    def entries(self) -> int:
        """Number of entries."""
        return len(self.relay)

    @property
    def days(self) -> float:
        """Length of the record, in days."""
        return self.entries * self.step_s / 86_400.0

    @property
    def middle(self) -> Floats:
        """The middle of each entry (Unix s)."""
        return np.asarray(self.began + (np.arange(self.entries) + 0.5) * self.step_s, np.float64)

    def has(self, *signals: Signal) -> bool:
        """Return whether the record has all of these signals."""
        return all(signal in self.signals for signal in signals)


class _Track:
    """The samples of one signal as they come: times, values, and until when each went on arriving."""

    def __init__(self) -> None:
        self.parts: list[tuple[Floats, Floats]] = []
        self.t: list[float] = []
        self.value: list[float] = []

    def add(self, t: float, value: float) -> None:
        self.t.append(t)
        self.value.append(value)

    def joined(self) -> tuple[Floats, Floats]:
        self.parts.append((np.array(self.t), np.array(self.value)))
        t, value = (np.concatenate(part) for part in zip(*self.parts, strict=True))
        order = np.argsort(t, kind="stable")
        return t[order], value[order]


def gather(items: Iterable[Item]) -> RecordEvidence:
    """Return a record's items on a grid.

    Raises:
        EvidenceError: it has no relay, is too short, or its rows are too far apart.
    """
    tracks: dict[Signal, _Track] = defaultdict(_Track)
    relay = _Track()
    for item in items:
        if isinstance(item, RowBatch):
            _take_rows(item, tracks, relay)
        elif isinstance(item, Instant):
            _take_instant(item, tracks, relay)
        elif isinstance(item, Restart):
            relay.add(item.t - item.ahead, 0.0)
    return _laid_out({signal: track.joined() for signal, track in tracks.items()}, relay.joined())


def _take_rows(batch: RowBatch, tracks: Mapping[Signal, _Track], relay: _Track) -> None:
    times = np.asarray(batch.times, np.float64)
    for signal, column in batch.columns.items():
        plain = codes_of(column) == PLAIN
        tracks[signal].parts.append((times[plain], np.asarray(column.values, np.float64)[plain]))
    if batch.relay is not None:
        plain = codes_of(batch.relay) == PLAIN
        relay.parts.append((times[plain], np.asarray(batch.relay.values, np.float64)[plain]))


def _take_instant(item: Instant, tracks: Mapping[Signal, _Track], relay: _Track) -> None:
    """Take the samples of one moment; a value that went on arriving is one more sample at its end."""
    wall, value = item.t - item.ahead, np.nan
    for entry in item.items:
        if isinstance(entry, Event) and entry.kind == Kind.SAMPLE:
            value = entry.value
            tracks[entry.signal].add(wall, value)
        elif isinstance(entry, Hold):
            if entry.until > item.t:
                tracks[entry.signal].add(entry.until - item.ahead, value)
        elif isinstance(entry, Moved):
            relay.add(wall, 1.0 if entry.on else 0.0)


def _laid_out(tracks: Mapping[Signal, tuple[Floats, Floats]], relay: tuple[Floats, Floats]) -> RecordEvidence:
    charge_t, charge = tracks.get(Signal.STATE_OF_CHARGE, (np.empty(0), np.empty(0)))
    if not len(relay[0]):
        msg = (
            "expected a column relay (on or off, 1 or 0), or a history, because otherwise the record does not show "
            "what the relay did"
        )
        raise EvidenceError(msg)
    if len(charge_t) < 2 or charge_t[-1] - charge_t[0] < LEAST_DAYS * 86_400.0:
        days = 0.0 if not len(charge_t) else (charge_t[-1] - charge_t[0]) / 86_400.0
        msg = f"expected a record of at least {LEAST_DAYS:g} days; this one has {days:.1f}: record for longer"
        raise EvidenceError(msg)
    rows_s = float(np.median(np.diff(charge_t)[np.diff(charge_t) > 0.0]))
    if rows_s > SLOWEST_ROWS_S:
        msg = (
            f"expected rows at most {COARSEST_S:g} s apart; these are {rows_s:g} s apart: record more often, since "
            "the relay moves within minutes"
        )
        raise EvidenceError(msg)
    step_s = float(np.clip(round(rows_s / FINEST_S) * FINEST_S, FINEST_S, COARSEST_S))
    edges = _edges(charge_t, step_s)
    signals = {
        signal: means(t, value, edges, steps=signal in JUMPING)
        for signal, (t, value) in tracks.items()
        if _is_measured(signal, t, edges)
    }
    known = np.isfinite(signals[Signal.STATE_OF_CHARGE])
    on = held(*relay, edges)
    return RecordEvidence(step_s, float(edges[0]), signals, on, known, step_of(charge), rows_s)


def _edges(t: Floats, step_s: float) -> Floats:
    """Return the edges of the entries (Unix s). Rows as regular as the grid lie in the middle of their entries.

    On the edges every value would be the mean of two rows, and a cloud of two minutes none that a drain limit trips on.
    """
    is_regular = float(np.mean(np.abs(np.diff(t) - step_s) < 0.1 * step_s)) > 0.9
    entries = int((t[-1] - t[0]) // step_s)
    return np.asarray(t[0] - (step_s / 2.0 if is_regular else 0.0) + np.arange(entries + 1) * step_s, np.float64)


def _is_measured(signal: Signal, t: Floats, edges: Floats) -> bool:
    return signal != Signal.HEARTBEAT and len(t) > 1 and t[-1] - t[0] > 0.5 * (edges[-1] - edges[0])


def means(t: Floats, value: Floats, edges: Floats, *, steps: bool = False) -> Floats:
    """Return the mean of a signal between the edges, on straight lines between its samples; NaN in a gap.

    `steps`: it jumps, in the middle between two samples.
    """
    t, first = np.unique(t, return_index=True)
    value = value[first]
    area = np.concatenate([[0.0], np.cumsum(np.diff(t) * (value[1:] + value[:-1]) / 2.0)])
    mean: Floats = np.diff((_stepped_at if steps else _area_at)(edges, t, value, area)) / np.diff(edges)
    gaps = np.flatnonzero(np.diff(t) > GAP_S)
    for gap in gaps:
        first_entry = max(0, int(np.searchsorted(edges, t[gap], side="right")) - 1)
        last_entry = int(np.searchsorted(edges, t[gap + 1], side="left"))
        mean[first_entry:last_entry] = np.nan
    mean[edges[:-1] < t[0] - GAP_S] = np.nan
    mean[edges[1:] > t[-1] + GAP_S] = np.nan
    return mean


def _area_at(edges: Floats, t: Floats, value: Floats, area: Floats) -> Floats:
    """Return the integral up to each edge; beyond the samples the nearest one is kept."""
    place = np.clip(np.searchsorted(t, edges, side="right") - 1, 0, len(t) - 2)
    span = edges - t[place]
    slope = (value[place + 1] - value[place]) / (t[place + 1] - t[place])
    inside = area[place] + value[place] * span + slope * span * span / 2.0
    before, after = edges < t[0], edges > t[-1]
    inside[before] = (edges[before] - t[0]) * value[0]
    inside[after] = area[-1] + (edges[after] - t[-1]) * value[-1]
    return np.asarray(inside, np.float64)


def _stepped_at(edges: Floats, t: Floats, value: Floats, area: Floats) -> Floats:
    """Return the integral up to each edge of what keeps the value of the nearest sample."""
    place = np.clip(np.searchsorted(t, edges, side="right") - 1, 0, len(t) - 2)
    span, whole = edges - t[place], t[place + 1] - t[place]
    first, second = np.minimum(span, whole / 2.0), np.maximum(span - whole / 2.0, 0.0)
    return np.asarray(area[place] + value[place] * first + value[place + 1] * second, np.float64)


def held(t: Floats, value: Floats, edges: Floats) -> Floats:
    """Return the mean between the edges of what keeps its value until the next sample; 0 before the first."""
    area = np.concatenate([[0.0], np.cumsum(np.diff(t) * value[:-1])])
    place = np.searchsorted(t, edges, side="right") - 1
    at = np.where(place < 0, 0.0, area[place] + value[place] * (edges - t[place]))
    mean: Floats = np.diff(at) / np.diff(edges)
    return mean


def step_of(charge: Floats) -> float:
    """Return the resolution of the state of charge (percent): the smallest usual difference of two values."""
    different = np.unique(np.round(charge, 4))
    if len(different) < 3:
        return 1.0
    return float(np.clip(np.quantile(np.diff(different), 0.1), 0.0, 5.0))
