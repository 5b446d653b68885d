"""`dumpload forget`: what an instance left at a real broker is cleared, and nothing else."""

import subprocess
import sys
from pathlib import Path

import pytest
from brokers import Broker
from paho.mqtt import client as paho
from waiting import PATIENCE_S

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

SETTINGS = """
[mqtt]
host = "127.0.0.1"
port = {port}
[telemetry.state_of_charge]
topic = "barge/bank/charge"
[relay]
pin = 17
pin_factory = "mock"
"""
LEFT = {
    "dumpload/heater/presence": "down",
    "dumpload/heater/status": "{}",
    "dumpload/galley/status": "{}",
    "barge/x": "1",
}


@pytest.fixture
def left(broker: Broker) -> Broker:
    """A broker with what two instances and a gateway retained."""
    publish(broker, LEFT)
    return broker


def publish(broker: Broker, retained: dict[str, str]) -> None:
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    for topic, payload in retained.items():
        client.publish(topic, payload, qos=1, retain=True).wait_for_publish(30)
    client.disconnect()
    client.loop_stop()


def there(broker: Broker) -> dict[str, str]:
    """Return what is retained, up to a marker that is retained last."""
    publish(broker, {"zz": "end"})
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    found: dict[str, str] = {}
    client.on_message = lambda _client, _data, message: found.update({message.topic: message.payload.decode()})
    client.connect("127.0.0.1", broker.port)
    client.subscribe("#", 1)
    for _ in range(300):
        client.loop(0.1)
        if "zz" in found:
            break
    client.loop(0.5)
    client.disconnect()
    return {topic: payload for topic, payload in found.items() if topic != "zz"}


def forget(folder: Path, port: int, *words: str) -> subprocess.CompletedProcess[str]:
    (folder / "barge.toml").write_text(SETTINGS.format(port=port))
    command = [sys.executable, "-m", "dumpload", "forget", *words, "--config", str(folder / "barge.toml")]
    return subprocess.run(
        command, capture_output=True, text=True, timeout=PATIENCE_S, check=False, stdin=subprocess.DEVNULL
    )


def test_the_leftovers_of_one_instance_are_cleared_and_nothing_else(tmp_path: Path, left: Broker) -> None:
    done = forget(tmp_path, left.port, "heater", "--yes")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[1:] == ["  dumpload/heater/presence", "  dumpload/heater/status", "Cleared."]
    assert there(left) == {"dumpload/galley/status": "{}", "barge/x": "1"}
    again = forget(tmp_path, left.port, "heater", "--yes")
    assert again.returncode == 0
    assert again.stdout.startswith("Nothing of heater is retained")


def test_without_yes_and_without_a_terminal_nothing_is_cleared(tmp_path: Path, left: Broker) -> None:
    done = forget(tmp_path, left.port, "heater")
    assert done.returncode == 1
    assert "expected --yes or a terminal to confirm on; nothing was cleared" in done.stderr
    assert there(left) == LEFT


def test_an_instance_that_is_up_is_not_forgotten(tmp_path: Path, left: Broker) -> None:
    publish(left, {"dumpload/heater/presence": "up"})
    done = forget(tmp_path, left.port, "heater", "--yes")
    assert done.returncode == 1
    assert "heater is up at 127.0.0.1: expected an instance that has been stopped" in done.stderr
    assert there(left) == {**LEFT, "dumpload/heater/presence": "up"}


@pytest.mark.parametrize("name", ["#", "+", "heater/status", ""])
def test_a_name_that_could_reach_further_is_refused(tmp_path: Path, left: Broker, name: str) -> None:
    done = forget(tmp_path, left.port, name, "--yes")
    assert done.returncode == 2
    assert "expected the name of an instance" in done.stderr
    assert there(left) == LEFT
