"""Many laws played side by side: all of them, each once, and what is finished when it is interrupted."""

import signal
import threading
from types import SimpleNamespace
from typing import Any, NamedTuple

import pytest

np = pytest.importorskip("numpy")
pytest.importorskip("numba")


from dumpload.forecast import play as play_module  # noqa: E402
from dumpload.tune.play import play_all  # noqa: E402


class Course(NamedTuple):
    """What differs by the member of the ensemble."""

    draw_w: float


def laws(count: int) -> list[Any]:
    """Return laws whose settings are their own number."""
    return [SimpleNamespace(spans=(), zone=None, settings=number) for number in range(count)]


@pytest.fixture
def model(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A model of a day whose ships, draws and loads are the number of the member of the ensemble."""
    monkeypatch.setattr(play_module, "with_floats", lambda number: number)
    monkeypatch.setattr(play_module, "hours_of", lambda _evidence, _law: None)
    members = tuple(range(16))
    return SimpleNamespace(ships=members, draws=members, nets=members, days=1, course=Course(0.0), evidence=None)


def add_up(ship: int, number: int, course: Course, _local: None, net: int, *_rest: Any) -> None:
    """Stand in for the compiled step: a run adds up its law's number and its member's."""
    assert ship == course.draw_w == net
    _rest[-1][:] = 100.0 * number + ship


@pytest.mark.parametrize("members", [1, 3, 16])
@pytest.mark.parametrize("threads", [1, 2])
def test_every_law_is_played_once_and_has_its_own_sums(model: Any, members: int, threads: int) -> None:
    parts: list[float] = []
    played = play_all(model, laws(37), run=add_up, members=members, threads=threads, watch=parts.append)
    assert played.whole
    expected = [[100.0 * law + member for member in range(members)] for law in range(37)]
    assert played.sums[:, :, 0, 0].tolist() == expected
    assert len(parts) == 37 * members
    assert parts == sorted(parts)
    assert parts[-1] == 1.0


def test_an_interrupt_leaves_what_is_finished(model: Any) -> None:
    seen, waiting = threading.Event(), threading.Event()

    def interrupt(*_signal: Any) -> None:
        if not seen.is_set():
            seen.set()
            raise KeyboardInterrupt

    def run(ship: int, number: int, *rest: Any) -> None:
        if (number, ship) == (10, 3):
            assert waiting.wait(60.0), "all runs are handed to the threads, and ten laws are reported"
            # A signal that comes just before the main thread falls asleep does not wake it: once that cost a minute.
            for _ in range(600):
                signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
                if seen.wait(0.1):
                    break
        add_up(ship, number, *rest)

    def watch(part: float) -> None:
        if part * 200 >= 10:
            waiting.set()

    before = signal.signal(signal.SIGINT, interrupt)
    try:
        played = play_all(model, laws(200), run=run, threads=1, watch=watch)
    finally:
        signal.signal(signal.SIGINT, before)
    assert not played.whole
    assert played.sums[:, :, 0, 0].tolist() == [[100.0 * law + member for member in range(16)] for law in range(10)]


def test_an_error_of_a_law_is_not_passed_over(model: Any) -> None:
    def run(_ship: int, number: int, *_rest: Any) -> None:
        if number == 3:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        play_all(model, laws(5), run=run)
