"""The dead-man thread: wakes once per permit, drives off when it has run out, and never gives up."""

import threading
import time
from collections.abc import Callable, Iterator

import pytest
from waiting import look_now

from dumpload.gpio import deadman
from dumpload.gpio.deadman import DeadMan


class Bench:
    """A dead-man thread with a clock in the test's hand and an off that is counted."""

    def __init__(self) -> None:
        self.now = 0.0
        self.looks = 0
        self.offs = 0
        self.fails = 0
        self.deadman = DeadMan(self.clock, self.drive_off)

    def clock(self) -> float:
        self.looks += 1
        return self.now

    def drive_off(self) -> None:
        if self.fails:
            self.fails -= 1
            message = "the line does not follow"
            raise OSError(message)
        self.offs += 1
        self.deadman.disarm()

    def at(self, now: float) -> None:
        self.now = now
        look_now(self.deadman)


@pytest.fixture
def bench() -> Iterator[Bench]:
    bench = Bench()
    yield bench
    bench.deadman.stop()


def eventually(condition: Callable[[], bool]) -> bool:
    for _ in range(500):
        if condition():
            return True
        time.sleep(0.01)
    return False


def settle() -> None:
    time.sleep(0.05)


def test_nothing_happens_without_a_permit(bench: Bench) -> None:
    bench.at(1e9)
    settle()
    assert bench.offs == 0
    assert not bench.deadman.has_expired()


@pytest.mark.parametrize(("now", "offs"), [(59.9, 0), (60.0, 1), (1e9, 1)])
def test_off_is_driven_once_when_the_permit_has_run_out(bench: Bench, now: float, offs: int) -> None:
    bench.deadman.arm(60.0)
    bench.at(now)
    settle()
    assert eventually(lambda: bench.offs == offs)
    settle()
    assert bench.offs == offs


@pytest.mark.parametrize(
    ("extensions", "expires_at"),
    [
        ([70.0], 70.0),
        ([70.0, 65.0], 70.0),
        ([50.0], 60.0),
        ([float("inf")], 60.0),
        ([float("nan")], 60.0),
    ],
    ids=["forward", "never back again", "not back", "not for ever", "not to nowhere"],
)
def test_a_permit_only_moves_forward(bench: Bench, extensions: list[float], expires_at: float) -> None:
    bench.deadman.arm(60.0)
    for permit_until in extensions:
        bench.deadman.extend(permit_until)
    bench.now = expires_at - 0.001
    assert not bench.deadman.has_expired()
    bench.now = expires_at
    assert bench.deadman.has_expired()


def test_an_unarmed_permit_cannot_be_extended(bench: Bench) -> None:
    bench.deadman.extend(60.0)
    bench.at(60.0)
    settle()
    assert bench.offs == 0


def test_a_permit_let_go_of_is_not_missed(bench: Bench) -> None:
    bench.deadman.arm(60.0)
    bench.deadman.disarm()
    bench.at(60.0)
    settle()
    assert bench.offs == 0


def test_a_permit_that_is_no_number_has_run_out(bench: Bench) -> None:
    bench.deadman.arm(float("nan"))
    assert eventually(lambda: bench.offs == 1)


def test_a_shorter_permit_armed_later_counts(bench: Bench) -> None:
    bench.deadman.arm(3600.0)
    bench.deadman.arm(60.0)
    bench.at(60.0)
    assert eventually(lambda: bench.offs == 1)


def test_the_thread_sleeps_through_extensions_and_without_a_permit(bench: Bench) -> None:
    bench.deadman.arm(60.0)
    settle()
    looks = bench.looks
    for n in range(1000):
        bench.deadman.extend(61.0 + n)
    bench.deadman.disarm()
    settle()
    assert bench.looks == looks


def test_it_keeps_real_time(bench: Bench) -> None:
    done = threading.Event()
    keeper = DeadMan(time.monotonic, lambda: (done.set(), keeper.disarm()))
    began = time.monotonic()
    keeper.arm(began + 0.2)
    assert done.wait(5.0)
    assert time.monotonic() - began >= 0.2
    keeper.stop()
    assert bench.offs == 0


def test_an_off_that_fails_is_tried_again_and_told(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(deadman, "RETRY_S", 0.2)
    bench.fails = 2
    bench.deadman.arm(60.0)
    bench.at(60.0)
    assert eventually(lambda: not bench.deadman.is_alive())
    assert eventually(lambda: bench.offs == 1)
    assert eventually(bench.deadman.is_alive)


def test_a_stopped_thread_is_not_alive(bench: Bench) -> None:
    assert bench.deadman.is_alive()
    bench.deadman.stop()
    assert not bench.deadman.is_alive()


def test_it_may_be_stopped_from_its_own_thread() -> None:
    bench = Bench()
    bench.deadman._drive_off = bench.deadman.stop
    bench.deadman.arm(-1.0)
    assert eventually(lambda: not bench.deadman.is_alive())


def test_a_permit_that_begins_while_the_thread_still_waits_out_an_older_one_is_kept(bench: Bench) -> None:
    bench.deadman.arm(60.0)
    settle()
    bench.deadman.disarm()
    bench.deadman.arm(70.0)  # the thread looks at 60, finds more than ten seconds left, and looks again
    bench.at(65.0)
    settle()
    assert bench.offs == 0
    bench.at(70.0)
    assert eventually(lambda: bench.offs == 1)


def test_a_permit_shorter_than_the_one_waited_out_is_kept_too(bench: Bench) -> None:
    bench.deadman.arm(3600.0)
    settle()
    bench.deadman.disarm()
    bench.now = 59.9
    bench.deadman.arm(60.0)
    bench.now = 60.0
    assert eventually(lambda: bench.offs == 1)  # without being woken: within the tenth of a second that was left
