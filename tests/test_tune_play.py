"""Many laws played side by side: all of them, each once, and what is finished when it is interrupted."""

import os
import signal
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
    def run(law: int) -> None:
        if law == 10:
            os.kill(os.getpid(), signal.SIGINT)

    found = play_all(model, list(range(2000)), run=run, members=16, threads=1)  # type: ignore[arg-type]
    assert not found.whole
    assert 10 <= len(found.sums) < 2000
    assert all(sums[0, 0, 0] == law for law, sums in found.sums.items())


def test_an_error_of_a_law_is_not_passed_over(model: Any) -> None:
    def run(law: int) -> None:
        if law == 3:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        play_all(model, list(range(5)), run=run, members=16)  # type: ignore[arg-type]
