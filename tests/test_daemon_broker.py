"""A broker, or the way to it, that fails: nothing changes at once, nothing is trusted anew, and it comes back."""

import json
from collections.abc import Callable

import pytest
from daemons import BASE, CHARGE, MAX_AGE_S, Daemon
from netfaults import (
    CONNACK,
    CONNECT,
    SUBACK,
    SUBSCRIBE,
    Peer,
    Proxy,
    RawBroker,
    Script,
    Way,
    make_packet,
    make_publish,
)
from rig import FULL, Barge, Client
from waiting import boot_clock, eventually, never

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

# Allowance for a loaded machine, on top of one tick of supervision.
LATE_S = 2.0

SHORT = {"RIG_BACK_OFF_S": "0.2"}
MUCH_KIB = 16 * 1024


def test_case_09_black_hole_link_while_on(barge: Barge, proxy: Proxy, protocol: str) -> None:
    """Off by the age of the data, long before the keepalive would notice."""
    daemon = barge.started_on(mqtt__port=proxy.port, mqtt__protocol=protocol, mqtt__keepalive_s=60)
    swallowed_at = boot_clock()
    proxy.way = Way.BLACK_HOLE
    assert daemon.await_edge(on=False, after=swallowed_at).t - swallowed_at < MAX_AGE_S + LATE_S
    assert not daemon.logged("broker_down")
    proxy.way = Way.PASS
    proxy.cut()
    barge.expect_over_a_cut("off", "data_lost")  # kept, and sent when the broker was there again
    barge.expect("on", "surplus")


def test_a_half_open_connection_is_noticed_and_replaced(barge: Barge, proxy: Proxy) -> None:
    """The broker still believes in the old one: it has to be taken over."""
    daemon = barge.started_on(mqtt__port=proxy.port, mqtt__keepalive_s=1)
    proxy.strand()
    daemon.await_log("broker_down", reason="Keep alive")
    daemon.await_log("broker_up", times=2)
    eventually(lambda: barge.presence == "up" and proxy.accepted > 1, "the daemon to be up again")
    barge.client.publish(61.5, qos=1)


def test_what_was_heard_before_a_reconnection_is_no_evidence_for_surplus(barge: Barge, proxy: Proxy) -> None:
    confirm_s = 2.0
    daemon = barge.daemon(mqtt__port=proxy.port, control__confirm_s=confirm_s)
    daemon.environ.update(SHORT)
    daemon.start()
    barge.source.set(FULL)
    barge.await_status(cause="confirming")
    never(lambda: daemon.line, "on before it was confirmed", confirm_s / 2)
    cut_at = boot_clock()
    proxy.cut()
    assert daemon.await_edge(on=True, after=cut_at).t > cut_at + confirm_s


@pytest.mark.slow
def test_case_21_six_broker_restarts_while_on_and_off(barge: Barge) -> None:
    daemon = barge.daemon()
    daemon.environ.update(SHORT)
    daemon.start()
    barge.source.set(FULL)
    barge.expect("on", "surplus")
    for round_ in range(6):
        barge.broker.stop()
        if round_ % 2:  # long enough for the data to be lost
            eventually(lambda: not daemon.line[-1].on, "the line to go off")
        barge.broker.start()
        daemon.await_log("broker_up", times=round_ + 2)
        eventually(lambda: daemon.line[-1].on, "the load to be on again")
    assert len(daemon.ons) <= 7
    assert daemon.stop() == 0


@pytest.mark.parametrize("way", [Way.TARPIT, Way.HALF_CONNACK, Way.GARBAGE], ids=lambda way: way.name.lower())
def test_case_44_a_broker_that_makes_no_sense_is_left_and_tried_again(barge: Barge, proxy: Proxy, way: Way) -> None:
    proxy.way = way
    daemon = barge.daemon(mqtt__port=proxy.port, mqtt__keepalive_s=1)
    daemon.environ.update(SHORT)
    daemon.start()
    eventually(lambda: proxy.accepted >= 2, "a second try")
    before = daemon.memory_kib("VmRSS")
    tries = proxy.accepted
    eventually(lambda: proxy.accepted >= tries + (3 if way is Way.GARBAGE else 1), "more tries")
    assert daemon.memory_kib("VmRSS") - before < MUCH_KIB
    assert daemon.line == []
    proxy.way = Way.PASS
    proxy.cut()
    barge.await_presence("up")
    barge.comes_on(daemon)


