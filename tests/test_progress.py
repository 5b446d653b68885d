"""The bar: on a terminal only, not for short tasks, and gone when done."""

import io

import pytest

from dumpload.cli import progress
from dumpload.cli.progress import Bar


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def passing(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The clock, in a list of one."""
    now = [100.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    return now


def test_a_short_task_shows_nothing(passing: list[float]) -> None:
    stream = Terminal()
    with Bar(stream, "replay") as bar:
        passing[0] += 0.4
        bar.watch(0.9)
    assert stream.getvalue() == ""


def test_a_long_task_shows_how_far_it_is_and_clears_the_line(passing: list[float]) -> None:
    stream = Terminal()
    with Bar(stream, "replay") as bar:
        passing[0] += 0.6
        bar.watch(0.25)
        bar.watch(0.26)  # too soon after the last
        passing[0] += 1.0
        bar.watch(1.5)
    shown = stream.getvalue().split("\r")
    assert shown[1] == f"replay [{'#' * 10}{'.' * 30}]  25 %"
    assert shown[2] == f"replay [{'#' * 40}] 100 %"
    assert shown[3] == "\x1b[K"
    assert len(shown) == 4


def test_nothing_is_written_where_nobody_watches(passing: list[float]) -> None:
    stream = io.StringIO()
    with Bar(stream, "replay") as bar:
        passing[0] += 10.0
        bar.watch(0.5)
    assert stream.getvalue() == ""
