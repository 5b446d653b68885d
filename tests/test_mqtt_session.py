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
    PUBLISH,
    Ear,
    Peer,
    ScriptedBroker,
    encode,
    eventually,
    options_for,
    scripted_broker,
)

from dumpload.io import mqtt_session
from dumpload.io.mqtt_client import CHUNK_BYTES, MAX_PACKET_BYTES
from dumpload.io.mqtt_session import STALL_S, Session
from dumpload.io.mqtt_types import Message

both_protocols = pytest.mark.parametrize("protocol", ["5", "3.1.1"])

START = 1000.0


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
        assert reason == "the broker does not let us subscribe to dumpload/barge/request (its access rules)"
        assert line.ear.told == []


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
    assert session.lost.result() == "the connection was closed while it was being made"


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
        assert await line.loss() == "the broker accepted the connection and then said nothing"


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


async def test_a_packet_over_the_limit_is_not_read_but_ends_the_session() -> None:
    taken = 0

    async def script(peer: Peer) -> None:
        nonlocal taken
        await peer.accept()
        head = peer.message("barge/bank", b"1")
        await peer.send(head[:1] + encode(0, bytes(200_000_000))[1:5] + head[2:])  # 200 MB are announced
        while True:
            await peer.send(bytes(CHUNK_BYTES))
            taken += CHUNK_BYTES

    async with session_to(script) as line:
        assert f"packet of 200000000 bytes, at most {MAX_PACKET_BYTES} are taken" in await line.loss()
        assert line.ear.of("message") == []
    assert taken < 20_000_000  # what fits into the buffers of two sockets


async def test_the_largest_packet_taken_is_delivered() -> None:
    payload = b"9" * (MAX_PACKET_BYTES - 13)

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.publish("barge/bank", payload)
        await peer.serve()

    async with session_to(script) as line:
        await eventually(lambda: line.ear.payloads)
        assert line.ear.payloads == [payload]


# ---- messages ----


@both_protocols
async def test_a_message_has_its_topic_its_bytes_and_its_retained_mark(protocol: str) -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.publish("barge/bank", b'{"charge": 98}')
        await peer.publish("barge/bank", b"\xff\x00", qos=1, retain=True)
        await peer.publish("barge/bank", b"")
        await peer.serve()

    async with session_to(script, protocol=protocol) as line:
        await eventually(lambda: len(line.ear.of("message")) == 3)
        assert [message[:3] for message in line.ear.of("message")] == [
            ("barge/bank", b'{"charge": 98}', False),
            ("barge/bank", b"\xff\x00", True),
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
        await line.peer.publish("barge/bank", b"first", qos=1)
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

        def fill_slowly() -> bool:
            clock.now += 0.5
            return bool(fill())

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
