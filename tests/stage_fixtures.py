"""A service on a stage for each test; a plugin, which the test modules of the service name in `pytest_plugins`."""

from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from staging import USUAL, Stage, Staging

from dumpload.daemon import service


@pytest.fixture
def hard_ways(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    """The alarms, set so far, that end the process if nothing else does; here they are only taken note of."""
    alarms: list[tuple[Any, ...]] = []
    monkeypatch.setattr(service.signal, "setitimer", lambda *arguments: alarms.append(arguments))
    return alarms


@pytest.fixture
def staging(monkeypatch: pytest.MonkeyPatch, hard_ways: list[tuple[Any, ...]]) -> Iterator[Staging]:
    """Put a service with these settings on the stage, and start it."""
    stages: list[Stage] = []
    del hard_ways

    def put(keys: Mapping[str, Any] | None = None, *, begin: bool = True, **more: Any) -> Stage:
        stages.append(Stage(monkeypatch, {**USUAL, **(keys or {})}, **more))
        return stages[-1].begin() if begin else stages[-1]

    yield put
    for stage in stages:
        stage.close()


@pytest.fixture
def stage(staging: Staging) -> Stage:
    return staging()
