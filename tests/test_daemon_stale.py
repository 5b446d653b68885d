"""Telemetry that stops, is old, or only looks new: off in time, and never a reason to switch on."""

import json
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from brokers import HOST, Mosquitto
from daemons import CHARGE, CONFIRM_S, MAX_AGE_S, MIN_OFF_S
from netfaults import Peer, Proxy, RawBroker, Script, make_publish
from rig import FULL, Barge, Client, Heard, Source
from waiting import boot_clock, eventually, never

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

# Allowance for a loaded machine, on top of one tick of supervision.
LATE_S = 2.0

# Longer than the age limit, and than what counts as standing still.
STOOD_STILL_S = 4.0

# Within this a stream of good samples switches the load on.
LONG_ENOUGH_S = 2 * (CONFIRM_S + MIN_OFF_S)


def test_case_01_off_when_the_source_falls_silent(barge: Barge, protocol: str) -> None:
    daemon = barge.started_on(mqtt__protocol=protocol, control__min_on_s=60.0)  # a dwell that yields
    last_sent_at = barge.source.set(None)
    barge.expect("off", "data_lost")
    off = daemon.await_edge(on=False, after=last_sent_at)
    assert off.t - last_sent_at < MAX_AGE_S + LATE_S
    barge.await_status(relay="off", data="lost", state_of_charge=None)
    barge.comes_on(daemon)


def test_case_03_a_retained_value_alone_never_starts_the_load(barge: Barge, protocol: str) -> None:
    barge.client.publish(FULL, qos=1, retain=True)
    daemon = barge.start(mqtt__protocol=protocol)
    never(lambda: daemon.line, "the line moved", LONG_ENOUGH_S)
    status = barge.ask()
    assert (status["relay"], status["cause"], status["data"]) == ("off", "starting", "none")
    # MQTT 5 can ask the broker not to send what it keeps; 3.1.1 cannot, and what comes is rejected.
    assert (status["rejected"] > 0) == (protocol == "3.1.1")
    assert len(daemon.logged("rejected", reason="retained")) == (0 if protocol == "5" else 1)
    barge.comes_on(daemon)


def test_a_value_published_with_the_retain_flag_while_we_listen_is_live(barge: Barge, protocol: str) -> None:
    """The flag then only tells the broker to keep it; subscribers get it as a live message (3.1.1, 3.3.1.3)."""
    barge.start(mqtt__protocol=protocol)
    barge.client.publish(92.5, qos=1, retain=True)
    assert barge.ask()["state_of_charge"] == 92.5


def test_case_16_what_piled_up_during_a_stop_is_as_old_as_the_stop(barge: Barge) -> None:
    daemon = barge.started_on()
    daemon.signal(signal.SIGSTOP)
    went_on = boot_clock()
    time.sleep(STOOD_STILL_S)  # the source goes on: its samples pile up in the socket
    assert barge.source.set(None) > went_on + MAX_AGE_S
    daemon.signal(signal.SIGCONT)
    barge.expect("off", "data_lost")
    daemon.await_log("evidence_restarted", reason="stood still")
    assert barge.ask()["data"] == "lost"
    never(lambda: len(daemon.ons) > 1, "the back-log switched on", LONG_ENOUGH_S)
    barge.expect_no_change()
    barge.comes_on(daemon)


@pytest.mark.slow
def test_case_16_a_stop_within_the_age_limit_begins_the_evidence_anew(barge: Barge) -> None:
    confirm_s = 5.0
    daemon = barge.start(control__confirm_s=confirm_s, telemetry__state_of_charge__max_age_s=30.0)
    barge.source.set(FULL)
    barge.await_status(cause="confirming")
    daemon.signal(signal.SIGSTOP)
    time.sleep(STOOD_STILL_S)
    went_on = daemon.signal(signal.SIGCONT)
    assert daemon.await_edge(on=True, after=went_on).t > went_on + confirm_s


def test_case_20_samples_queued_in_a_persistent_session_are_not_heard(barge: Barge, protocol: str) -> None:
    Client(barge.broker.port, CHARGE, client_id="dumpload-barge", clean=False).close()
    for _ in range(200):
        barge.client.publish(FULL, qos=1)
    daemon = barge.start(mqtt__protocol=protocol)
    never(lambda: daemon.line, "the line moved", LONG_ENOUGH_S)
    assert barge.ask()["data"] == "none"
    barge.comes_on(daemon)


def test_a_session_that_the_broker_resumed_in_spite_of_us_is_no_evidence(
    barge: Barge, raw_broker: Callable[[Script], RawBroker]
) -> None:
    def script(broker: RawBroker, peer: Peer) -> None:
        peer.greet(session_present=True)
        peer.send(make_publish(CHARGE, b"98") * 1000)
        broker.serve(peer)

    broker = raw_broker(script)
    daemon = barge.daemon(mqtt__port=broker.port, mqtt__protocol="3.1.1").start()
    daemon.await_log("evidence_restarted", reason="resumed an old session")
    eventually(lambda: any(b'"confirming"' in payload for _, payload in broker.published), "the burst to be heard")
    never(lambda: daemon.line, "the line moved", LONG_ENOUGH_S)


