"""The daemon under a service manager: what it tells it, and what the manager does when it is told nothing."""

import signal
from collections.abc import Callable, Iterator
from itertools import pairwise

import pytest
from daemons import MAX_AGE_S, Daemon
from rig import Barge
from service_manager import Manager
from waiting import boot_clock

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

# What `dumpload off` exits with when the pin is a mock: nothing was driven.
MOCK = 1

# Allowance for a loaded machine, on top of one tick of supervision.
LATE_S = 2.0


@pytest.fixture
def manage() -> Iterator[Callable[..., Manager]]:
    """Run a daemon under a manager of its own."""
    managers: list[Manager] = []

    def start(daemon: Daemon, **options: float) -> Manager:
        managers.append(Manager(daemon, **options))
        managers[-1].start()
        return managers[-1]

    yield start
    for manager in managers:
        manager.close()


@pytest.mark.parametrize("abstract", [True, False], ids=["abstract socket", "socket in a folder"])
def test_ready_once_the_pin_is_claimed_without_waiting_for_a_broker(
    barge: Barge, manage: Callable[..., Manager], abstract: bool
) -> None:
    barge.broker.stop()
    manager = manage(barge.daemon(), abstract=abstract)
    assert manager.await_notice("READY").value == "1"
    assert manager.await_notice("STATUS").value == "off: starting"


def test_it_feeds_the_watchdog_in_time_and_tells_each_state(barge: Barge, manage: Callable[..., Manager]) -> None:
    watchdog_s = 2.0
    daemon = barge.daemon()
    manager = manage(daemon, watchdog_s=watchdog_s)
    barge.await_presence("up")
    barge.source.set(98)
    barge.expect("on", "surplus")
    manager.await_notice("WATCHDOG", times=5)
    fed_at = [notice.t for notice in manager.noted("WATCHDOG")]
    assert all(later - earlier < watchdog_s for earlier, later in pairwise(fed_at))
    assert not manager.watchdog_fired
    daemon.signal(signal.SIGHUP)
    assert int(manager.await_notice("MONOTONIC_USEC").value) > 0
    assert manager.await_notice("RELOADING").t <= manager.await_notice("READY", times=2).t
    asked_at = daemon.signal(signal.SIGTERM)
    stopping = manager.await_notice("STOPPING")
    assert daemon.await_edge(on=False, after=asked_at).t < stopping.t
    assert (daemon.wait(), manager.await_stop_post()) == (0, MOCK)
    texts = [notice.value for notice in manager.noted("STATUS")]
    assert "on: surplus" in texts
    assert texts[-1] == "off: stopping"


def test_case_02_whatever_kills_it_the_command_off_follows(barge: Barge, manage: Callable[..., Manager]) -> None:
    daemon = barge.daemon()
    manager = manage(daemon)
    barge.await_presence("up")
    barge.source.set(98)
    barge.expect("on", "surplus")
    daemon.signal(signal.SIGKILL)
    assert manager.await_stop_post() == MOCK


def test_case_12_a_loop_that_stands_still_is_off_by_the_dead_man_and_then_put_down(
    barge: Barge, manage: Callable[..., Manager]
) -> None:
    watchdog_s = MAX_AGE_S + 2.0
    daemon = barge.daemon()
    manager = manage(daemon, watchdog_s=watchdog_s)
    barge.await_presence("up")
    barge.source.set(98)
    barge.expect("on", "surplus")
    stalled_at = barge.client.publish("stall 60", qos=1)
    off = daemon.await_edge(on=False, after=stalled_at)
    assert off.t < stalled_at + MAX_AGE_S + LATE_S
    assert daemon.wait() == -signal.SIGABRT
    assert manager.watchdog_fired
    assert boot_clock() > off.t
    assert manager.await_stop_post() == MOCK


def test_case_12_a_process_that_is_frozen_is_put_down(barge: Barge, manage: Callable[..., Manager]) -> None:
    """The threads stand still too, the dead-man among them: only the manager is left."""
    daemon = barge.daemon()
    manager = manage(daemon, watchdog_s=1.5)
    barge.await_presence("up")
    barge.source.set(98)
    barge.expect("on", "surplus")
    daemon.signal(signal.SIGSTOP)
    assert manager.await_stop_post() == MOCK
    assert daemon.wait() == -signal.SIGKILL
    barge.await_presence("down")
