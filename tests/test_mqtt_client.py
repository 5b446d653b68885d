"""What goes over the wire when we connect and subscribe, and how a chunk is read from the socket."""

import asyncio
import itertools
import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from scripted_broker import Connect, Peer, eventually, options_for, scripted_broker

from dumpload.mqtt import LinkOptions
from dumpload.mqtt.client import (
    CHUNK_BYTES,
    MAX_PACKET_BYTES,
    ChunkClient,
    connect,
    expiry,
    make_client,
    subscribe,
)

# Property identifiers (MQTT 5.0, section 3.1.2.11).
SESSION_EXPIRY, MAXIMUM_PACKET_SIZE = 0x11, 0x27


async def dial(**changes: Any) -> Connect:
    """Connect once and return what the CONNECT packet said."""
    greeted: list[Connect] = []

    async def script(peer: Peer) -> None:
        greeted.append(await peer.await_connect())
        await peer.serve()

    async with scripted_broker(script) as broker:
        options = options_for(broker.port, **changes)
        client = make_client(options)
        await asyncio.to_thread(connect, client, options)
        await eventually(lambda: greeted)
        close(client)
    return greeted[0]


def close(client: ChunkClient) -> None:
    sock: Any = client.socket()
    sock.close()


both_protocols = pytest.mark.parametrize("protocol", ["5", "3.1.1"])


# ---- CONNECT ----


@both_protocols
async def test_every_connect_asks_for_a_clean_start(protocol: str) -> None:
    assert [(await dial(protocol=protocol)).clean for _ in range(2)] == [True, True]


async def test_on_mqtt_5_the_session_ends_with_the_connection_and_large_packets_are_declined() -> None:
    assert (await dial()).properties == {SESSION_EXPIRY: 0, MAXIMUM_PACKET_SIZE: MAX_PACKET_BYTES}


@pytest.mark.parametrize(("protocol", "level"), [("5", 5), ("3.1.1", 4)])
async def test_the_configured_protocol_keepalive_and_client_id_are_used(protocol: str, level: int) -> None:
    greeting = await dial(protocol=protocol, keepalive_s=20, client_id="dumpload-barge")
    assert (greeting.level, greeting.keepalive_s, greeting.client_id) == (level, 20, "dumpload-barge")


@both_protocols
async def test_the_will_is_retained_at_qos_1(protocol: str) -> None:
    assert (await dial(protocol=protocol)).will == ("dumpload/barge/presence", "down", 1, True)


@both_protocols
async def test_a_client_without_a_will_sends_none(protocol: str) -> None:
    assert (await dial(protocol=protocol, will=None)).will is None


async def test_without_a_user_name_no_login_is_sent() -> None:
    greeting = await dial()
    assert (greeting.username, greeting.password) == (None, None)


@pytest.mark.parametrize(
    ("content", "password"),
    [
        ("brass", "brass"),
        ("brass\n", "brass"),
        ("brass\r\n", "brass"),
        ("brass\nwritten down in May\n", "brass"),
        (" with spaces ", " with spaces "),
        ("bråss\n", "bråss"),
        ("", ""),
    ],
)
async def test_the_password_is_the_first_line_of_its_file(tmp_path: Path, content: str, password: str) -> None:
    file = tmp_path / "password"
    file.write_bytes(content.encode())
    greeting = await dial(username="barge", password_file=file)
    assert (greeting.username, greeting.password) == ("barge", password)


async def test_the_password_file_is_read_anew_at_every_connect(tmp_path: Path) -> None:
    file = tmp_path / "password"
    seen = []
    for password in ("old", "new"):
        file.write_text(password)
        seen.append((await dial(username="barge", password_file=file)).password)
    assert seen == ["old", "new"]


async def test_a_user_name_may_go_without_a_password() -> None:
    greeting = await dial(username="barge")
    assert (greeting.username, greeting.password) == ("barge", None)


def test_a_broker_that_refuses_the_connection_is_an_os_error(closed_port: int) -> None:
    options = options_for(closed_port)
    with pytest.raises(ConnectionRefusedError):
        connect(make_client(options), options)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (os.mkfifo, "a regular file, not a pipe"),
        (lambda path: path.symlink_to("/dev/zero"), "a regular file, not a device"),
        (Path.mkdir, "a regular file, not a folder"),
        (lambda path: path.write_bytes(bytes(70_000)), "at most 65536 bytes"),
        (lambda path: path.write_bytes(b"br\xe5ss"), "UTF-8 text"),
    ],
)
def test_a_password_file_that_makes_no_sense_is_an_os_error_at_once(
    closed_port: int, tmp_path: Path, make: Callable[[Path], object], words: str
) -> None:
    make(tmp_path / "password")
    options = options_for(closed_port, username="barge", password_file=tmp_path / "password")
    with pytest.raises(OSError, match=words):
        connect(make_client(options), options)


def test_a_missing_password_file_is_an_os_error(closed_port: int) -> None:
    options = options_for(closed_port, username="barge", password_file=Path("/nowhere/password"))
    with pytest.raises(FileNotFoundError):
        connect(make_client(options), options)


