"""Many laws played side by side: all of them, each once, and what is finished when it is interrupted."""

import signal
import threading
from types import SimpleNamespace
from typing import Any

import pytest

np = pytest.importorskip("numpy")
pytest.importorskip("numba")


from dumpload.tune import play as play_module  # noqa: E402
from dumpload.tune.play import play_all  # noqa: E402


@pytest.fixture
def model(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A model of which one law's sums are its own number."""

    def play(_model: Any, laws: Any, members: int, **options: Any) -> Any:
        for law in laws:
            options["run"](law)
        return np.array([[[[float(law)]]] * members for law in laws])

    monkeypatch.setattr(play_module, "play", play)
    return SimpleNamespace(ships=(None,) * 3)


@pytest.mark.parametrize("members", [1, 3, 16])
@pytest.mark.parametrize("threads", [1, 2])
def test_every_law_is_played_once_and_has_its_own_sums(model: Any, members: int, threads: int) -> None:
    played, parts = [], []
    found = play_all(model, list(range(37)), run=played.append, members=members, threads=threads, watch=parts.append)  # type: ignore[arg-type]
    assert sorted(played) == list(range(37))
    assert found.whole
    assert {law: sums[0, 0, 0] for law, sums in found.sums.items()} == {law: float(law) for law in range(37)}
    assert parts == sorted(parts)
    assert parts[-1] == 1.0


def test_an_interrupt_leaves_what_is_finished(model: Any) -> None:
    seen, waiting = threading.Event(), threading.Event()

    def interrupt(*_signal: Any) -> None:
        seen.set()
        raise KeyboardInterrupt

    def run(law: int) -> None:
        if law == 10:
            assert waiting.wait(60.0), "all laws are handed to the threads, and the first is reported"
            signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
            assert seen.wait(60.0)

    before = signal.signal(signal.SIGINT, interrupt)

    try:
        found = play_all(model, list(range(200)), run=run, members=16, threads=1, watch=lambda _part: waiting.set())  # type: ignore[arg-type]
    finally:
        signal.signal(signal.SIGINT, before)
    assert not found.whole
    assert 10 <= len(found.sums) < 200
    assert all(sums[0, 0, 0] == law for law, sums in found.sums.items())


def test_an_error_of_a_law_is_not_passed_over(model: Any) -> None:
    def run(law: int) -> None:
        if law == 3:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        play_all(model, list(range(5)), run=run, members=16)  # type: ignore[arg-type]
