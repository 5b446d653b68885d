"""Brokers and barges for the tests of the daemon; a plugin, which those test modules name in `pytest_plugins`."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from brokers import EMBEDDED_ONLY, MOSQUITTO, Broker, Embedded, Mosquitto
from netfaults import Proxy, RawBroker, Script
from rig import Barge


@pytest.fixture
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Broker]:
    """Any broker, running; mosquitto if the test is marked so."""
    embedded = EMBEDDED_ONLY or MOSQUITTO is None
    if embedded and request.node.get_closest_marker("mosquitto"):
        pytest.skip("mosquitto is not installed")
    started = Embedded(tmp_path) if embedded else Mosquitto(tmp_path)
    started.start()
    yield started
    started.kill()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """Start a mosquitto with these lines in its configuration, as often as wanted."""
    if EMBEDDED_ONLY or MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    running: list[Mosquitto] = []

    def start(*lines: str, name: str = "broker") -> Mosquitto:
        running.append(Mosquitto(tmp_path, lines, name))
        return running[-1].start()

    yield start
    for process in running:
        process.kill()


@pytest.fixture(params=["5", "3.1.1"])
def protocol(request: pytest.FixtureRequest, broker: Broker) -> str:
    """Both versions of MQTT, as far as the broker speaks them."""
    version: str = request.param
    if version == "5" and not broker.speaks_5:
        pytest.skip("the embedded broker does not speak MQTT 5, and mosquitto is not installed")
    return version


@pytest.fixture
def barge(tmp_path: Path, broker: Broker) -> Iterator[Barge]:
    """A daemon-to-be on any broker."""
    boat = Barge(tmp_path, broker)
    yield boat
    boat.close()


@pytest.fixture
def proxy(broker: Broker) -> Iterator[Proxy]:
    """A way to the broker that can be made to fail."""
    started = Proxy(broker.port)
    yield started
    started.close()


@pytest.fixture
def raw_broker() -> Iterator[Callable[[Script], RawBroker]]:
    """Start a broker of bare sockets."""
    running: list[RawBroker] = []

    def start(script: Script) -> RawBroker:
        running.append(RawBroker(script))
        return running[-1]

    yield start
    for broker in running:
        broker.close()