@pytest.fixture
def closed_port() -> Iterator[int]:
    """A port of this machine that is bound, so that nobody else takes it, but not listened to."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        yield sock.getsockname()[1]


# ---- SUBSCRIBE ----


@pytest.mark.parametrize(
    ("protocol", "telemetry", "requests"),
    [
        # MQTT 5.0, section 3.8.3.1: retain handling 2 (do not send) in bits 4 and 5, retain as published in bit 3.
        ("5", 0b0010_0000, 0b0000_1001),
        ("3.1.1", 0, 1),
    ],
)
async def test_retained_telemetry_is_not_even_sent_where_the_protocol_allows_that(
    protocol: str, telemetry: int, requests: int
) -> None:
    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack())
        await peer.await_subscribe()

    async with scripted_broker(script) as broker:
        options = options_for(broker.port, protocol=protocol)
        client = make_client(options)
        client.on_connect = lambda *_args: subscribe(client, options)
        await asyncio.to_thread(connect, client, options)
        await eventually(lambda: client.fill(0.0) and client.chunk)
        client.take_packet()
        client.loop_write()
        await eventually(lambda: broker.peers[0].subscribed)
        close(client)
    assert broker.peers[0].subscribed == [("barge/bank", telemetry), ("dumpload/barge/request", requests)]


# ---- expiry ----


def test_a_message_expires_only_where_the_protocol_knows_that() -> None:
    options: LinkOptions = options_for(1)
    properties: Any = expiry(options, 90)
    assert properties.MessageExpiryInterval == 90
    assert expiry(options, None) is None
    assert expiry(options._replace(protocol="3.1.1"), 90) is None


# ---- reading in chunks ----


class Line:
    """A client on one end of a pair of sockets, the test on the other."""

    def __init__(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            self.near = socket.create_connection(server.getsockname())
            self.far, _address = server.accept()
        self.near.setblocking(False)
        self.client = make_client(options_for(1))
        self.client._sock = self.near

    def send(self, data: bytes) -> None:
        """Send, and wait until all of it has arrived."""
        self.far.sendall(data)
        self.near.settimeout(5)
        self.near.recv(len(data), socket.MSG_PEEK | socket.MSG_WAITALL)
        self.near.setblocking(False)

    def close(self) -> None:
        self.far.close()
        self.near.close()


@pytest.fixture
def line() -> Iterator[Line]:
    one = Line()
    yield one
    one.close()


def test_an_empty_socket_is_known_to_be_empty(line: Line) -> None:
    assert line.client.fill(0.0)
    assert (bytes(line.client.chunk), line.client.at_end) == (b"", False)


def test_a_short_chunk_has_emptied_the_socket(line: Line) -> None:
    line.send(b"few")
    assert line.client.fill(0.0)
    assert bytes(line.client.chunk) == b"few"


def test_a_full_chunk_may_have_more_behind_it(line: Line) -> None:
    line.send(bytes(CHUNK_BYTES + 1))
    assert not line.client.fill(0.0)
    assert len(line.client.chunk) == CHUNK_BYTES
    assert line.client.fill(0.0)
    assert len(line.client.chunk) == 1


def test_paho_is_served_from_the_chunk_and_then_told_to_wait(line: Line) -> None:
    line.send(b"\x20\x03\x00\x00\x00\xd0")  # the connection is accepted; the first byte of an answer to a ping
    line.client.fill(0.0)
    assert line.client.take_packet()
    assert bytes(line.client.chunk) == b"\xd0"  # one packet at a time
    assert line.client.take_packet()
    assert (bytes(line.client.chunk), line.client._in_packet["command"]) == (b"", 0xD0)
    line.send(b"\x00")
    line.client.fill(0.0)
    assert line.client.take_packet()
    assert line.client._in_packet["command"] == 0


def test_the_members_of_paho_that_nobody_promised_us_are_still_there() -> None:
    """Renamed, they would be ours alone: nothing would be read, or every packet be as old as the first."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    assert callable(client._sock_recv)
    assert client._in_packet["command"] == 0
    assert isinstance(client._keepalive, int)


def test_the_far_end_closing_is_the_end(line: Line) -> None:
    line.far.shutdown(socket.SHUT_WR)
    line.client.fill(0.0)
    assert line.client.at_end
    assert line.client._sock_recv(1) == b""


def test_a_connection_broken_hard_is_the_end_too(line: Line) -> None:
    line.near.close()  # reading now raises an OSError, as it does after a reset
    line.client.fill(0.0)
    assert line.client.at_end


PACKETS = [
    b"\x30\x07\x00\x03soc\x00" + b"%d",  # a message, MQTT 5: topic soc, no properties, one digit
    b"\xd0\x00",  # an answer to a ping
    b"\x40\x02\x00\x01",  # an acknowledgement
]


@settings(max_examples=60, deadline=None)
@given(
    kinds=st.lists(st.sampled_from(PACKETS), min_size=1, max_size=9),
    cuts=st.lists(st.integers(1, 12), min_size=1, max_size=60),
)
def test_however_the_stream_is_cut_each_message_is_as_old_as_its_first_byte(
    kinds: list[bytes], cuts: list[int]
) -> None:
    """The parts arrive one a second; each is read at once."""
    stream, begins = b"\x20\x03\x00\x00\x00", {}
    for number, packet in enumerate(kinds):
        if packet is PACKETS[0]:
            begins[b"%d" % number] = len(stream)
        stream += packet.replace(b"%d", b"%d" % number)
    line, heard = Line(), {}
    line.client.on_message = lambda client, _data, message: heard.update({message.payload: client.stamp})
    arrived: list[float] = []  # of each byte
    lengths = itertools.cycle(cuts)
    while len(arrived) < len(stream):
        second, length = (arrived[-1] if arrived else 0.0) + 1.0, next(lengths)
        part = stream[len(arrived) : len(arrived) + length]
        arrived += [second] * len(part)
        line.send(part)
        line.client.fill(second)
        while line.client.chunk:
            assert line.client.take_packet()
    line.close()
    assert heard == {payload: arrived[place] for payload, place in begins.items()}
