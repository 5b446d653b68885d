"""What waits to be written: bounded, shared by the event loop and the writer's thread, lost in a fixed order.

Samples are dropped before anything else, the oldest first, and counted. Only swaps and appends are done under the
lock, so that nobody waits for it.
"""

import threading
import time
from collections import deque
from typing import NamedTuple

from dumpload.history.schema import Entry, RowKind

Waiting = deque[Entry]


class Batch(NamedTuple):
    """What is written together: `moments`, `samples`, and by the sequence of a sample's row its new `until`."""

    moments: Waiting
    samples: Waiting
    extended: dict[int, float]
    urgent: bool = False

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to write."""
        return not (self.moments or self.samples or self.extended)


def _nothing() -> Batch:
    return Batch(deque(), deque(), {})


class Backlog:
    """Rows in, batches out."""

    def __init__(self, max_samples: int, max_moments: int) -> None:
        self._limits = (max_moments, max_samples)
        self._condition = threading.Condition()
        self._batch = _nothing()
        self._since = 0.0
        self._closed = False
        self.dropped = 0

    def put(self, entry: Entry, *, urgent: bool = False) -> None:
        """Add a row; an urgent one is to be written at once, and everything before it with it. Never blocks long."""
        with self._condition:
            waiting = self._batch
            was_empty = waiting.is_empty
            (waiting.samples if entry.kind == RowKind.SAMPLE else waiting.moments).append(entry)
            if urgent:
                self._batch = waiting._replace(urgent=True)
            self._trim()
            self._rouse(was_empty=was_empty, urgent=urgent)

    def extend(self, sequence: int, until: float) -> None:
        """Extend the sample's validity: its value was still arriving at `until` (monotonic s)."""
        with self._condition:
            waiting = self._batch
            was_empty = waiting.is_empty
            waiting.extended[sequence] = until
            self._rouse(was_empty=was_empty, urgent=False)

    def _rouse(self, *, was_empty: bool, urgent: bool) -> None:
        if was_empty:
            self._since = time.monotonic()
        if was_empty or urgent:
            self._condition.notify()

    def close(self) -> None:
        """Let the writer finish: nothing is waited for any more."""
        with self._condition:
            self._closed = True
            self._condition.notify()

    def wait_until_due(self, batch_s: float) -> bool:
        """Wait until something is urgent, or has waited for `batch_s`, or this is closed; return whether it is."""
        with self._condition:
            while not (self._closed or self._batch.urgent):
                left_s = None if self._batch.is_empty else self._since + batch_s - time.monotonic()
                if left_s is not None and left_s <= 0:
                    break
                self._condition.wait(left_s)
            return self._closed

    def wait_until_closed(self, at_most_s: float) -> bool:
        """Wait at most this long for the close; return whether it came."""
        with self._condition:
            self._condition.wait_for(lambda: self._closed, at_most_s)
            return self._closed

    def take(self) -> Batch:
        """Return everything that waits, and begin anew."""
        with self._condition:
            batch, self._batch = self._batch, _nothing()
            return batch

    def put_back(self, batch: Batch) -> None:
        """Put a batch that could not be written before everything that came meanwhile."""
        with self._condition:
            waiting = self._batch
            batch.moments.extend(waiting.moments)
            batch.samples.extend(waiting.samples)
            batch.extended.update(waiting.extended)
            self._batch = batch._replace(urgent=batch.urgent or waiting.urgent)
            self._trim()

    def take_dropped(self) -> int:
        """Return how many rows were dropped since this was last asked."""
        with self._condition:
            dropped, self.dropped = self.dropped, 0
            return dropped

    def _trim(self) -> None:
        for waiting, limit in zip((self._batch.moments, self._batch.samples), self._limits, strict=True):
            while len(waiting) > limit:
                self._batch.extended.pop(waiting.popleft().sequence, None)
                self.dropped += 1