def test_up_only_once_the_subscriptions_are_acknowledged(
    barge: Barge, raw_broker: Callable[[Script], RawBroker]
) -> None:
    def script(broker: RawBroker, peer: Peer) -> None:
        assert peer.read().kind == CONNECT
        peer.send(make_packet(CONNACK, b"\0\0"))
        subscribe = peer.read()
        assert subscribe.kind == SUBSCRIBE
        peer.send(make_publish(CHARGE, b"98"))  # a broker may send before it acknowledges
        waiting.append((peer, make_packet(SUBACK, subscribe.body[:2] + b"\0\1")))
        broker.serve(peer)

    waiting: list[tuple[Peer, bytes]] = []
    broker = raw_broker(script)
    barge.daemon(mqtt__port=broker.port, mqtt__protocol="3.1.1").start()
    eventually(lambda: waiting, "the subscription")
    never(lambda: broker.published, "published", 0.5)
    peer, acknowledgement = waiting[0]
    peer.send(acknowledgement)
    eventually(lambda: (f"{BASE}/presence", b"up") in broker.published, "the presence up")


def test_a_refused_subscription_is_no_connection(barge: Barge, raw_broker: Callable[[Script], RawBroker]) -> None:
    def script(broker: RawBroker, peer: Peer) -> None:
        peer.greet(refuse_subscriptions=broker.connections == 1)
        broker.serve(peer)

    broker = raw_broker(script)
    daemon = barge.daemon(mqtt__port=broker.port, mqtt__protocol="3.1.1").start()
    daemon.await_log("broker_down", reason=CHARGE)
    assert not broker.published
    eventually(lambda: (f"{BASE}/presence", b"up") in broker.published, "the presence up at the second try")


def toggles(peer: Peer, count: int) -> None:
    """Switch the load on and off, fast."""
    for _ in range(count):
        peer.send(make_publish(CHARGE, b"98") + make_publish(CHARGE, b"40"))


@pytest.mark.parametrize("then", ["is lost", "acknowledges at last"])
def test_case_46_events_flood_while_the_broker_acknowledges_nothing(
    barge: Barge, raw_broker: Callable[[Script], RawBroker], then: str
) -> None:
    """At most a hundred are on the way and a hundred wait; older ones are dropped, and the newest arrives last."""

    def script(broker: RawBroker, peer: Peer) -> None:
        peer.greet()
        if broker.connections == 1:
            peers.append(peer)
            toggles(peer, 400)
        broker.serve(peer)

    peers: list[Peer] = []
    broker = raw_broker(script)
    broker.acknowledges = False
    quick = {"control__confirm_s": 0, "control__min_on_s": 0, "control__min_off_s": 0}
    quick["telemetry__state_of_charge__max_age_s"] = 600  # a starved daemon must not find the last ones too old
    daemon = barge.daemon(mqtt__port=broker.port, mqtt__protocol="3.1.1", mqtt__keepalive_s=600, **quick)
    daemon.environ.update(SHORT)
    daemon.start()
    eventually(lambda: len(daemon.logged("relay_changed")) == 800, "800 changes")  # logged after they are at the pin
    broker.acknowledges = True
    if then == "is lost":
        broker.published.clear()
        broker.drop()
    else:
        broker.pay(peers[0])
    newest = daemon.logged("relay_changed")[-1]["at"]
    eventually(lambda: changes(broker) and changes(broker)[-1]["at"] == newest, "the newest change")
    assert 100 <= len(changes(broker)) <= 200
    assert [change["relay"] for change in changes(broker)][-100:] == ["on", "off"] * 50
    moments = [change["at"] for change in changes(broker)]
    assert moments == sorted(moments)


def changes(broker: RawBroker) -> list[dict[str, object]]:
    return [json.loads(payload) for topic, payload in list(broker.published) if topic == f"{BASE}/change"]


