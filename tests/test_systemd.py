"""The service manager hears how we are: one datagram per state, and nothing happens if there is no manager."""

import os
import socket
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest

from dumpload.daemon.systemd import Notifier


class Manager:
    """The service manager's end of the line."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self.socket.settimeout(5)

    def hear(self) -> list[str]:
        return self.socket.recv(4096).decode().split("\n")


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    """A manager at a path, and one at an abstract address, which systemd writes with an @."""
    one = Manager(str(tmp_path / "notify") if request.param == "path" else f"@dumpload-test-{os.getpid()}")
    yield one
    one.socket.close()


@pytest.fixture
def make() -> Iterator[Callable[[Mapping[str, str]], Notifier]]:
    made: list[Notifier] = []

    def one(environ: Mapping[str, str]) -> Notifier:
        made.append(Notifier(environ))
        return made[-1]

    yield one
    for notifier in made:
        if notifier._socket is not None:
            notifier._socket.close()


@pytest.fixture
def notifier(manager: Manager, make: Callable[[Mapping[str, str]], Notifier]) -> Notifier:
    return make({"NOTIFY_SOCKET": manager.address})


def test_ready_says_what_the_relay_does(manager: Manager, notifier: Notifier) -> None:
    notifier.ready("off: starting")
    assert manager.hear() == ["READY=1", "STATUS=off: starting"]


def test_a_status_is_one_line(manager: Manager, notifier: Notifier) -> None:
    notifier.status("on: surplus")
    assert manager.hear() == ["STATUS=on: surplus"]


def test_the_watchdog_is_fed(manager: Manager, notifier: Notifier) -> None:
    notifier.watchdog()
    assert manager.hear() == ["WATCHDOG=1"]


def test_reloading_is_said_with_the_moment_as_the_manager_wants_it(manager: Manager, notifier: Notifier) -> None:
    before = time.monotonic_ns() // 1000
    notifier.reloading()
    first, second = manager.hear()
    assert first == "RELOADING=1"
    assert before <= int(second.removeprefix("MONOTONIC_USEC=")) <= time.monotonic_ns() // 1000


def test_stopping_is_said(manager: Manager, notifier: Notifier) -> None:
    notifier.stopping()
    assert manager.hear() == ["STOPPING=1"]


def say_everything(notifier: Notifier) -> None:
    notifier.ready("off: starting")
    notifier.status("on: surplus")
    notifier.reloading()
    notifier.watchdog()
    notifier.stopping()


def test_without_a_manager_every_call_does_nothing() -> None:
    say_everything(Notifier({}))


@pytest.mark.parametrize("address", ["/nowhere/notify", "@nobody-listens-here", "x" * 200])
def test_a_manager_that_cannot_be_reached_is_no_reason_to_fail(
    address: str, make: Callable[[Mapping[str, str]], Notifier]
) -> None:
    say_everything(make({"NOTIFY_SOCKET": address}))


def test_a_manager_that_went_away_is_no_reason_to_fail(manager: Manager, notifier: Notifier) -> None:
    manager.socket.close()
    say_everything(notifier)


def test_a_manager_that_does_not_listen_does_not_block_us(notifier: Notifier) -> None:
    for _ in range(10_000):  # far more than its queue holds
        notifier.status("on: surplus")


@pytest.mark.parametrize(
    ("environ", "watchdog_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "15000000"}, 15.0),
        ({"WATCHDOG_USEC": "500000"}, 0.5),
        ({"WATCHDOG_USEC": "15000000", "WATCHDOG_PID": str(os.getpid())}, 15.0),
        ({"WATCHDOG_USEC": "15000000", "WATCHDOG_PID": "1"}, None),  # meant for another process
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "-1"}, None),
        ({"WATCHDOG_USEC": ""}, None),
    ],
)
def test_the_watchdog_interval_is_what_the_manager_asks_of_this_process(
    environ: dict[str, str], watchdog_s: float | None
) -> None:
    assert Notifier(environ).watchdog_s == watchdog_s
