"""An owner's first hour: from an empty folder to a daemon in control, by nothing but what the program says.

Real broker, real gateway, real processes, a mock pin. The gateway reports charging as negative and its clock is an hour
ahead; the owner misspells its topic. Each step takes its command, key and value out of what the step before printed.
"""

import json
import re
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import HOST, Broker
from daemons import plain_environment
from gateways import Gateway
from rig import Client
from waiting import PATIENCE_S, eventually

pytest_plugins = ["daemon_fixtures"]
pytestmark = [pytest.mark.broker, pytest.mark.slow]

# What an owner would not do, and a test must: no real pin, and no waits of minutes.
HURRY = {
    "DUMPLOAD_RELAY__PIN_FACTORY": "mock",
    "DUMPLOAD_CONTROL__MIN_OFF_S": "1",
    "DUMPLOAD_CONTROL__CONFIRM_S": "2",
}
WATTS = 600.0


class Owner:
    """A person in an empty folder who types what the program says."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.said = ""

    def type(self, command: str, *words: str) -> int:
        """Type a command; keep what it says, as one line, and return its exit code."""
        program, *rest = shlex.split(command)
        assert program == "dumpload"
        done = subprocess.run(
            [sys.executable, "-m", "dumpload", *rest, *words],
            cwd=self.folder, env=plain_environment(**HURRY), stdin=subprocess.DEVNULL,
            capture_output=True, text=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        self.said = " ".join((done.stdout + done.stderr).split())
        return done.returncode

    def read(self, pattern: str) -> str:
        """Return what the program said at the place of the one group in the pattern."""
        found = re.search(pattern, self.said)
        assert found is not None, f"{pattern}: not in: {self.said}"
        return found[1]

    def edit(self, file: str, old: str, new: str) -> None:
        """Change the settings file in an editor."""
        path = self.folder / file
        text = path.read_text()
        assert old in text, text
        path.write_text(text.replace(old, new))

    def add(self, file: str, key: str, value: str) -> None:
        """Add a key to its table in the settings file."""
        table, _, name = key.rpartition(".")
        self.edit(file, f"[{table}]\n", f"[{table}]\n{name} = {value}\n")


@pytest.fixture
def gateway(broker: Broker) -> Iterator[Gateway]:
    one = Gateway(broker.port)
    one.soc, one.power_w, one.clock_ahead_s = 98.6, -WATTS, 3600.0
    yield one
    one.close()


def test_from_an_empty_folder_to_a_daemon_in_control(gateway: Gateway, broker: Broker, tmp_path: Path) -> None:
    owner = Owner(tmp_path)

    # The settings, with a topic as remembered, which is not how it is spelt.
    answers = {
        "mqtt.host": HOST, "mqtt.port": broker.port, "relay.pin": 17, "permissive.window": "[]",
        "history.path": "history.sqlite3",
    }  # fmt: skip
    named = ["state_of_charge=barge/bnak /soc", "battery_power=barge/bnak /p", "solar_power=barge/panels/power"]
    words = [f"--set={key}={value}" for key, value in answers.items()] + [f"--propose={wish}" for wish in named]
    assert owner.type("dumpload init", *words) == 0, owner.said
    file = owner.read(r"Written: (\S+)\. Next")
    look = owner.read(r"Next, to test broker, signals and pin: (dumpload check --live --config \S+)")

    # The right spelling.
    assert owner.type(look, "--for=3s") == 1
    wrong, right = (owner.read(pattern) for pattern in (r"nothing arrived on (\S+); did", r"did you mean (\S+)\?"))
    assert right == gateway.topic
    owner.edit(file, f'"{wrong}"', f'"{right}"')

    # Values without a time: the program asks for the one that the payload carries.
    owner.type(look, "--for=3s")
    for signal in ("state_of_charge", "battery_power"):
        key = owner.read(rf"(telemetry\.{signal}\.timestamp_pointer): the payload carries a time")
        owner.add(
            file, key, owner.read(rf'telemetry\.{signal}\.timestamp_pointer: the payload carries a time: set ("\S+"),')
        )

    # Now the clock shows.
    assert owner.type(look, "--for=3s") == 1
    ahead_s = float(owner.read(r"state_of_charge +NO +the source's clock is (\d+) s ahead of this computer's"))
    assert "one of them treats local time as UTC" in owner.said
    assert ahead_s == pytest.approx(3600.0, abs=30.0)
    gateway.clock_ahead_s = 0.0  # "Set one of the two clocks": the gateway's

    # And the sign.
    assert owner.type(look, "--for=3s") == 1
    key, value = owner.read(r"(telemetry\.battery_power\.scale): battery power is"), owner.read(r"set scale = (-1)\b")
    owner.add(file, key, value)

    # Ready: whatever else is advised can wait.
    assert owner.type(look, "--for=3s") == 0, owner.said
    run = owner.read(r"READY: start the daemon: (dumpload run --config \S+)")

    settings = tomllib.loads((tmp_path / file).read_text())
    assert settings["telemetry"]["battery_power"] == {
        "topic": "barge/bank", "pointer": "/p", "timestamp_pointer": "/ts", "scale": -1,
    }  # fmt: skip
    control(owner, run, broker, file)


def control(owner: Owner, run: str, broker: Broker, file: str) -> None:
    """Start the daemon as it was said, and see it in control."""
    listener = Client(broker.port, "dumpload/#")
    log = (owner.folder / "log").open("wb")
    words = [sys.executable, "-m", *shlex.split(run)]
    daemon = subprocess.Popen(words, cwd=owner.folder, env=plain_environment(**HURRY), stderr=log)
    try:
        changes = lambda: listener.documents("change", "dumpload/heater")  # noqa: E731
        eventually(changes, "the heater to be on", 60.0)
        assert (changes()[0]["relay"], changes()[0]["cause"]) == ("on", "surplus")
        assert owner.type(f"dumpload status --config {file}") == 0, owner.said
        assert "heater ON since" in owner.said
        assert f"Battery power {WATTS:.0f} W" in owner.said  # charging is positive now
        assert owner.type(f"dumpload check --live --for=1s --config {file}") == 0
        assert "a daemon of this name is up at the broker and holds its line" in owner.said
        status = json.loads(next(one.payload for one in reversed(listener.heard) if one.topic.endswith("/status")))
        assert (status["notes"], status["alerts"]) == ([], [])
    finally:
        daemon.terminate()
        assert daemon.wait(30) == 0
        log.close()
        listener.close()
    assert changes()[-1]["relay"] == "off"