@pytest.mark.parametrize(
    ("values", "cause"),
    [([FULL] * 50 + [90], "below_cut_in"), ([90] * 50 + [FULL], "confirming"), ([FULL] * 50, "confirming")],
    ids=["newest low", "newest high", "all high"],
)
def test_case_34_of_a_burst_only_the_newest_counts_and_it_cannot_start_the_load(
    barge: Barge, values: list[int], cause: str
) -> None:
    daemon = barge.start()
    for value in values[:-1]:
        barge.client.paho.publish(CHARGE, value)
    barge.client.publish(values[-1], qos=1)
    status = barge.ask()
    assert (status["state_of_charge"], status["cause"]) == (values[-1], cause)
    never(lambda: daemon.line, "the line moved", LONG_ENOUGH_S)
    barge.comes_on(daemon)


class Bridge:
    """A far broker that keeps the last value, and a near one bridged to it through a link that bounces."""

    def __init__(self, start: Callable[..., Mosquitto]) -> None:
        self.far = start(name="far")
        self.link = Proxy(self.far.port)
        way = f"address {HOST}:{self.link.port}"
        self.near = start("connection far", way, f"topic {CHARGE} in 1", "restart_timeout 1", name="near")
        self.client = Client(self.far.port)
        self.source = Source(self.client)

    def bounce(self, barge: Barge) -> None:
        """Cut the link, and wait until what the far broker keeps has come again, as if it were live."""
        before = len(arrivals(barge))
        self.link.cut()
        eventually(lambda: len(arrivals(barge)) > before, "the bridge to come back")
        assert not arrivals(barge)[-1].retained

    def close(self) -> None:
        self.source.close()
        self.client.close()
        self.link.close()


def arrivals(barge: Barge) -> list[Heard]:
    return [one for one in list(barge.client.heard) if one.topic == CHARGE]


@pytest.fixture
def bridge(mosquitto: Callable[..., Mosquitto]) -> Iterator[Bridge]:
    one = Bridge(mosquitto)
    yield one
    one.close()


@pytest.fixture
def bridged(tmp_path: Path, bridge: Bridge) -> Iterator[Barge]:
    one = Barge(tmp_path, bridge.near)
    yield one
    one.close()


@pytest.mark.mosquitto
@pytest.mark.slow
def test_case_10_a_bridge_that_bounces_delivers_an_old_value_as_live_which_cannot_start_the_load(
    bridge: Bridge, bridged: Barge
) -> None:
    daemon = bridged.start(telemetry__state_of_charge__max_age_s=1.0)
    bridge.client.publish(FULL, qos=1, retain=True)
    bridged.await_status(data="lost")
    bridge.bounce(bridged)
    assert bridged.ask()["cause"] == "confirming"
    bridged.await_status(data="lost")
    assert daemon.line == []
    bridge.source.set(FULL)
    bridged.expect("on", "surplus")


def stamped(value: float = FULL, age_s: float = 0.0) -> str:
    return json.dumps({"charge": value, "at": time.time() - age_s})


STAMPED = {"telemetry__state_of_charge__pointer": "/charge", "telemetry__state_of_charge__timestamp_pointer": "/at"}


@pytest.mark.mosquitto
@pytest.mark.slow
def test_case_10_with_timestamps_a_bridge_that_bounces_cannot_keep_the_load_on(bridge: Bridge, bridged: Barge) -> None:
    max_age_s = 8.0  # the broker takes five seconds to build its bridge again
    daemon = bridged.start(**STAMPED, telemetry__state_of_charge__max_age_s=max_age_s)
    bridge.source.set(stamped)
    bridged.expect("on", "surplus")
    bridge.source.set(None)
    last_sent_at = bridge.client.publish(stamped(), qos=1, retain=True)
    bridge.bounce(bridged)
    bridged.expect("off", "data_lost")
    assert daemon.await_edge(on=False, after=last_sent_at).t - last_sent_at < max_age_s + LATE_S


def test_case_10_with_timestamps_an_old_value_delivered_as_live_is_rejected(barge: Barge) -> None:
    daemon = barge.start(**STAMPED)
    barge.source.set(lambda: stamped(age_s=MAX_AGE_S))
    daemon.await_log("rejected", reason="too_old")
    never(lambda: daemon.line, "the line moved", LONG_ENOUGH_S)
    barge.source.set(lambda: stamped(age_s=-60))
    daemon.await_log("rejected", reason="from_future")
    assert barge.ask()["data"] == "none"
    barge.source.set(stamped)
    barge.expect("on", "surplus")
