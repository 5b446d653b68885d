"""One connection to a broker, from connect to loss, against a broker that follows a script."""

import asyncio
import gc
import socket
import threading
import time
import warnings
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from loopback_tls import server_context, write_certificate
from scripted_broker import (
    BAD_LOGIN_5,
    BAD_LOGIN_311,
    DENIED,
    DISCONNECT,
    PINGREQ,
    PINGRESP,
    PUBACK,
    PUBLISH,
    Ear,
    Peer,
    ScriptedBroker,
    encode,
    eventually,
    options_for,
    scripted_broker,
)

from dumpload.core.decode import MAX_PAYLOAD_BYTES
from dumpload.mqtt import Message, Subscription
from dumpload.mqtt import session as mqtt_session
from dumpload.mqtt.client import CHUNK_BYTES, MAX_PACKET_BYTES, NO_LIMITS
from dumpload.mqtt.session import STALL_S, Session

both_protocols = pytest.mark.parametrize("protocol", ["5", "3.1.1"])

START = 1000.0

# Property identifiers in CONNACK (MQTT 5.0, section 2.2.2.2).
SERVER_KEEP_ALIVE, MAXIMUM_QOS = b"\x13", b"\x24"
RETAIN_AVAILABLE, MAXIMUM_PACKET_SIZE = b"\x25", b"\x27"


