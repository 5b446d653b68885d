"""Faults inside: a pin that fails, an event loop that stands still, a log that nobody reads. Never stuck on."""

import os
import signal
import subprocess
from collections.abc import Iterator

import pytest
from daemons import BASE, MAX_AGE_S, run_dumpload
from rig import FULL, Barge
from waiting import boot_clock, never

from dumpload.daemon.service import HARD_STOP_S

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

# Allowance for a loaded machine, on top of one tick of supervision.
LATE_S = 2.0

# Within this good telemetry would have switched on.
PATIENT_S = 1.2


@pytest.mark.parametrize("way", ["a low charge", "a signal", "data lost"])
def test_case_30_a_pin_that_cannot_be_written_off_ends_the_daemon_with_an_error(barge: Barge, way: str) -> None:
    """The next layers are the service manager's: the command off, and what the installation does by itself."""
    barge.complaints_expected = True
    daemon = barge.started_on()
    daemon.set_fault("off_raises")
    if way == "a low charge":
        barge.source.set(40)
    elif way == "data lost":
        barge.source.set(None)
    else:
        daemon.signal(signal.SIGTERM)
    assert daemon.wait() == 1
    status = barge.await_status(relay="on", cause="lockout", lockout="pin_fault")
    assert status["notes"] == ["pin: it could not be driven off and may be on: open the isolator"]
    assert [change["relay"] for change in barge.changes] == ["on"]
    assert way == "a signal" or "Input/output error" in daemon.logged("failed")[0]["text"]
    assert "Input/output error" in daemon.logged("pin_fault")[-1]["text"]
    assert not [entry for entry in daemon.log if "raw" in entry]
    off = run_dumpload("off", "--config", str(daemon.config), folder=daemon.folder)
    assert (off.returncode, "nothing was driven" in off.stdout) == (1, True)  # the pin here is a mock, and it says so


def test_case_31_a_pin_that_reads_back_off_while_on_is_driven_off_and_locked_out_until_a_person_resets_it(
    barge: Barge,
) -> None:
    barge.complaints_expected = True
    daemon = barge.started_on()
    daemon.set_fault("reads_low")
    barge.expect("off", "lockout")
    daemon.await_log("pin_mismatch")
    barge.await_status(lockout="pin_fault", relay="off")
    daemon.clear_fault("reads_low")
    never(lambda: daemon.line[-1].on, "on in spite of the lockout", PATIENT_S)
    barge.ask(reset=True)
    barge.expect("on", "surplus")


def test_case_31_a_pin_that_cannot_be_driven_off_when_it_reads_on_ends_the_daemon(barge: Barge) -> None:
    barge.complaints_expected = True
    daemon = barge.start()
    daemon.set_fault("reads_high")
    assert daemon.wait() == 1
    assert "still reads on" in daemon.logged("failed")[0]["text"]
    assert "still reads on" in daemon.logged("pin_fault")[-1]["text"]
    assert not [entry for entry in daemon.log if "raw" in entry]
    assert daemon.line == []


def test_case_31_a_pin_that_does_not_follow_when_driven_on_locks_out(barge: Barge) -> None:
    barge.complaints_expected = True
    daemon = barge.start()
    daemon.set_fault("reads_low")
    barge.source.set(FULL)
    barge.expect("on", "surplus")
    barge.expect("off", "lockout")
    barge.await_status(lockout="pin_fault")
    assert not daemon.line[-1].on


def test_case_12_a_loop_that_stands_still_cannot_keep_the_load_on_and_recovers(barge: Barge) -> None:
    daemon = barge.started_on()
    stalled_at = barge.client.publish(f"stall {2 * MAX_AGE_S}", qos=1)
    off = daemon.await_edge(on=False, after=stalled_at)
    assert off.t < stalled_at + MAX_AGE_S + LATE_S
    assert off.t < stalled_at + 2 * MAX_AGE_S, "not before the loop went on"
    barge.expect("off", "data_lost")
    barge.expect("on", "surplus")  # what piled up was as old as the stall; what came after is not
    assert daemon.ons[-1] > stalled_at + 2 * MAX_AGE_S


@pytest.mark.slow
def test_case_05_a_signal_while_the_loop_stands_still_drives_off_at_once_and_ends_by_force(barge: Barge) -> None:
    daemon = barge.started_on(telemetry__state_of_charge__max_age_s=60)
    barge.client.publish("stall 60", qos=1)
    barge.source.set(None)
    never(lambda: not daemon.line[-1].on, "the stall alone drove off", 0.5)
    asked_at = daemon.signal(signal.SIGTERM)
    assert daemon.await_edge(on=False, after=asked_at).t < asked_at + 1.0 + LATE_S
    assert daemon.wait() == -signal.SIGALRM
    assert boot_clock() - asked_at < HARD_STOP_S + LATE_S


@pytest.fixture(params=["a full disk", "a reader that has gone", "a reader that stands still"])
def bad_stderr(request: pytest.FixtureRequest) -> Iterator[int]:
    """A standard error that takes nothing, or nothing more after 64 KiB."""
    if request.param == "a full disk":
        descriptors = [os.open("/dev/full", os.O_WRONLY)]
    else:
        reading, writing = os.pipe()
        descriptors = [writing, reading]
        if request.param == "a reader that has gone":
            os.close(descriptors.pop())
    yield descriptors[0]
    for descriptor in descriptors:
        os.close(descriptor)


def test_case_22_a_log_that_cannot_be_written_does_not_touch_the_relay(barge: Barge, bad_stderr: int) -> None:
    daemon = barge.daemon().start(stderr=bad_stderr)
    barge.await_presence("up")
    for _ in range(1000):  # each accepted request is a line: more than a pipe holds
        barge.client.paho.publish(f"{BASE}/request", '{"selector":"auto"}')
    barge.source.set(FULL)
    barge.expect("on", "surplus")
    low_at = barge.source.set(40)
    barge.expect("off", "below_floor")
    assert daemon.await_edge(on=False, after=low_at).t < low_at + LATE_S
    barge.comes_on(daemon)
    asked_at = daemon.signal(signal.SIGTERM)
    assert daemon.await_edge(on=False, after=asked_at).t < asked_at + 1.0 + LATE_S
    assert daemon.wait() == 0


def test_case_22_without_any_standard_streams_it_still_runs(barge: Barge) -> None:
    daemon = barge.daemon(records=False)
    with subprocess.Popen(["sh", "-c", 'exec "$@" <&- >&- 2>&-', "sh", *daemon.command], cwd=daemon.folder) as process:
        try:
            barge.await_presence("up")
            barge.source.set(FULL)
            barge.expect("on", "surplus")
        finally:
            process.terminate()
        assert process.wait() == 0
    barge.expect("off", "stopping")
    barge.await_presence("down")
