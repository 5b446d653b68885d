"""The relay on its line: off first, read back, off wins against everything, and errors that say what to change.

Traces of calls and levels are in test_pin, the dead-man thread alone in test_deadman.
"""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fake_lgpio import BUSY, HEADER, WRITE_FAILED, FakeGpio, installed
from gpiozero import PinUnknownPi
from waiting import look_now

from dumpload.gpio.relay import PinSpec, Relay, RelayError

PIN, FEEDBACK_PIN = 17, 27
SPEC = PinSpec(PIN, active_high=True, chip_label=None, pin_factory="lgpio", feedback_pin=None)
NO_REVISION = "unable to locate Pi revision in /proc/device-tree or /proc/cpuinfo"
MOCK = SPEC._replace(pin_factory="mock")


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def gpio(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[FakeGpio]:
    with installed(FakeGpio(keeps_outputs=True), monkeypatch, tmp_path) as fake:
        yield fake


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def relay(gpio: FakeGpio, clock: Clock) -> Iterator[Relay]:
    relay = Relay(SPEC, clock)
    yield relay
    gpio.failures.clear()
    gpio.line(PIN).shorted = None
    relay.close()


def eventually(condition: Callable[[], bool]) -> bool:
    for _ in range(500):
        if condition():
            return True
        time.sleep(0.01)
    return False


# Driving


def test_the_relay_is_off_at_first_then_follows(relay: Relay) -> None:
    assert not relay.is_energised()
    relay.on(permit_until=1060.0)
    assert relay.is_energised()
    relay.off()
    assert not relay.is_energised()


def test_what_is_read_back_is_the_line_and_not_what_was_written(relay: Relay, gpio: FakeGpio) -> None:
    gpio.line(PIN).shorted = 1
    assert relay.is_energised()


def test_a_line_that_cannot_be_read_is_an_error(relay: Relay, gpio: FakeGpio) -> None:
    gpio.failures["gpio_read"] = ["bad GPIO read"]
    with pytest.raises(RelayError, match=r"^GPIO17 \(pinctrl-bcm2711\): bad GPIO read$"):
        relay.is_energised()


def test_off_tries_twice(relay: Relay, gpio: FakeGpio) -> None:
    relay.on(permit_until=1060.0)
    gpio.failures["gpio_write"] = [WRITE_FAILED]
    relay.off()
    assert not relay.is_energised()


def test_off_that_fails_twice_is_an_error_and_the_permit_still_runs_out(relay: Relay, gpio: FakeGpio) -> None:
    relay.on(permit_until=1060.0)
    gpio.failures["gpio_write"] = [WRITE_FAILED, WRITE_FAILED]
    with pytest.raises(RelayError, match=r"^GPIO17 \(pinctrl-bcm2711\): bad GPIO write$"):
        relay.off()
    relay._clock.now = 1060.0
    look_now(relay.deadman)
    assert eventually(lambda: gpio.line(PIN).level == 0)


def test_off_on_a_line_that_stays_on_is_an_error(relay: Relay, gpio: FakeGpio) -> None:
    gpio.line(PIN).shorted = 1
    with pytest.raises(RelayError, match="still reads on after being driven off: look for a short"):
        relay.off()


def test_on_that_reads_off_is_an_error_and_leaves_the_line_off(relay: Relay, gpio: FakeGpio) -> None:
    gpio.line(PIN).shorted = 0
    with pytest.raises(RelayError, match="reads off after being driven on: look for a short"):
        relay.on(permit_until=1060.0)
    assert gpio.line(PIN).driven == 0


def test_on_that_cannot_be_written_is_an_error_and_leaves_the_line_off(relay: Relay, gpio: FakeGpio) -> None:
    gpio.failures["gpio_write"] = [WRITE_FAILED]
    with pytest.raises(RelayError, match=WRITE_FAILED):
        relay.on(permit_until=1060.0)
    assert gpio.line(PIN).driven == 0


# Off wins


def test_once_shut_it_cannot_be_switched_on(relay: Relay) -> None:
    relay.on(permit_until=1060.0)
    relay.off_for_good()
    assert not relay.is_energised()
    relay.on(permit_until=1060.0)
    assert not relay.is_energised()


@pytest.mark.parametrize("ends", [Relay.off_for_good, Relay.off], ids=["off_for_good", "off"])
def test_a_signal_between_the_check_and_the_write_of_on_wins(
    relay: Relay, gpio: FakeGpio, ends: Callable[[Relay], None]
) -> None:
    def interrupt(_pin: int, level: int) -> None:
        if level == 1:
            signal.raise_signal(signal.SIGUSR1)

    previous = signal.signal(signal.SIGUSR1, lambda *_: ends(relay))
    gpio.before_write = interrupt
    try:
        relay.on(permit_until=1060.0)
    finally:
        signal.signal(signal.SIGUSR1, previous)
    assert not relay.is_energised()
    assert gpio.edges == [(PIN, 1), (PIN, 0)]
    assert not relay.deadman.has_expired()
    relay._clock.now = 2000.0
    assert not relay.deadman.has_expired(), "a permit is left armed"


def test_an_off_of_another_thread_while_on_is_being_written_wins(relay: Relay, gpio: FakeGpio) -> None:
    def interrupt(_pin: int, level: int) -> None:
        if level == 1:
            thread = threading.Thread(target=relay.off)
            thread.start()
            thread.join()

    gpio.before_write = interrupt
    relay.on(permit_until=1060.0)
    assert not relay.is_energised()


def test_off_does_not_wait_for_a_thread_that_never_lets_go(relay: Relay, gpio: FakeGpio) -> None:
    relay.on(permit_until=1060.0)
    held, leave = threading.Event(), threading.Event()

    def hold() -> None:
        with relay._lock:
            held.set()
            leave.wait()

    thread = threading.Thread(target=hold)
    thread.start()
    held.wait()
    relay.off()
    assert gpio.line(PIN).level == 0
    leave.set()
    thread.join()


def test_off_and_close_may_be_repeated_and_off_after_close_is_quiet(gpio: FakeGpio, clock: Clock) -> None:
    relay = Relay(SPEC, clock)
    relay.off()
    relay.off()
    relay.close()
    relay.close()
    relay.off()
    relay.on(permit_until=1060.0)
    assert not relay.is_energised()
    assert relay.is_contact_closed() is None
    assert gpio.edges == []


def test_close_lets_go_of_the_line_even_if_it_cannot_be_driven_off(gpio: FakeGpio, clock: Clock) -> None:
    relay = Relay(SPEC, clock)
    gpio.failures["gpio_write"] = [WRITE_FAILED, WRITE_FAILED]
    with pytest.raises(RelayError, match=WRITE_FAILED):
        relay.close()
    assert gpio.line(PIN).handle is None
    assert not relay.deadman.is_alive()


# The permit


def test_the_dead_man_drives_off_when_the_permit_has_run_out(relay: Relay, gpio: FakeGpio, clock: Clock) -> None:
    relay.on(permit_until=1060.0)
    relay.extend(1061.0)
    clock.now = 1060.5
    look_now(relay.deadman)
    time.sleep(0.05)
    assert relay.is_energised()
    assert relay.forced_off_at is None
    clock.now = 1061.0
    look_now(relay.deadman)
    assert eventually(lambda: relay.forced_off_at == 1061.0)
    assert gpio.edges == [(PIN, 1), (PIN, 0)]


def test_a_permit_renewed_while_the_dead_man_reached_for_the_lock_holds(relay: Relay) -> None:
    relay.on(permit_until=1060.0)
    relay._drive_off_if_expired()
    assert relay.is_energised()
    assert relay.forced_off_at is None


def test_on_clears_the_mark_of_a_forced_off(relay: Relay, clock: Clock) -> None:
    relay.on(permit_until=1060.0)
    clock.now = 1060.0
    look_now(relay.deadman)
    assert eventually(lambda: relay.forced_off_at is not None)
    relay.on(permit_until=1120.0)
    assert relay.forced_off_at is None
    assert relay.is_energised()


@pytest.mark.parametrize("permit_until", [999.0, 1000.0, float("nan"), float("inf")])
def test_on_without_a_permit_to_come_stays_off_and_counts_as_forced_off(relay: Relay, permit_until: float) -> None:
    relay.on(permit_until)
    assert not relay.is_energised()
    assert relay.forced_off_at == 1000.0


def test_the_dead_man_works_while_the_main_thread_is_stalled_in_python_code(gpio: FakeGpio) -> None:
    relay = Relay(SPEC, time.monotonic)
    relay.on(permit_until=time.monotonic() + 0.2)
    stalled_until = time.monotonic() + 5.0
    while gpio.line(PIN).level == 1 and time.monotonic() < stalled_until:
        pass
    assert gpio.line(PIN).level == 0
    relay.close()


def test_the_dead_man_does_not_wait_for_a_stall_inside_on(relay: Relay, gpio: FakeGpio, clock: Clock) -> None:
    """The main thread hangs right after switching on, the lock in its hand."""

    def stall(_pin: int, level: int) -> None:
        if level == 1:
            gpio.line(PIN).driven = 1
            clock.now = 1060.0
            look_now(relay.deadman)
            assert eventually(lambda: gpio.line(PIN).driven == 0)

    gpio.before_write = stall
    relay.on(permit_until=1060.0)
    assert not relay.is_energised()
    assert relay.forced_off_at == 1060.0


# Feedback


@pytest.fixture
def seen() -> list[bool]:
    return []


def test_edges_of_the_feedback_pin_are_told(gpio: FakeGpio, clock: Clock, seen: list[bool]) -> None:
    relay = Relay(SPEC._replace(feedback_pin=FEEDBACK_PIN), clock, seen.append)
    assert relay.is_contact_closed() is False
    gpio.drive(FEEDBACK_PIN, 1)
    gpio.drive(FEEDBACK_PIN, 0)
    assert seen == [True, False]
    relay.close()
    gpio.drive(FEEDBACK_PIN, 1)
    assert seen == [True, False]
    assert gpio.callbacks == []


def test_a_contact_closed_at_the_start_is_no_edge_but_can_be_read(
    gpio: FakeGpio, clock: Clock, seen: list[bool]
) -> None:
    gpio.line(FEEDBACK_PIN).pull = 1
    relay = Relay(SPEC._replace(feedback_pin=FEEDBACK_PIN), clock, seen.append)
    assert relay.is_contact_closed() is True
    assert seen == []
    gpio.failures["gpio_read"] = ["bad GPIO read"]
    with pytest.raises(RelayError, match="bad GPIO read"):
        relay.is_contact_closed()
    relay.close()


def test_without_a_feedback_pin_nothing_is_known_of_the_contact(relay: Relay) -> None:
    assert relay.is_contact_closed() is None


def test_a_feedback_pin_in_use_is_named_and_the_relays_line_is_let_go(gpio: FakeGpio, clock: Clock) -> None:
    gpio.hold(FEEDBACK_PIN, "bilge-alarm")
    with pytest.raises(RelayError, match=r'^GPIO27 \(pinctrl-bcm2711\) is in use, held by "bilge-alarm"'):
        Relay(SPEC._replace(feedback_pin=FEEDBACK_PIN), clock)
    assert gpio.line(PIN).handle is None


# Starts that fail


def test_a_line_in_use_is_named_with_its_holder_and_not_disturbed(gpio: FakeGpio, clock: Clock) -> None:
    gpio.hold(PIN, "galley-lights")
    with pytest.raises(RelayError, match=r'^GPIO17 \(pinctrl-bcm2711\) is in use, held by "galley-lights": stop that'):
        Relay(SPEC, clock)
    assert gpio.edges == []
    assert gpio.handles == {}


def test_a_line_that_reads_on_at_the_start_is_an_error(gpio: FakeGpio, clock: Clock) -> None:
    gpio.line(PIN).shorted = 1
    with pytest.raises(RelayError, match="still reads on after being driven off"):
        Relay(SPEC, clock)
    assert gpio.handles == {}


def test_a_computer_that_is_no_known_board_is_an_error(
    gpio: FakeGpio, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unknown() -> int:
        raise PinUnknownPi(NO_REVISION)

    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", unknown)
    with pytest.raises(RelayError, match=r"GPIO17 .*unable to locate.*expected a Raspberry Pi, and /proc open"):
        Relay(SPEC, clock)
    assert gpio.handles == {}


@pytest.mark.parametrize("factory", ["lgpio", "mock"])
def test_a_pin_that_the_board_does_not_have_is_an_error(gpio: FakeGpio, clock: Clock, factory: str) -> None:
    with pytest.raises(RelayError, match=r"GPIO99 .*expected the BCM number of a pin on this board's header"):
        Relay(SPEC._replace(pin=99, pin_factory=factory), clock)
    assert gpio.handles == {}


def test_one_pin_for_relay_and_feedback_is_an_error(gpio: FakeGpio, clock: Clock) -> None:
    with pytest.raises(RelayError, match=r"^GPIO17 .*already in use"):
        Relay(SPEC._replace(feedback_pin=PIN), clock)
    assert gpio.handles == {}


def test_a_chip_without_the_wanted_label_is_an_error(gpio: FakeGpio, clock: Clock) -> None:
    with pytest.raises(RelayError, match="one chip labelled pinctrl-rp1, found: pinctrl-bcm2711"):
        Relay(SPEC._replace(chip_label="pinctrl-rp1"), clock)
    assert gpio.handles == {}


# The record of the line, the mock


def test_the_line_is_on_record_from_start_to_close(
    gpio: FakeGpio, clock: Clock, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for folder in ("run", "state"):
        (tmp_path / folder).mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    relay = Relay(SPEC._replace(active_high=False), clock)
    for folder in ("run", "state"):
        assert (tmp_path / folder / "line").read_text() == f"{HEADER} {PIN} low\n"
    relay.close()
    assert [list(folder.iterdir()) for folder in tmp_path.iterdir() if folder.name != "dev"] == [[], []]
    assert gpio.handles == {}


def test_a_disk_that_takes_no_record_is_a_warning_and_the_relay_works(
    gpio: FakeGpio, clock: Clock, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "gone"))
    relay = Relay(SPEC, clock)
    assert "after a power cut only the settings name the line" in relay.warnings[-1]
    relay.on(permit_until=1060.0)
    assert gpio.line(PIN).level == 1
    relay.close()


@pytest.mark.parametrize("active_high", [True, False])
def test_the_mock_needs_no_hardware_and_leaves_no_record(
    active_high: bool, clock: Clock, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    relay = Relay(MOCK._replace(active_high=active_high, feedback_pin=FEEDBACK_PIN), clock, lambda _closed: None)
    relay.on(permit_until=1060.0)
    assert relay.is_energised()
    assert relay.is_contact_closed() is False
    relay.off()
    assert not relay.is_energised()
    relay.close()
    assert list(tmp_path.iterdir()) == []


def test_the_doubts_about_the_pin_are_kept_for_the_log(gpio: FakeGpio, clock: Clock) -> None:
    relay = Relay(SPEC._replace(pin=14, active_high=False), clock)
    assert [warning.split()[0] for warning in relay.warnings] == ["relay.active_high", "GPIO14"]
    relay.close()
    assert BUSY not in str(gpio.trace)