class Clock:
    """A monotonic clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> float:
        return self.now


class Line(NamedTuple):
    """A session, who listens to it, and the broker at the other end."""

    session: Session
    ear: Ear
    broker: ScriptedBroker

    @property
    def peer(self) -> Peer:
        return self.broker.peers[-1]

    async def loss(self) -> str:
        return await asyncio.wait_for(asyncio.shield(self.session.lost), 5)


Script = Callable[[Peer], Coroutine[Any, Any, None]]


@asynccontextmanager
async def session_to(
    script: Script, *, clock: Callable[[], float] = time.monotonic, **changes: Any
) -> AsyncIterator[Line]:
    """Open a session to a scripted broker; nothing may escape from it into the event loop."""
    escaped: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _loop, context: escaped.append(context))
    tls = changes.pop("server_tls", None)
    async with scripted_broker(script, tls) as broker:
        ear = Ear()
        session = Session(options_for(broker.port, **changes), ear, clock)
        try:
            await session.open()
            yield Line(session, ear, broker)
        finally:
            session.close()
    assert not escaped


async def let_in(peer: Peer) -> None:
    """Let the client in and answer what it sends."""
    await peer.accept()
    await peer.serve()


# ---- coming up ----


@both_protocols
async def test_the_session_is_up_only_once_every_subscription_is_acknowledged(protocol: str) -> None:
    acknowledge = asyncio.Event()

    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack())
        packet_id = await peer.await_subscribe()
        await acknowledge.wait()
        await peer.send(peer.suback(packet_id, 0, 1))
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        await eventually(lambda: line.broker.peers and line.peer.subscribed)
        assert (line.session.is_up, line.ear.told) == (False, [])
        acknowledge.set()
        await eventually(lambda: line.ear.is_up)
        assert line.session.is_up


@pytest.mark.parametrize(("protocol", "code"), [("5", BAD_LOGIN_5), ("3.1.1", BAD_LOGIN_311)])
async def test_a_refused_login_ends_the_session_and_says_which_settings_to_look_at(protocol: str, code: int) -> None:
    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack(code))
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        reason = await line.loss()
        assert reason.startswith("the broker refused: ")
        assert "mqtt.password_file" in reason
        assert line.ear.told == []


@pytest.mark.parametrize(("protocol", "code"), [("5", DENIED), ("3.1.1", 0x80)])
async def test_a_denied_subscription_ends_the_session_and_names_the_topic(protocol: str, code: int) -> None:
    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack())
        await peer.send(peer.suback(await peer.await_subscribe(), 0, code))
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        reason = await line.loss()
        assert reason == "the broker does not allow subscribing to dumpload/barge/request (its access rules)"
        assert line.ear.told == []


@both_protocols
@pytest.mark.parametrize(("codes", "count"), [((0,), 1), ((0, 1, 0), 3)])
async def test_an_acknowledgement_of_fewer_subscriptions_or_more_is_none(
    protocol: str, codes: tuple[int, ...], count: int
) -> None:
    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack())
        await peer.send(peer.suback(await peer.await_subscribe(), *codes), peer.message("barge/bank", b"98"))
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        assert (await line.loss()).endswith(f"{count} subscriptions acknowledged, requested were 2")
        assert line.ear.told == []


@both_protocols
async def test_the_acknowledgement_of_another_subscription_is_none(protocol: str) -> None:
    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack())
        await peer.send(peer.suback(await peer.await_subscribe() + 1), peer.message("barge/bank", b"98"))
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        assert (await line.loss()).endswith("a subscription acknowledged that is not ours")
        assert line.ear.told == []


@both_protocols
async def test_up_is_told_once(protocol: str) -> None:
    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack())
        packet_id = await peer.await_subscribe()
        await peer.send(peer.suback(packet_id, 0, 1), peer.suback(packet_id, 0, 1))
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        await line.loss()
        assert line.ear.told == [("up", None)]


FIRST_PACKETS = {
    "a message": lambda peer: peer.message("barge/bank", b"98"),
    "a retained one": lambda peer: peer.message("barge/bank", b"98", retain=True),
    "a subscription acknowledged": lambda peer: peer.suback(1, 0, 1),
    "an answer to a ping": lambda _peer: encode(PINGRESP),
}


@both_protocols
@pytest.mark.parametrize("first", FIRST_PACKETS)
async def test_whatever_comes_before_the_broker_has_accepted_us_ends_the_session(protocol: str, first: str) -> None:
    """MQTT 5.0, statement MQTT-3.2.0-1 (and 3.1.1, the same): the first packet from the server is CONNACK."""

    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(FIRST_PACKETS[first](peer), peer.connack())
        await peer.send(peer.suback(await peer.await_subscribe()))
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        assert "first packet" in await line.loss()
        assert line.ear.told == []


@both_protocols
async def test_a_connection_is_accepted_once(protocol: str) -> None:
    """MQTT 5.0, statement MQTT-3.2.0-2."""

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(peer.connack())
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        assert "first packet" in await line.loss()


@both_protocols
async def test_a_message_from_before_up_is_none_but_a_retained_one_may_be_shown(protocol: str) -> None:
    """MQTT 5.0, section 3.8.4: messages may come before the subscription is acknowledged."""

    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack())
        packet_id = await peer.await_subscribe()
        await peer.publish("barge/bank", b"96", retain=True)
        await peer.publish("barge/bank", b"97")
        await peer.send(peer.suback(packet_id, 0, 1))
        await peer.publish("barge/bank", b"98")
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        await eventually(lambda: b"98" in line.ear.payloads)
        assert [kind for kind, _ in line.ear.told] == ["message", "up", "message"]
        assert [message[1:3] for message in line.ear.of("message")] == [(b"96", True), (b"98", False)]


@both_protocols
async def test_a_session_that_the_broker_says_it_resumed_puts_the_evidence_in_doubt(protocol: str) -> None:
    async def script(peer: Peer) -> None:
        await peer.accept(session_present=True)
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        await eventually(lambda: line.ear.is_up)
        [reason] = line.ear.of("doubt")
        assert "resumed an old session" in reason


async def test_small_packets_are_not_held_back() -> None:
    async with session_to(let_in) as line:
        await eventually(lambda: line.ear.is_up)
        sock: Any = line.session._client.socket()
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


# ---- not coming up ----


async def test_a_refused_connection_is_an_os_error() -> None:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        session = Session(options_for(sock.getsockname()[1]), Ear(), time.monotonic)
        with pytest.raises(ConnectionRefusedError):
            await session.open()
        session.close()


async def test_what_the_library_thinks_of_the_options_is_an_os_error_too() -> None:
    session = Session(options_for(1, host=""), Ear(), time.monotonic)
    with pytest.raises(OSError, match="ValueError: Invalid host"):
        await session.open()
    session.close()


async def test_a_password_that_is_not_text_is_an_os_error_that_does_not_show_it(tmp_path: Path) -> None:
    file = tmp_path / "password"
    file.write_bytes(b"brass-kettle-\xff")
    session = Session(options_for(1, username="barge", password_file=file), Ear(), time.monotonic)
    with pytest.raises(OSError, match="password_file: expected UTF-8 text") as caught:
        await session.open()
    assert "brass" not in str(caught.value)
    session.close()


async def test_a_connection_that_is_gone_before_it_can_be_read_ends_the_session(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(mqtt_session, "connect", lambda *_arguments: None)
    session = Session(options_for(1), Ear(), time.monotonic)
    await session.open()
    assert session.lost.result() == "the connection was closed while being established"


async def test_a_connection_that_nobody_waits_for_any_more_is_no_harm(monkeypatch: pytest.MonkeyPatch) -> None:
    slow, done = threading.Event(), threading.Event()

    def connect_slowly(*_arguments: object) -> None:
        slow.wait(10)
        done.set()

    monkeypatch.setattr(mqtt_session, "connect", connect_slowly)
    session = Session(options_for(1), Ear(), time.monotonic)
    opening = asyncio.ensure_future(session.open())
    await asyncio.sleep(0)
    opening.cancel()
    session.drop()
    slow.set()
    await eventually(done.is_set)
    await asyncio.sleep(0.01)  # for the report
    assert opening.cancelled()


async def test_a_broker_that_accepts_and_then_says_nothing_is_given_up() -> None:
    clock = Clock()

    async def silent(peer: Peer) -> None:
        await peer.await_connect()
        await peer.serve()

    async with session_to(silent, clock=clock, keepalive_s=8) as line:
        clock.now += 8.0
        line.session.tick()
        assert not line.session.lost.done()
        clock.now += 0.1
        line.session.tick()
        assert await line.loss() == "the broker accepted the connection, then did not answer"


# ---- being lost ----


async def test_the_broker_closing_the_connection_ends_the_session() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()

    async with session_to(script) as line:
        assert (await line.loss()).startswith("the connection was lost: ")
        assert not line.session.is_up


async def test_a_reset_connection_ends_the_session() -> None:
    async with session_to(let_in) as line:
        await eventually(lambda: line.ear.is_up)
        line.peer.reset()
        assert (await line.loss()).startswith("the connection was lost: ")


async def test_a_broker_that_goes_silent_ends_the_session(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock()
    monkeypatch.setattr("paho.mqtt.client.time_func", clock)

    async def script(peer: Peer) -> None:
        await peer.accept()
        await asyncio.Event().wait()

    async with session_to(script, clock=clock, keepalive_s=10) as line:
        await eventually(lambda: line.ear.is_up)
        for _ in range(9):
            clock.now += 1.0
            line.session.tick()
        assert not line.session.lost.done()
        for _ in range(12):
            clock.now += 1.0
            line.session.tick()
        assert await line.loss() == "the connection was lost: Keep alive timeout"


async def test_a_broker_that_answers_pings_keeps_the_session(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock()
    monkeypatch.setattr("paho.mqtt.client.time_func", clock)
    async with session_to(let_in, clock=clock, keepalive_s=10) as line:
        await eventually(lambda: line.ear.is_up)
        for _ in range(35):
            clock.now += 1.0
            line.session.tick()
            await asyncio.sleep(0.005)
        assert not line.session.lost.done()
        assert [packet.kind for packet in line.peer.seen].count(12) >= 3


@pytest.mark.parametrize("asked_s", [0, 65535])
async def test_a_broker_that_wants_no_pings_is_pinged_all_the_same(
    monkeypatch: pytest.MonkeyPatch, asked_s: int
) -> None:
    """MQTT 5.0, section 3.2.2.3.14: 0 turns the keepalive off, and with it once went the notice of a dead link."""
    clock = Clock()
    monkeypatch.setattr("paho.mqtt.client.time_func", clock)

    async def script(peer: Peer) -> None:
        await peer.accept(properties=SERVER_KEEP_ALIVE + asked_s.to_bytes(2, "big"))
        await asyncio.Event().wait()

    async with session_to(script, clock=clock, keepalive_s=10) as line:
        await eventually(lambda: line.ear.is_up)
        for _ in range(30):
            clock.now += 1.0
            line.session.tick()
        assert await line.loss() == "the connection was lost: Keep alive timeout"


async def test_a_broker_that_wants_more_pings_gets_them(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock()
    monkeypatch.setattr("paho.mqtt.client.time_func", clock)

    async def script(peer: Peer) -> None:
        await peer.accept(properties=SERVER_KEEP_ALIVE + b"\0\x03")
        await peer.serve()

    async with session_to(script, clock=clock, keepalive_s=600) as line:
        await eventually(lambda: line.ear.is_up)
        for pings in range(1, 4):
            for _ in range(3):
                clock.now += 1.0
                line.session.tick()
            await eventually(lambda pings=pings: [p.kind for p in line.peer.seen].count(PINGREQ) == pings)
            await eventually(lambda: not line.session._client._ping_t)


@both_protocols
async def test_a_broker_that_acknowledges_nothing_for_three_keepalives_is_given_up(
    monkeypatch: pytest.MonkeyPatch, protocol: str
) -> None:
    """It answers pings, and sends: but nothing of ours gets through."""
    clock = Clock()
    monkeypatch.setattr("paho.mqtt.client.time_func", clock)

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.serve(acknowledge=False, until=1)
        await peer.acknowledge(peer.packet_ids[0])
        await peer.serve(acknowledge=False)

    def publish() -> None:
        line.session.publish("dumpload/barge/status", "{}", qos=1, retain=True, expires_s=None)

    async with session_to(script, clock=clock, keepalive_s=10, protocol=protocol) as line:
        await eventually(lambda: line.ear.is_up)
        clock.now += 100.0  # nothing waits to be acknowledged
        publish()
        await eventually(lambda: not line.session._unacknowledged)
        publish()
        for second in range(31):
            assert not line.session.lost.done(), second
            clock.now += 1.0
            line.session.tick()
            await line.peer.publish("barge/bank", b"98")
            await eventually(lambda: line.session.drained_at == clock.now)
            await asyncio.sleep(0.002)  # for the answer to a ping
        assert await line.loss() == "the broker has acknowledged nothing for 31 s"


async def test_being_taken_over_says_that_the_client_id_must_be_unique() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(encode(DISCONNECT, b"\x8e\x00"))
        await peer.serve()

    async with session_to(script) as line:
        assert await line.loss() == "another client connected as 'barge' (mqtt.client_id must be unique)"


@pytest.mark.parametrize(
    "junk",
    [
        pytest.param(encode(PUBLISH), id="a publication without a topic"),
        pytest.param(encode(PUBLISH, b"\x00\x09barge"), id="a topic cut short"),
        pytest.param(encode(PUBLISH, b"\x00\x05barge\x01", 6), id="a quality of service that does not exist"),
        pytest.param(encode(9, b"\x00"), id="a subscription acknowledged in one byte"),
        pytest.param(b"\x30\xff\xff\xff\xff\xff", id="a length of five bytes"),
        pytest.param(b"\x00\x00", id="a packet of kind 0"),
        pytest.param(b"\x00" * 40_000, id="zeros"),
        pytest.param(b"\xff" * 40_000, id="ones"),
    ],
)
@both_protocols
async def test_bytes_that_are_no_mqtt_end_the_session(protocol: str, junk: bytes) -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(junk)
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        await line.loss()
        assert line.ear.of("message") == line.ear.of("callback_error") == []


@both_protocols
async def test_of_a_message_over_the_limit_only_the_beginning_is_kept_and_the_session_goes_on(protocol: str) -> None:
    """On 3.1.1 nothing can decline it: a retained one of 100 kB once ended every session as soon as it began."""
    kept = []

    async def script(peer: Peer) -> None:
        await peer.accept()
        body = peer.message("barge/bank", b"98 ")[2:]
        packet = encode(PUBLISH, body + bytes(30_000_000 - len(body)))
        for begin in range(0, len(packet), 1_000_000):
            await peer.send(packet[begin : begin + 1_000_000])
            kept.append(len(client()._in_packet["packet"]))
        await peer.publish("barge/bank", b"99")
        await peer.serve()

    def client() -> Any:
        return line.session._client

    async with session_to(script, protocol=protocol) as line:
        await eventually(lambda: len(line.ear.payloads) == 2)
        assert max(kept) <= MAX_PACKET_BYTES
        too_large, small = line.ear.of("message")
        assert (too_large.topic, len(too_large.payload)) == ("barge/bank", MAX_PAYLOAD_BYTES + 1)
        assert too_large.payload.startswith(b"98 ")
        assert small.payload == b"99"
        assert not line.session.lost.done()


@both_protocols
async def test_a_message_over_the_limit_is_acknowledged_or_the_broker_would_send_no_more(protocol: str) -> None:
    async with session_to(let_in, protocol=protocol) as line:
        await eventually(lambda: line.ear.is_up)
        await line.peer.publish("dumpload/barge/request", bytes(100_000), qos=1)
        await line.peer.publish("barge/bank", b"99")
        await eventually(lambda: b"99" in line.ear.payloads)
        await eventually(lambda: PUBACK in [packet.kind for packet in line.peer.seen])
        assert not line.session.lost.done()


@pytest.mark.parametrize("kind", [1, *range(3, 16)])
@both_protocols
async def test_no_other_packet_over_the_limit_fills_the_memory(protocol: str, kind: int) -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(encode(kind, bytes(200_000)))
        await peer.publish("barge/bank", b"99")
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        # Kind 3 on 3.1.1 is a publication without a topic, on 5 the same: every other one is larger than any answer.
        assert "bytes" in (reason := await line.loss()) or kind == PUBLISH, reason
        assert len(line.session._client._in_packet["packet"]) <= MAX_PACKET_BYTES
        assert line.ear.of("callback_error") == []


async def test_the_largest_packet_taken_is_delivered() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        payload = bytes(MAX_PACKET_BYTES - 17)
        assert len(peer.message("barge/bank", payload)) == MAX_PACKET_BYTES
        await peer.publish("barge/bank", payload)
        await peer.publish("barge/bank", payload + b"1")
        await peer.serve()

    async with session_to(script) as line:
        await eventually(lambda: len(line.ear.payloads) == 2)
        assert [len(payload) for payload in line.ear.payloads] == [MAX_PACKET_BYTES - 17, MAX_PAYLOAD_BYTES + 1]


# ---- messages ----


@both_protocols
async def test_a_message_has_its_topic_its_bytes_and_its_retained_mark(protocol: str) -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.publish("barge/bank", b'{"charge": 98}')
        await peer.publish("dumpload/barge/request", b"\xff\x00", qos=1, retain=True)
        await peer.publish("barge/bank", b"")
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        await eventually(lambda: len(line.ear.of("message")) == 3)
        assert [message[:3] for message in line.ear.of("message")] == [
            ("barge/bank", b'{"charge": 98}', False),
            ("dumpload/barge/request", b"\xff\x00", True),
            ("barge/bank", b"", False),
        ]


async def test_packets_may_come_in_single_bytes() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        for byte in peer.message("barge/bank", b"98"):
            await peer.send(bytes([byte]))
            await asyncio.sleep(0.001)
        await peer.serve()

    async with session_to(script) as line:
        await eventually(lambda: line.ear.payloads)
        assert line.ear.payloads == [b"98"]


async def test_a_topic_that_is_not_utf_8_is_passed_over() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.publish(b"\xff\xfe", b"97")
        await peer.publish("barge/bank", b"98")
        await peer.serve()

    async with session_to(script) as line:
        await eventually(lambda: line.ear.payloads)
        assert line.ear.payloads == [b"98"]
        assert line.ear.of("callback_error") == []


async def test_a_message_whose_handling_raises_is_told_once_and_the_next_one_arrives() -> None:
    trouble = ValueError("a fault of ours")

    def handle(message: Message) -> None:
        if message.payload == b"first":
            raise trouble

    async with session_to(let_in) as line:
        line.ear.handle = handle
        await eventually(lambda: line.ear.is_up)
        await line.peer.publish("dumpload/barge/request", b"first", qos=1)
        await line.peer.publish("barge/bank", b"second")
        await eventually(lambda: b"second" in line.ear.payloads)
        assert line.ear.payloads == [b"first", b"second"]
        assert line.ear.of("callback_error") == [trouble]


async def test_a_burst_is_handled_in_slices_so_that_timers_due_meanwhile_run() -> None:
    turns: list[int] = []

    async with session_to(let_in) as line:
        loop = asyncio.get_running_loop()

        def work_for_a_millisecond(_message: Message) -> None:
            ends = time.monotonic() + 0.001
            while time.monotonic() < ends:
                pass

        def turn() -> None:
            turns.append(len(line.ear.payloads))
            if turns[-1] < 60:
                loop.call_soon(turn)

        line.ear.handle = work_for_a_millisecond
        await eventually(lambda: line.ear.is_up)
        turn()
        await line.peer.send(*(line.peer.message("barge/bank", b"%d" % number) for number in range(60)))
        await eventually(lambda: len(line.ear.payloads) == 60)
    assert line.ear.payloads == [b"%d" % number for number in range(60)]
    assert max(later - before for before, later in pairwise(turns)) <= 3


# ---- the stamp: the last moment at which the socket was known to be empty ----


async def test_a_message_is_stamped_with_the_last_moment_at_which_the_socket_was_known_to_be_empty() -> None:
    clock = Clock()
    async with session_to(let_in, clock=clock) as line:
        await eventually(lambda: line.ear.is_up)
        clock.now = START + 1.0
        line.session.tick()  # nothing was there
        clock.now = START + 2.5
        await line.peer.publish("barge/bank", b"98")
        await eventually(lambda: len(line.ear.payloads) == 1)
        clock.now = START + 3.0
        await line.peer.publish("barge/bank", b"99")
        await eventually(lambda: len(line.ear.payloads) == 2)
        assert [message.stamp for message in line.ear.of("message")] == [START + 1.0, START + 2.5]


async def test_what_arrives_while_the_socket_is_read_is_as_old_as_the_beginning_of_the_reading() -> None:
    clock = Clock()
    async with session_to(let_in, clock=clock) as line:
        await eventually(lambda: line.ear.is_up)
        client: Any = line.session._client
        fill = client.fill

        def fill_slowly(stamp: float) -> bool:
            clock.now += 0.5
            return bool(fill(stamp))

        client.fill = fill_slowly
        line.session.tick()
        assert line.session.drained_at == START


async def test_what_piled_up_during_a_stall_is_as_old_as_the_stall() -> None:
    clock = Clock()
    async with session_to(let_in, clock=clock) as line:
        await eventually(lambda: line.ear.is_up)
        clock.now = START + 1.0
        line.session.tick()
        await line.peer.send(*(line.peer.message("barge/bank", b"%d" % charge) for charge in (95, 96, 97)))
        clock.now = START + 61.0
        line.session.tick()
        await eventually(lambda: len(line.ear.payloads) == 3)
        assert {message.stamp for message in line.ear.of("message")} == {START + 1.0}


async def test_more_than_a_chunk_that_piled_up_is_as_old_as_the_stall_to_the_last_message() -> None:
    clock = Clock()
    many = 3 * CHUNK_BYTES // 20
    async with session_to(let_in, clock=clock) as line:
        await eventually(lambda: line.ear.is_up)
        line.session._loop.remove_reader(line.session._client.socket())  # stand still
        await line.peer.send(*(line.peer.message("barge/bank", b"%06d" % number) for number in range(many)))
        await asyncio.sleep(0.05)
        clock.now = START + 61.0
        line.session._loop.add_reader(line.session._client.socket(), line.session.read)
        await eventually(lambda: len(line.ear.payloads) == many)
        assert {message.stamp for message in line.ear.of("message")} == {START}
        assert line.ear.of("doubt") == ["stood still for 61.0 s"]
        clock.now = START + 62.0
        line.session.tick()
        await line.peer.publish("barge/bank", b"98")
        await eventually(lambda: len(line.ear.payloads) == many + 1)
        assert line.ear.of("message")[-1].stamp == START + 62.0


async def test_standing_still_for_too_long_puts_the_evidence_in_doubt_once() -> None:
    clock = Clock()
    async with session_to(let_in, clock=clock) as line:
        await eventually(lambda: line.ear.is_up)
        clock.now = START + STALL_S
        line.session.tick()
        assert line.ear.of("doubt") == []
        clock.now += STALL_S + 0.5
        line.session.tick()
        line.session.tick()
        assert line.ear.of("doubt") == ["stood still for 3.5 s"]
        clock.now += 10.0
        line.session.tick()
        assert line.ear.of("doubt") == ["stood still for 3.5 s", "stood still for 10.0 s"]


async def test_doubt_comes_before_the_messages_that_piled_up() -> None:
    clock = Clock()
    async with session_to(let_in, clock=clock) as line:
        await eventually(lambda: line.ear.is_up)
        clock.now = START + 10.0
        await line.peer.publish("barge/bank", b"98")
        await eventually(lambda: line.ear.payloads)
        assert [kind for kind, _ in line.ear.told] == ["up", "doubt", "message"]


@both_protocols
async def test_a_packet_that_comes_in_parts_is_as_old_as_its_first_byte(protocol: str) -> None:
    clock = Clock()
    async with session_to(let_in, clock=clock, protocol=protocol) as line:
        await eventually(lambda: line.ear.is_up)
        packet = line.peer.message("barge/bank", b"98")
        for place, part in enumerate((packet[:1], packet[1:2], packet[2:5], packet[5:-1])):
            clock.now = START + 1.0 + place
            await line.peer.send(part)
            await eventually(lambda: line.session.drained_at == clock.now)
        clock.now = START + 9.0
        await line.peer.send(packet[-1:] + line.peer.message("barge/bank", b"99"))
        await eventually(lambda: len(line.ear.payloads) == 2)
        # The second one begins where the socket was known to be empty after the last part but one of the first.
        assert [message.stamp for message in line.ear.of("message")] == [START, START + 4.0]


async def test_packets_of_one_chunk_that_are_handled_late_are_as_old_as_the_chunk(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """While publications of ours wait for an acknowledgement the library takes several packets in one call."""
    clock = Clock()
    monkeypatch.setattr(mqtt_session, "SLICE_S", 0.0)  # a turn of the event loop after each packet

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.serve(acknowledge=False)

    async with session_to(script, clock=clock) as line:
        await eventually(lambda: line.ear.is_up)
        for number in range(5):
            line.session.publish("dumpload/barge/status", str(number), qos=1, retain=False, expires_s=None)
        await eventually(lambda: len(line.peer.publications) == 5)
        line.ear.handle = lambda _message: setattr(clock, "now", clock.now + 1.0)
        clock.now = START + 1.0
        line.session.tick()
        await line.peer.send(*(line.peer.message("barge/bank", b"%d" % number) for number in range(4)))
        await eventually(lambda: len(line.ear.payloads) == 4)
        assert {message.stamp for message in line.ear.of("message")} == {START + 1.0}


# ---- what no broker may send: repeats, and more than was asked for ----


@both_protocols
async def test_a_repeated_message_is_no_message(protocol: str) -> None:
    async with session_to(let_in, protocol=protocol) as line:
        await eventually(lambda: line.ear.is_up)
        for dup in (False, True, True):
            await line.peer.publish("dumpload/barge/request", b"{}", qos=1, dup=dup)
        await line.peer.publish("barge/bank", b"97", dup=True)
        await line.peer.publish("barge/bank", b"98")
        await eventually(lambda: b"98" in line.ear.payloads)
        assert line.ear.payloads == [b"{}", b"98"]
        await eventually(lambda: [packet.kind for packet in line.peer.seen].count(PUBACK) == 3)


@both_protocols
async def test_a_quality_of_service_above_the_one_asked_for_ends_the_session(protocol: str) -> None:
    async with session_to(let_in, protocol=protocol) as line:
        await eventually(lambda: line.ear.is_up)
        await line.peer.publish("barge/bank", b"98", qos=1)
        reason = await line.loss()
        assert reason.endswith("barge/bank arrived at QoS 1, requested was 0")
        assert line.ear.payloads == []


@both_protocols
async def test_a_message_at_qos_2_ends_the_session_before_it_is_read(protocol: str) -> None:
    """It would be handed out at its release, which may be minutes after it came, and be kept until then."""
    async with session_to(let_in, protocol=protocol) as line:
        await eventually(lambda: line.ear.is_up)
        await line.peer.send(line.peer.message("dumpload/barge/request", b"{}", qos=2)[:1])
        assert (await line.loss()).endswith("a message at QoS 2, which was never requested")
        assert line.ear.payloads == []


async def test_a_topic_that_nobody_asked_for_is_passed_over() -> None:
    async with session_to(let_in) as line:
        await eventually(lambda: line.ear.is_up)
        await line.peer.publish("barge/bank/2", b"97")
        await line.peer.publish("barge/bank", b"98")
        await eventually(lambda: line.ear.payloads)
        assert line.ear.payloads == [b"98"]


async def test_a_pattern_of_topics_may_be_asked_for() -> None:
    asked = (Subscription("barge/#"), Subscription("barge/+/request", 1))
    async with session_to(let_in, subscriptions=asked) as line:
        await eventually(lambda: line.ear.is_up)
        await line.peer.publish("barge/bank", b"97")
        await line.peer.publish("barge/heater/request", b"98", qos=1)
        await eventually(lambda: len(line.ear.payloads) == 2)
        assert [message.topic for message in line.ear.of("message")] == ["barge/bank", "barge/heater/request"]


# ---- sending ----


@pytest.mark.parametrize(("protocol", "expires_s"), [("5", 90), ("3.1.1", None)])
async def test_a_publication_carries_what_was_asked_for(protocol: str, expires_s: int | None) -> None:
    async with session_to(let_in, protocol=protocol) as line:
        await eventually(lambda: line.ear.is_up)
        line.session.publish("dumpload/barge/status", "{}", qos=1, retain=True, expires_s=90)
        await eventually(lambda: line.peer.publications)
        assert line.peer.publications == [("dumpload/barge/status", "{}", 1, True, expires_s)]


async def test_an_acknowledged_publication_is_reported_by_its_packet_identifier() -> None:
    acknowledged: list[int] = []
    async with session_to(let_in) as line:
        line.session.acknowledged = acknowledged.append
        await eventually(lambda: line.ear.is_up)
        packet_id = line.session.publish("dumpload/barge/change", "{}", qos=1, retain=False, expires_s=None)
        await eventually(lambda: acknowledged)
        assert acknowledged == [packet_id]


async def test_what_the_socket_does_not_take_at_once_is_sent_when_it_can() -> None:
    read_on = asyncio.Event()

    async def script(peer: Peer) -> None:
        await peer.accept()
        await read_on.wait()
        await peer.serve()

    async with session_to(script) as line:
        await eventually(lambda: line.ear.is_up)
        for _ in range(200):
            line.session.publish("dumpload/barge/status", "9" * 60_000, qos=0, retain=False, expires_s=None)
        assert line.session.has_unsent
        read_on.set()
        await eventually(lambda: not line.session.has_unsent and len(line.peer.publications) == 200)


async def test_a_connection_that_breaks_while_writing_ends_the_session() -> None:
    async with session_to(let_in) as line:
        await eventually(lambda: line.ear.is_up)
        sock: Any = line.session._client.socket()
        line.session._loop.remove_reader(sock)
        sock.shutdown(socket.SHUT_RDWR)
        line.session.publish("dumpload/barge/status", "{}", qos=0, retain=False, expires_s=None)
        line.session._write()
        assert line.session.lost.done()
        assert not line.session.is_up


async def test_closing_says_goodbye_so_that_the_broker_publishes_no_will() -> None:
    async with session_to(let_in) as line:
        await eventually(lambda: line.ear.is_up)
        line.session.close()
        await line.loss()
        await eventually(lambda: line.peer.seen[-1].kind == DISCONNECT)
        assert not line.session.has_unsent
        line.session.close()  # twice is no harm
        line.session.tick()
        line.session.read()


async def test_dropping_says_nothing_so_that_the_broker_publishes_the_will() -> None:
    async with session_to(let_in) as line:
        await eventually(lambda: line.ear.is_up)
        seen = len(line.peer.seen)
        line.session.drop()
        await eventually(line.peer.reader.at_eof)
        assert len(line.peer.seen) == seen


async def test_closing_before_the_connection_stands_is_no_harm() -> None:
    session = Session(options_for(1), Ear(), time.monotonic)
    session.tick()
    session.close()
    assert session.lost.result() == "closed by us"


# ---- what the broker says it takes (MQTT 5.0, section 3.2.2.3) ----


async def test_to_a_broker_that_takes_no_quality_of_service_everything_is_sent_without() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept(properties=MAXIMUM_QOS + b"\0")
        await peer.serve()

    acknowledged: list[int] = []
    async with session_to(script) as line:
        line.session.acknowledged = acknowledged.append
        await eventually(lambda: line.ear.is_up)
        packet_id = line.session.publish("dumpload/barge/change", "{}", qos=1, retain=False, expires_s=None)
        await eventually(lambda: line.peer.publications)
        assert line.peer.publications[0].qos == 0
        assert acknowledged == [packet_id]
        assert "QoS 0" in line.session.trouble


async def test_to_a_broker_that_retains_nothing_nothing_is_sent_to_be_retained() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept(properties=RETAIN_AVAILABLE + b"\0")
        await peer.serve()

    async with session_to(script) as line:
        await eventually(lambda: line.ear.is_up)
        line.session.publish("dumpload/barge/status", "{}", qos=1, retain=True, expires_s=None)
        await eventually(lambda: line.peer.publications)
        assert not line.peer.publications[0].retain
        assert "keeps no retained messages" in line.session.trouble


async def test_what_is_too_large_for_the_broker_is_not_sent_and_the_rest_is() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept(properties=MAXIMUM_PACKET_SIZE + (100).to_bytes(4, "big"))
        await peer.serve()

    async with session_to(script) as line:
        await eventually(lambda: line.ear.is_up)
        sent = [
            line.session.publish("dumpload/barge/status", "9" * length, qos=1, retain=True, expires_s=90)
            for length in (101, 90, 60)
        ]
        assert [packet_id is None for packet_id in sent] == [True, True, False]
        await eventually(lambda: line.peer.publications)
        assert [len(one.payload) for one in line.peer.publications] == [60]
        assert "dumpload/barge/status" in line.session.trouble
        assert "mqtt.base_topic" in line.session.trouble
        assert max(len(packet.body) + 2 for packet in line.peer.seen[1:]) <= 100


async def test_a_broker_too_small_for_our_subscriptions_ends_the_session_and_names_the_settings() -> None:
    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack(properties=MAXIMUM_PACKET_SIZE + (30).to_bytes(4, "big")))
        await peer.serve()

    async with session_to(script) as line:
        reason = await line.loss()
        assert "packets of at most 30 bytes" in reason
        assert "telemetry.*.topic" in reason


async def test_a_broker_that_says_nothing_of_limits_has_none() -> None:
    async with session_to(let_in) as line:
        await eventually(lambda: line.ear.is_up)
        assert line.session.limits == NO_LIMITS
        assert line.session.trouble == ""


@pytest.mark.parametrize(
    ("code", "setting"),
    [(0x84, "mqtt.protocol"), (0x85, "mqtt.client_id"), (0x87, "mqtt.username"), (0x9A, "retain"), (0x9B, "QoS 1")],
)
async def test_a_broker_that_refuses_us_is_answered_with_what_to_look_at(code: int, setting: str) -> None:
    """Reason codes of MQTT 5.0, section 3.2.2.2."""

    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack(code))
        await peer.serve()

    async with session_to(script) as line:
        assert setting in await line.loss()


# ---- TLS ----


async def test_over_tls_messages_of_many_records_arrive_whole_and_in_order(tmp_path: Path) -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.publish("barge/bank", b"8" * 65_536)
        await peer.send(*(peer.message("barge/bank", b"%d" % number) for number in range(2000)))
        await peer.serve()

    trust = {"tls": True, "ca_file": write_certificate(tmp_path)}
    async with session_to(script, server_tls=server_context(tmp_path), **trust) as line:
        await eventually(lambda: len(line.ear.payloads) == 2001)
        assert line.ear.payloads[0] == b"8" * 65_536
        assert line.ear.payloads[1:] == [b"%d" % number for number in range(2000)]


async def test_over_tls_the_socket_is_known_to_be_empty_once_there_is_no_record_left(tmp_path: Path) -> None:
    clock = Clock()
    trust = {"tls": True, "ca_file": write_certificate(tmp_path)}
    async with session_to(let_in, clock=clock, server_tls=server_context(tmp_path), **trust) as line:
        await eventually(lambda: line.ear.is_up)
        clock.now = START + 1.0
        await line.peer.publish("barge/bank", b"98")
        await eventually(lambda: len(line.ear.payloads) == 1 and line.session.drained_at == clock.now)
        clock.now = START + 2.0
        await line.peer.publish("barge/bank", b"99")
        await eventually(lambda: len(line.ear.payloads) == 2)
        assert line.ear.of("message")[1].stamp == START + 1.0


async def test_over_tls_one_record_says_nothing_of_the_next(tmp_path: Path) -> None:
    clock = Clock()
    trust = {"tls": True, "ca_file": write_certificate(tmp_path)}
    async with session_to(let_in, clock=clock, server_tls=server_context(tmp_path), **trust) as line:
        await eventually(lambda: line.ear.is_up)
        sock: Any = line.session._client.socket()
        line.session._loop.remove_reader(sock)  # stand still
        await line.peer.publish("barge/bank", b"97")
        await line.peer.publish("barge/bank", b"98")
        await asyncio.sleep(0.05)
        clock.now = START + 2.0
        line.session._loop.add_reader(sock, line.session.read)
        await eventually(lambda: len(line.ear.payloads) == 2)
        assert [message.stamp for message in line.ear.of("message")] == [START, START]


async def test_a_certificate_that_nobody_trusts_is_an_os_error(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # paho forgets the socket of a handshake that failed
        with pytest.raises(OSError, match="certificate verify failed"):
            async with session_to(let_in, server_tls=server_context(tmp_path), tls=True):
                pass
        await asyncio.sleep(0.01)  # for the thread that connected to end
        gc.collect()
