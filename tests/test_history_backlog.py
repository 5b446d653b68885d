"""What waits to be written: in order, bounded, samples lost first, and never waited for."""

import threading
import time
from collections.abc import Callable

import pytest
from histories import batch, change, doubt, sample

from dumpload.history.backlog import Backlog, Batch


def held(backlog: Backlog) -> tuple[list[int], list[int]]:
    """The sequence numbers of what waits: moments and samples."""
    taken = backlog.take()
    return [entry.sequence for entry in taken.moments], [entry.sequence for entry in taken.samples]


def wait_in_thread(backlog: Backlog, batch_s: float) -> tuple[threading.Thread, list[bool]]:
    answers: list[bool] = []
    thread = threading.Thread(target=lambda: answers.append(backlog.wait_until_due(batch_s)), daemon=True)
    thread.start()
    return thread, answers


def test_what_is_put_is_taken_once() -> None:
    backlog = Backlog(10, 10)
    backlog.put(sample(1))
    backlog.put(change(2))
    backlog.extend(1, 7.0)
    taken = backlog.take()
    assert (list(taken.samples), list(taken.moments), taken.extended) == ([sample(1)], [change(2)], {1: 7.0})
    assert backlog.take().is_empty


def test_the_oldest_samples_go_first_and_are_counted_and_moments_stay() -> None:
    backlog = Backlog(3, 3)
    backlog.put(change(0))
    for number in range(1, 8):
        backlog.put(sample(number))
        backlog.extend(number, 9.0)
    assert backlog.take_dropped() == 4
    assert backlog.take_dropped() == 0
    taken = backlog.take()
    assert [entry.sequence for entry in taken.samples] == [5, 6, 7]
    assert list(taken.moments) == [change(0)]
    assert set(taken.extended) == {5, 6, 7}


def test_moments_are_bounded_too() -> None:
    backlog = Backlog(3, 3)
    for number in range(5):
        backlog.put(doubt(number))
    assert held(backlog) == ([2, 3, 4], [])
    assert backlog.take_dropped() == 2


def test_what_is_put_back_comes_before_what_came_meanwhile_and_within_the_bounds() -> None:
    backlog = Backlog(3, 3)
    backlog.put(sample(3))
    backlog.put(change(4), urgent=True)
    backlog.extend(1, 5.0)
    backlog.put_back(batch(sample(0), sample(1), sample(2), doubt(5), extended={1: 4.0, 0: 4.0}))
    taken = backlog.take()
    assert [entry.sequence for entry in taken.samples] == [1, 2, 3]
    assert [entry.sequence for entry in taken.moments] == [5, 4]
    assert taken.extended == {1: 5.0}
    assert taken.urgent
    assert backlog.take_dropped() == 1


@pytest.mark.parametrize(
    "happens",
    [
        lambda backlog: backlog.put(change(1), urgent=True),
        lambda backlog: backlog.close(),
    ],
)
def test_an_urgent_row_and_the_end_are_not_waited_with(happens: Callable[[Backlog], None]) -> None:
    backlog = Backlog(10, 10)
    thread, answers = wait_in_thread(backlog, 60.0)
    backlog.put(sample(0))
    time.sleep(0.05)
    assert not answers
    happens(backlog)
    thread.join(5)
    assert len(answers) == 1


def test_the_rest_waits_for_its_time_and_no_longer() -> None:
    backlog = Backlog(10, 10)
    thread, answers = wait_in_thread(backlog, 0.2)
    time.sleep(0.3)
    assert not answers, "nothing waits, so there is nothing to be due"
    began = time.monotonic()
    backlog.extend(0, 1.0)
    time.sleep(0.1)
    backlog.put(sample(1))
    thread.join(5)
    assert answers == [False]
    assert time.monotonic() - began >= 0.2


def test_a_pause_ends_with_the_end() -> None:
    backlog = Backlog(10, 10)
    assert not backlog.wait_until_closed(0.01)
    backlog.close()
    assert backlog.wait_until_closed(60.0)


def test_a_batch_of_nothing_is_empty() -> None:
    assert Backlog(1, 1).take() == Batch(batch().moments, batch().samples, {}, urgent=False)
