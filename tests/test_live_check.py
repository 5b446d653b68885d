"""`dumpload check --live` at a real broker and on mock pins: what is ready, what is not, and nothing is disturbed."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from brokers import HOST, Broker, Mosquitto, free_port, write_users
from daemons import TESTS, plain_environment, run_dumpload, write_settings
from fake_lgpio import FakeGpio, installed
from gateways import Gateway
from gpiozero.pins.mock import MockFactory
from rig import Client
from terminals import Terminal
from waiting import eventually

from dumpload.commissioning.live import Outcome
from dumpload.commissioning.relay_test import RelayReadings, claimed, close_for_a_second, relay_step
from dumpload.gpio.line import LineBusyError, PinSpec
from dumpload.history.file import why_not_writable

pytest_plugins = ["daemon_fixtures"]
broker_needed = pytest.mark.broker

BASE = "dumpload/heater"


def settings(port: int, **changes: Any) -> dict[str, Any]:
    return {
        "name": "heater",
        "mqtt.host": HOST,
        "mqtt.port": port,
        "telemetry.state_of_charge.topic": "barge/bank",
        "telemetry.state_of_charge.pointer": "/soc",
        "relay.pin": 17,
        "relay.pin_factory": "mock",
        **{key.replace("__", "."): value for key, value in changes.items()},
    }


@pytest.fixture
def gateway(broker: Broker) -> Iterator[Gateway]:
    one = Gateway(broker.port)
    yield one
    one.close()


def check(folder: Path, keys: dict[str, Any], *words: str, code: int | None = None) -> dict[str, Any]:
    """Run the check as JSON; return its document with the steps by their id."""
    config = write_settings(folder / "heater.toml", keys)
    done = run_dumpload("check", "--live", "--for", "2s", "--json", "--config", str(config), *words, folder=folder)
    assert done.stdout, done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    if code is not None:
        assert done.returncode == code, document
    return {**document, **{step["id"]: (step["state"], step["found"]) for step in document["steps"]}}


# ---- broker and signals ----


@broker_needed
def test_all_is_ready_and_nothing_is_left_at_the_broker(gateway: Gateway, broker: Broker, tmp_path: Path) -> None:
    del gateway
    listener = Client(broker.port, f"{BASE}/#")
    found = check(tmp_path, settings(broker.port, history__path=str(tmp_path / "history.sqlite3")), code=0)
    assert found["verdict"] == "pass"
    assert found["broker"] == ("ok", f"connected to {HOST}:{broker.port}; 1 subscription accepted")
    assert found["publish"][0] == "ok"
    assert found["history"][0] == "ok"
    assert found["signals"]["state_of_charge"]["state"] == "live"
    assert {(one.topic, one.payload, one.retained) for one in listener.heard} <= {(f"{BASE}/status", b"", False)}
    listener.close()
    late = Client(broker.port, f"{BASE}/#")
    late.publish("x", "test/barrier", qos=1)
    assert late.heard == []
    late.close()
    assert sorted(file.name for file in tmp_path.glob("*history*")) == []


@broker_needed
def test_the_text_says_what_to_do_next(gateway: Gateway, broker: Broker, tmp_path: Path) -> None:
    del gateway
    config = write_settings(tmp_path / "heater.toml", settings(broker.port))
    done = run_dumpload("check", "--live", "--for", "2s", "--config", str(config), folder=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.rstrip().endswith(f"READY: start the daemon: dumpload run --config {config} (or its service)")


def test_a_broker_that_is_not_there_is_said_and_the_rest_is_tried(tmp_path: Path) -> None:
    found = check(tmp_path, settings(free_port()), code=1)
    assert found["broker"][0] == "wrong"
    assert found["wrong"] == ["Broker", "state_of_charge"]
    assert "refused" in found["broker"][1].lower()
    assert "pin" in found


@broker_needed
def test_a_wrong_sign_of_the_battery_power_is_not_ready(gateway: Gateway, broker: Broker, tmp_path: Path) -> None:
    gateway.power_w = -600.0
    power = {"telemetry.battery_power.topic": "barge/bank", "telemetry.battery_power.pointer": "/p"}
    sun = {"telemetry.solar_power.topic": "barge/panels/power"}
    found = check(tmp_path, {**settings(broker.port), **power, **sun}, code=1)
    assert "telemetry.battery_power.scale" in [one["key"] for one in found["advice"]]
    assert found["wrong"] == ["telemetry.battery_power.scale"]
    check(tmp_path, {**settings(broker.port), **power, **sun, "telemetry.battery_power.scale": -1}, code=0)


@broker_needed
@pytest.mark.mosquitto
@pytest.mark.parametrize(("protocol", "state", "code"), [("5", "wrong", 1), ("3.1.1", "unsure", 0)])
def test_a_right_to_publish_that_is_missing_is_told_as_far_as_the_protocol_can(
    mosquitto: Callable[..., Mosquitto], tmp_path: Path, protocol: str, state: str, code: int
) -> None:
    """MQTT 5.0, section 3.4.2.1, has a code for a publication that is not authorized; 3.1.1 has none."""
    users, rules, password = tmp_path / "users", tmp_path / "rules", tmp_path / "password"
    write_users(users, {"barge": "tide", "gateway": "gateway"})
    rules.write_text("user barge\ntopic read barge/bank\nuser gateway\ntopic readwrite #\n")
    rules.chmod(0o600)
    password.write_text("tide\n")
    password.chmod(0o600)
    broker = mosquitto(f"password_file {users}", f"acl_file {rules}")
    gateway = Gateway(broker.port, username="gateway", password="gateway")  # noqa: S106
    login = {"mqtt.username": "barge", "mqtt.password_file": str(password), "mqtt.protocol": protocol}
    found = check(tmp_path, {**settings(broker.port), **login}, code=code)
    gateway.close()
    assert found["publish"][0] == state
    rules.write_text("user barge\ntopic read barge/bank\ntopic readwrite dumpload/#\n")
    broker.read_again()
    assert check(tmp_path, {**settings(broker.port), **login})["publish"][0] == "ok"


# ---- never while a daemon runs ----


@broker_needed
def test_while_the_daemon_runs_pin_and_history_are_left_alone(gateway: Gateway, broker: Broker, tmp_path: Path) -> None:
    del gateway
    config = write_settings(tmp_path / "heater.toml", settings(broker.port))
    daemon = subprocess.Popen(
        [sys.executable, "-m", "dumpload", "run", "--config", str(config)],
        cwd=tmp_path, env=plain_environment(), stderr=subprocess.DEVNULL,
    )  # fmt: skip
    listener = Client(broker.port, f"{BASE}/presence")
    try:
        eventually(lambda: any(one.payload == b"up" for one in listener.heard), "the daemon to be up")
        command = [sys.executable, "-m", "dumpload", "check", "--live", "--relay-test", "--for", "1s", "--json"]
        terminal = Terminal([*command, "--config", str(config)], tmp_path, plain_environment())
        code, out = terminal.end()
    finally:
        daemon.terminate()
        daemon.wait(20)
        listener.close()
    steps = {step["id"]: step for step in json.loads(out)["steps"]}
    assert code == 1  # the relay test was asked for, and not made
    for part in ("history", "pin", "relay"):
        assert steps[part]["state"] == "skipped"
        assert "a daemon of this name is up at the broker and holds its line" in steps[part]["found"]


@pytest.fixture
def gpio(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[FakeGpio]:
    with installed(FakeGpio(keeps_outputs=True), monkeypatch, tmp_path) as fake:
        yield fake


def test_a_line_that_another_program_holds_is_said(gpio: FakeGpio) -> None:
    spec = PinSpec(17, active_high=True, chip_label=None, pin_factory="lgpio", feedback_pin=None)
    with claimed(spec) as relay:
        assert not relay.is_energised()
        with pytest.raises(LineBusyError, match="held by"), claimed(spec):
            pass
    assert [level for pin, level in gpio.edges if pin == 17 and level] == []


# ---- the history ----


def test_a_history_that_can_be_written_is_left_as_it_was(tmp_path: Path) -> None:
    assert why_not_writable(tmp_path / "new.sqlite3") == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("content", [b"my notes\n", b"SQLite format 3\0" + bytes(600), b"x" * 5000])
def test_a_file_of_somebody_else_is_no_history_and_left_alone(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "history.sqlite3"
    file.write_bytes(content)
    assert "expected a history database" in why_not_writable(file)
    assert file.read_bytes() == content
    assert list(tmp_path.iterdir()) == [file]


def test_a_folder_that_is_not_there_and_a_file_that_is_locked_are_said(tmp_path: Path) -> None:
    assert why_not_writable(tmp_path / "gone" / "x.sqlite3") == f"there is no folder {tmp_path / 'gone'}"
    file = tmp_path / "history.sqlite3"
    database = sqlite3.connect(file, isolation_level=None)
    database.execute("PRAGMA application_id = 0x64756D70")
    database.execute("CREATE TABLE boots (x)")
    assert why_not_writable(file) == ""
    before = file.read_bytes()
    database.execute("BEGIN EXCLUSIVE")
    assert "locked" in why_not_writable(file)
    database.close()
    assert file.read_bytes() == before


# ---- the relay for one second ----


class Bench:
    """A relay on mock pins whose contact follows its coil as a test says, and a sleep that moves it."""

    def __init__(self, *, follows: bool = True, sticks: bool = False) -> None:
        self.spec = PinSpec(17, active_high=True, chip_label=None, pin_factory="mock", feedback_pin=27)
        self.slept: list[float] = []
        self._follows, self._sticks = follows, sticks

    def run(self, *, closed_before: bool = False) -> RelayReadings:
        with claimed(self.spec) as relay:
            factory: MockFactory = relay._factory
            contact = factory.pin(27)
            if closed_before:
                contact.drive_high()

            def sleep(seconds: float) -> None:
                self.slept.append(seconds)
                if self._follows and relay.is_energised():
                    contact.drive_high()

            off = relay.off

            def off_and_open() -> None:
                off()
                if not self._sticks:
                    contact.drive_low()

            relay.off = off_and_open  # type: ignore[method-assign]
            watched = close_for_a_second(relay, 0.05, sleep)
            assert not relay.is_energised()
            return watched


@pytest.mark.parametrize(
    ("bench", "closed_before", "outcome", "words"),
    [
        (Bench(), False, Outcome.OK, "closed for 1 s and opened again"),
        (Bench(follows=False), False, Outcome.WRONG, "the contact did not close"),
        (Bench(sticks=True), False, Outcome.WRONG, "the contact did not open"),
        (Bench(), True, Outcome.WRONG, "the contact reads closed although nothing was driven"),
    ],
)
def test_what_the_contact_does_is_told(bench: Bench, closed_before: bool, outcome: Outcome, words: str) -> None:
    step = relay_step(bench.run(closed_before=closed_before), 0.05)
    assert step.outcome == outcome
    assert words in step.found
    assert bench.slept[:1] == ([] if closed_before else [1.0])


def test_without_a_feedback_line_nothing_is_claimed_of_the_contact() -> None:
    step = relay_step(RelayReadings(energised=True, before=None, during=None, after=None), 0.5)
    assert (step.outcome, "relay.feedback_pin is not set" in step.found) == (Outcome.UNSURE, True)


class Installer:
    """A person at a terminal who runs the relay test, with the line of the mock pin recorded."""

    def __init__(self, folder: Path) -> None:
        self.line_file = folder / "line"
        (folder / "faults").mkdir()
        config = write_settings(folder / "heater.toml", settings(free_port()))
        rig = {"RIG_LINE": str(self.line_file), "RIG_FAULTS": str(folder / "faults")}
        command = [sys.executable, str(TESTS / "launcher.py"), "check", "--live", "--relay-test", "--json"]
        self.terminal = Terminal([*command, "--config", str(config)], folder, plain_environment(**rig))
        self.terminal.await_text("Type RELAY ON to continue: ")

    @property
    def levels(self) -> list[str]:
        rows = [row.split() for row in self.line_file.read_text().splitlines()]
        return [level for _t, pin, level in rows if pin == "GPIO17"]


def test_the_relay_closes_once_after_the_words_were_typed(tmp_path: Path) -> None:
    installer = Installer(tmp_path)
    assert "The tank must be full" in installer.terminal.shown
    assert installer.levels == []
    installer.terminal.type("RELAY ON")
    _code, out = installer.terminal.end()
    assert installer.levels == ["1", "0"]
    assert {step["id"]: step["state"] for step in json.loads(out)["steps"]}["relay"] == "unsure"


@pytest.mark.parametrize("answer", ["", "y", "yes", "relay on please"])
def test_anything_else_drives_nothing_and_is_exit_1(tmp_path: Path, answer: str) -> None:
    installer = Installer(tmp_path)
    installer.terminal.type(answer)
    code, out = installer.terminal.end()
    assert (code, installer.levels) == (1, [])
    assert "not confirmed" in out


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_that_ends_the_test_drives_off_first(tmp_path: Path, number: int) -> None:
    installer = Installer(tmp_path)
    installer.terminal.type("RELAY ON")
    eventually(lambda: installer.levels == ["1"], "the relay to be on")
    os.kill(installer.terminal.process.pid, number)
    code, _out = installer.terminal.end()
    assert installer.levels == ["1", "0"]
    assert code == (130 if number == signal.SIGINT else 128 + number)


def test_without_a_terminal_nothing_is_driven(tmp_path: Path) -> None:
    config = write_settings(tmp_path / "heater.toml", settings(free_port()))
    done = run_dumpload("check", "--live", "--relay-test", "--config", str(config), folder=tmp_path)
    assert done.returncode == 2
    assert "expected a terminal" in done.stderr


@pytest.mark.parametrize("words", [["--relay-test"], ["--live", "--report", "x.html"]])
def test_options_that_do_not_go_together_are_exit_2(tmp_path: Path, words: list[str]) -> None:
    config = write_settings(tmp_path / "heater.toml", settings(free_port()))
    assert run_dumpload("check", "--config", str(config), *words, folder=tmp_path).returncode == 2
