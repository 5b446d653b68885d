"""`dumpload listen` at a real broker: from a misspelt topic to settings that work, by what the program says."""

import json
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import Broker, free_port
from paho.mqtt import client as paho
from waiting import PATIENCE_S

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

SETTINGS = """
[mqtt]
host = "127.0.0.1"
port = {port}
[telemetry.state_of_charge]
topic = "{topic}"
pointer = "/soc"
[relay]
pin = 17
pin_factory = "mock"
"""


@pytest.fixture
def gateway(broker: Broker) -> Iterator[Broker]:
    """A gateway that publishes four times a second."""
    ended = threading.Event()
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()

    def publish() -> None:
        while not ended.wait(0.25):
            client.publish("barge/bank", json.dumps({"soc": 97.5, "ts": time.time()}))
            client.publish("barge/panels/power", "812")

    thread = threading.Thread(target=publish)
    thread.start()
    yield broker
    ended.set()
    thread.join()
    client.disconnect()
    client.loop_stop()


def listen(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "dumpload", "listen", "--for", "3s", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)


def config(folder: Path, port: int, topic: str = "barge/bank") -> str:
    path = folder / "dumpload.toml"
    path.write_text(SETTINGS.format(port=port, topic=topic))
    return str(path)


def test_a_live_signal_is_shown_with_its_value_rate_and_topic(gateway: Broker, tmp_path: Path) -> None:
    done = listen("--config", config(tmp_path, gateway.port), "--json")
    heard = json.loads(done.stdout)["signals"]["state_of_charge"]
    assert (done.returncode, heard["state"], heard["value"], heard["topic"]) == (0, "live", 97.5, "barge/bank")
    assert heard["every_s"] > 0


def test_a_misspelt_topic_is_exit_1_and_names_the_right_one(gateway: Broker, tmp_path: Path) -> None:
    done = listen("--config", config(tmp_path, gateway.port, "barge/bnak"))
    assert done.returncode == 1
    assert "nothing arrived on barge/bnak; did you mean barge/bank?" in done.stdout


def test_without_settings_every_topic_with_numbers_is_listed(gateway: Broker) -> None:
    done = listen("--broker", f"127.0.0.1:{gateway.port}")
    assert "barge/panels/power" in done.stdout
    assert "/soc 97.5" in done.stdout


def test_what_is_proposed_is_what_the_file_needs(gateway: Broker, tmp_path: Path) -> None:
    named = ["--propose", "state_of_charge=barge/bank /soc", "--propose", "solar_power=barge/panels/power"]
    done = listen("--broker", f"127.0.0.1:{gateway.port}", *named)
    telemetry = tomllib.loads(done.stdout)["telemetry"]
    assert telemetry["state_of_charge"]["pointer"] == "/soc"
    assert telemetry["state_of_charge"]["timestamp_pointer"] == "/ts"
    path = tmp_path / "dumpload.toml"
    path.write_text(f'[mqtt]\nhost = "127.0.0.1"\nport = {gateway.port}\n[relay]\npin = 17\n{done.stdout}')
    again = listen("--config", str(path))
    assert (again.returncode, again.stdout.count(" ok ")) == (0, 2), again.stdout


def test_a_broker_that_is_not_there_is_exit_1_with_a_sentence() -> None:
    broker = f"127.0.0.1:{free_port()}"
    done = listen("--broker", broker)
    assert (done.returncode, done.stderr) == (1, f"Cannot listen to the broker at {broker}: connection refused\n")


@pytest.mark.parametrize("wish", ["charge=barge/bank", "state_of_charge", "state_of_charge=", "solar_power=a b"])
def test_a_wish_that_cannot_be_read_is_exit_2(wish: str) -> None:
    done = listen("--broker", "127.0.0.1", "--propose", wish)
    assert (done.returncode, done.stdout) == (2, "")
    assert "expected SIGNAL=TOPIC" in done.stderr
