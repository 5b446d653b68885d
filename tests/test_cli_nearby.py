"""Which daemon a person at the machine reaches, and what is said when it is none."""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from judged import settings

from dumpload.cli import client, nearby
from dumpload.cli.client import NoAnswerError, RefusedError
from dumpload.daemon import local_socket
from dumpload.daemon.local_socket import CONTROL, Door, LocalSocket, LocalWay

STATUS = {
    "relay": "off",
    "cause": "starting",
    "since": "2025-06-16T12:00:00.000Z",
    "selector": "auto",
    "state_of_charge": None,
    "data": "none",
    "data_age_s": None,
    "next": {"relay": "on", "condition": "the bank is full", "at": None},
    "lockout": None,
    "notes": [],
    "rejected": 0,
    "at": "2025-06-16T12:00:00.000Z",
    "boot_id": "b",
    "sequence": 1,
    "uptime_s": 1.0,
    "version": "0.1.0",
}

Reply = dict[str, Any]


@pytest.fixture
def serve(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Run `ask` beside a socket that answers with these replies, in their order; the last one again and again."""

    def run(ask: Callable[[], Awaitable[Any]], *replies: Reply) -> Any:
        left = list(replies)

        async def answer(_line: bytes) -> Reply:
            return left.pop(0) if len(left) > 1 else left[0]

        async def whole() -> Any:
            one = LocalSocket(LocalWay(tmp_path, "settings"), CONTROL, answer)
            await one.open()
            try:
                return await ask()
            finally:
                one.close()

        return asyncio.run(whole())

    monkeypatch.setattr(nearby, "sockets", lambda *_: [tmp_path / "control.sock"])
    return run


@pytest.fixture(autouse=True)
def no_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    async def nobody(*_args: object, **_options: object) -> None:
        message = "no connection to the broker"
        raise NoAnswerError(message)

    monkeypatch.setattr(client, "watch", nobody)
    monkeypatch.setattr(client, "select", nobody)


CONFIG = Path("/etc/dumpload/heater.toml")
FOUND = {"config": str(CONFIG), "status": STATUS}


async def off() -> Any:
    return await nearby.select(CONFIG, settings(), {"selector": "off"})


def test_the_daemon_of_the_same_settings_file_is_asked(serve: Callable[..., Any]) -> None:
    kept = {"config": str(CONFIG), "status": {**STATUS, "selector": "off"}, "unchanged": False}
    assert serve(off, FOUND, kept)["selector"] == "off"


def test_the_daemon_of_another_file_is_not(serve: Callable[..., Any]) -> None:
    with pytest.raises(NoAnswerError, match=r"^no connection to the broker$"):
        serve(off, {**FOUND, "config": "/etc/dumpload/watermaker.toml"})


@pytest.mark.parametrize(
    ("answer", "error", "words"),
    [
        ({"refused": "over-long: too long"}, RefusedError, "^Refused: too long$"),
        (
            {"status": STATUS, "trouble": "the disk is full"},
            NoAnswerError,
            "Done, the selector is in auto, but the disk",
        ),
        ({"something": "else"}, NoAnswerError, "does not understand"),
        ({"status": 3}, NoAnswerError, "does not understand"),
    ],
)
def test_a_refusal_and_what_was_not_kept_are_said(
    serve: Callable[..., Any], answer: Reply, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        serve(off, FOUND, {**answer, "config": str(CONFIG)})


def test_a_lockout_that_came_back_at_once_is_said(serve: Callable[..., Any]) -> None:
    locked = {**FOUND, "status": {**STATUS, "lockout": "contact_closed"}}
    with pytest.raises(NoAnswerError, match="was set again at once: contact_closed"):
        serve(lambda: nearby.select(CONFIG, settings(), {"reset": True}), locked)


def test_status_follows_what_is_worth_a_line_until_the_daemon_goes(
    serve: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(nearby, "LOOK_EVERY_S", 0.0)
    shown: list[str] = []
    causes = ["starting", "starting", "surplus", "surplus", "data_lost"]
    replies = [{**FOUND, "status": {**STATUS, "cause": cause}} for cause in causes]
    ask = lambda: nearby.watch(CONFIG, settings(), lambda status: shown.append(status["cause"]), follow=True)  # noqa: E731
    with pytest.raises(NoAnswerError):
        serve(ask, *replies, {"gone": True})
    assert shown == ["starting", "surplus", "data_lost"]


def test_who_may_not_connect_reads_which_socket_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    async def closed(_path: Path) -> None:
        raise PermissionError

    monkeypatch.setattr(nearby, "sockets", lambda *_: [Path("/run/dumpload/control.sock")])
    monkeypatch.setattr(local_socket, "connected", closed)
    with pytest.raises(NoAnswerError, match=r"/control\.sock, which this user may not use: requests are root's"):
        asyncio.run(off())


def test_a_request_goes_by_its_own_door_and_who_looks_on_takes_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[list[str]] = []

    def doors(_environ: object, *names: Door) -> list[Path]:
        asked.append([door.name for door in names])
        return []

    monkeypatch.setattr(nearby, "sockets", doors)
    for ask in (off(), nearby.watch(CONFIG, settings(), print, follow=False)):
        with pytest.raises(NoAnswerError):
            asyncio.run(ask)
    asyncio.run(nearby.everyone([]))
    assert asked == [["control.sock"], ["status.sock", "control.sock"], ["status.sock", "control.sock"]]