def test_case_46_requests_flood_while_the_broker_acknowledges_nothing(
    barge: Barge, raw_broker: Callable[[Script], RawBroker]
) -> None:
    """Each is refused, and each refusal is published: what waits for its acknowledgement must not grow for ever."""

    def script(broker: RawBroker, peer: Peer) -> None:
        peer.greet()
        ready.append(peer)
        broker.serve(peer)

    ready: list[Peer] = []
    broker = raw_broker(script)
    broker.acknowledges = False
    daemon = barge.daemon(mqtt__port=broker.port, mqtt__protocol="3.1.1", control__confirm_s=0).start()
    eventually(lambda: ready and broker.published, "the daemon to be up")
    before = daemon.memory_kib("VmRSS")
    ready[0].send(make_publish(f"{BASE}/request", b"{}") * 20_000 + make_publish(CHARGE, b"98"))
    eventually(lambda: daemon.ons, "the end of it")
    assert daemon.memory_kib() - before < MUCH_KIB


def test_the_newest_status_arrives_though_the_broker_was_slow_to_acknowledge(
    barge: Barge, raw_broker: Callable[[Script], RawBroker]
) -> None:
    def script(broker: RawBroker, peer: Peer) -> None:
        peer.greet()
        for selector in ("hand", "auto") * 150 + ("off",):
            peer.send(make_publish(f"{BASE}/request", f'{{"selector":"{selector}"}}'.encode()))
        peers.append(peer)
        broker.serve(peer)

    peers: list[Peer] = []
    broker = raw_broker(script)
    broker.acknowledges = False
    daemon = barge.daemon(mqtt__port=broker.port, mqtt__protocol="3.1.1").start()
    eventually(lambda: any("off" in entry["text"] for entry in daemon.logged("request")), "the newest request")
    broker.acknowledges = True
    broker.pay(peers[0])
    eventually(lambda: any(b'"selector":"off"' in payload for _, payload in list(broker.published)), "the last status")


@pytest.mark.parametrize("acknowledges", [True, False])
def test_a_goodbye_that_was_not_acknowledged_leaves_the_will_to_the_broker(
    barge: Barge, raw_broker: Callable[[Script], RawBroker], acknowledges: bool
) -> None:
    def script(broker: RawBroker, peer: Peer) -> None:
        peer.greet()
        broker.serve(peer)

    broker = raw_broker(script)
    daemon = barge.daemon(mqtt__port=broker.port, mqtt__protocol="3.1.1").start()
    eventually(lambda: (f"{BASE}/presence", b"up") in broker.published, "the presence up")
    broker.acknowledges = acknowledges
    assert daemon.stop() == 0
    eventually(lambda: (f"{BASE}/presence", b"down") in broker.published, "the presence down")
    assert broker.goodbyes == int(acknowledges)


@pytest.mark.mosquitto  # the embedded broker lets both stay
@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_case_27_and_32_two_of_the_same_client_id_fight_and_neither_harms(barge: Barge, version: str) -> None:
    """Each says why: it stands in the log, and in the status, which either of them may have published."""
    first = barge.daemon(mqtt__protocol=version)
    second = barge.daemon(name="second", mqtt__protocol=version)
    for daemon in (first, second):
        daemon.environ.update(SHORT)
    first.start()
    barge.source.set(FULL)
    barge.expect("on", "surplus")
    second.start()
    for daemon in (first, second):
        daemon.await_log("broker_down")
        daemon.await_log("broker_up", times=5)
        daemon.await_log("fault", part="client id", text="'dumpload-barge'")
    eventually(lambda: "mqtt.client_id" in "".join(barge.status["notes"]), "a status that says why")
    silent_at = barge.source.set(None)
    for daemon in (first, second):
        eventually(lambda daemon=daemon: is_off(daemon), "both to be off")
        assert all(edge.t < silent_at + MAX_AGE_S + LATE_S for edge in daemon.line)
    second.stop()
    barge.await_presence("up")
    barge.source.set(FULL)
    eventually(lambda: not is_off(first), "the first to be on again")


def is_off(daemon: Daemon) -> bool:
    return not daemon.line or not daemon.line[-1].on


@pytest.mark.mosquitto
def test_another_client_that_keeps_taking_our_place_does_not_switch_the_load(barge: Barge) -> None:
    daemon = barge.daemon()
    daemon.environ.update(SHORT)
    daemon.start()
    barge.await_presence("up")
    barge.client.publish(FULL, qos=1, retain=True)
    for _ in range(5):
        ups = len(daemon.logged("broker_up"))
        Client(barge.broker.port, client_id="dumpload-barge").close()
        daemon.await_log("broker_up", times=ups + 1)
    assert daemon.line == []
