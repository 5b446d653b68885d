"""A broker that says what a test wants said: real TCP on loopback, MQTT packets made and read byte by byte.

A script is a coroutine that is given each connection as a `Peer`. What a real broker would never send can be sent.
"""

import asyncio
import contextlib
import socket
import ssl
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any, NamedTuple, Self

from dumpload.mqtt import LinkOptions, Listener, Message, Subscription, Will

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK, PINGREQ, PINGRESP, DISCONNECT = 1, 2, 3, 4, 8, 9, 12, 13, 14
BAD_LOGIN_5, BAD_LOGIN_311, DENIED = 0x86, 5, 0x87


class Packet(NamedTuple):
    """One MQTT control packet as it came."""

    kind: int
    flags: int
    body: bytes


class Connect(NamedTuple):
    """What a CONNECT packet asked for (`properties` empty on 3.1.1)."""

    level: int
    clean: bool
    keepalive_s: int
    properties: dict[int, int]
    client_id: str
    will: tuple[str, str, int, bool] | None  # topic, payload, QoS, retained
    username: str | None
    password: str | None


class Publication(NamedTuple):
    """One message that was published to the broker (`expires_s` None: it does not expire)."""

    topic: str
    payload: str
    qos: int
    retain: bool
    expires_s: int | None


class Reader:
    """Takes the pieces out of a packet's body."""

    def __init__(self, data: bytes) -> None:
        self.rest = data

    def take(self, length: int) -> bytes:
        part, self.rest = self.rest[:length], self.rest[length:]
        return part

    def number(self, length: int) -> int:
        return int.from_bytes(self.take(length), "big")

    def text(self) -> str:
        return self.take(self.number(2)).decode()

    def properties(self) -> dict[int, int]:
        """Read numeric properties: the only kind that the client under test sends."""
        widths = {0x01: 1, 0x02: 4, 0x11: 4, 0x18: 4, 0x21: 2, 0x22: 2, 0x27: 4, 0x17: 1, 0x19: 1}
        inner = Reader(self.take(self.number(1)))
        properties = {}
        while inner.rest:
            key = inner.number(1)
            properties[key] = inner.number(widths[key])
        return properties


def encode(kind: int, body: bytes = b"", flags: int = 0) -> bytes:
    """Return a packet with its remaining length (MQTT 5.0, section 2.1.4)."""
    length, rest = b"", len(body)
    while True:
        rest, digit = divmod(rest, 128)
        length += bytes([digit | (0x80 if rest else 0)])
        if not rest:
            return bytes([kind << 4 | flags]) + length + body


def parse_connect(body: bytes) -> Connect:
    reader = Reader(body)
    assert reader.text() == "MQTT"
    level, flags, keepalive_s = reader.number(1), reader.number(1), reader.number(2)
    properties = reader.properties() if level == 5 else {}
    client_id, will = reader.text(), None
    if flags & 0x04:
        if level == 5:
            reader.properties()
        will = (reader.text(), reader.text(), flags >> 3 & 3, bool(flags & 0x20))
    username = reader.text() if flags & 0x80 else None
    password = reader.text() if flags & 0x40 else None
    return Connect(level, bool(flags & 0x02), keepalive_s, properties, client_id, will, username, password)


class Peer:
    """One connection of the client under test."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer
        self.connect: Connect | None = None
        self.subscribed: list[tuple[str, int]] = []
        self.seen: list[Packet] = []
        self.publications: list[Publication] = []
        self.packet_ids: list[int] = []

    @property
    def is_five(self) -> bool:
        return self.connect is not None and self.connect.level == 5

    async def receive(self) -> Packet:
        first = (await self.reader.readexactly(1))[0]
        length, shift = 0, 0
        while True:
            digit = (await self.reader.readexactly(1))[0]
            length |= (digit & 0x7F) << shift
            shift += 7
            if not digit & 0x80:
                break
        packet = Packet(first >> 4, first & 0x0F, await self.reader.readexactly(length))
        self.seen.append(packet)
        return packet

    async def expect(self, kind: int) -> Packet:
        packet = await self.receive()
        assert packet.kind == kind, packet
        return packet

    async def send(self, *packets: bytes) -> None:
        self.writer.write(b"".join(packets))
        await self.writer.drain()

    async def await_connect(self) -> Connect:
        self.connect = parse_connect((await self.expect(CONNECT)).body)
        return self.connect

    def connack(self, code: int = 0, *, session_present: bool = False, properties: bytes = b"") -> bytes:
        """Return a CONNACK; `properties` as they are on the wire (MQTT 5.0, section 3.2.2.3)."""
        tail = bytes([len(properties)]) + properties if self.is_five else b""
        return encode(CONNACK, bytes([session_present, code]) + tail)

    async def await_subscribe(self) -> int:
        """Read SUBSCRIBE; return its packet identifier. Topics and option bytes are kept in `subscribed`."""
        reader = Reader((await self.expect(SUBSCRIBE)).body)
        packet_id = reader.number(2)
        if self.is_five:
            reader.properties()
        while reader.rest:
            self.subscribed.append((reader.text(), reader.number(1)))
        return packet_id

    def suback(self, packet_id: int, *codes: int) -> bytes:
        granted = bytes(codes or [0] * len(self.subscribed))
        return encode(SUBACK, struct.pack("!H", packet_id) + (b"\0" if self.is_five else b"") + granted)

    async def accept(self, *, session_present: bool = False, properties: bytes = b"") -> Self:
        """Let the client in: CONNECT, CONNACK, SUBSCRIBE, SUBACK."""
        await self.await_connect()
        await self.send(self.connack(session_present=session_present, properties=properties))
        packet_id = await self.await_subscribe()
        await self.send(self.suback(packet_id))
        return self

    def message(
        self,
        topic: str | bytes,
        payload: bytes,
        *,
        qos: int = 0,
        retain: bool = False,
        dup: bool = False,
        properties: bytes = b"",
    ) -> bytes:
        """Return a PUBLISH; above QoS 0 its packet identifier is 1."""
        name = topic.encode() if isinstance(topic, str) else topic
        body = struct.pack("!H", len(name)) + name + (b"\0\x01" if qos else b"")
        tail = bytes([len(properties)]) + properties if self.is_five else b""
        return encode(PUBLISH, body + tail + payload, dup << 3 | qos << 1 | retain)

    async def publish(self, topic: str | bytes, payload: bytes, **marks: Any) -> None:
        await self.send(self.message(topic, payload, **marks))

    async def serve(self, *, acknowledge: bool = True, until: int | None = None) -> None:
        """Answer pings and publications until the client goes, or `until` so many publications have come."""
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while until is None or len(self.publications) < until:
                await self.answer(await self.receive(), acknowledge=acknowledge)

    async def answer(self, packet: Packet, *, acknowledge: bool = True) -> None:
        if packet.kind == PINGREQ:
            await self.send(encode(PINGRESP))
        if packet.kind == PUBLISH:
            self._keep(packet)
            if acknowledge and packet.flags >> 1 & 3:
                await self.acknowledge(self.packet_ids[-1])

    async def acknowledge(self, *packet_ids: int) -> None:
        await self.send(*(encode(PUBACK, struct.pack("!H", packet_id)) for packet_id in packet_ids))

    def _keep(self, packet: Packet) -> None:
        reader, qos = Reader(packet.body), packet.flags >> 1 & 3
        topic = reader.text()
        if qos:
            self.packet_ids.append(reader.number(2))
        expires_s = reader.properties().get(2) if self.is_five else None
        self.publications.append(Publication(topic, reader.rest.decode(), qos, bool(packet.flags & 1), expires_s))

    def reset(self) -> None:
        """Break the connection hard: the client sees "connection reset by peer"."""
        sock: Any = self.writer.get_extra_info("socket")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.writer.transport.abort()


Script = Callable[[Peer], Awaitable[None]]


class ScriptedBroker:
    """What the test sees of it: the port and every connection so far."""

    def __init__(self) -> None:
        self.port = 0
        self.peers: list[Peer] = []
        self.failures: list[BaseException] = []


@asynccontextmanager
async def scripted_broker(script: Script, tls: ssl.SSLContext | None = None) -> AsyncIterator[ScriptedBroker]:
    """Listen on loopback for the time of the block; a script that fails makes the block fail."""
    broker = ScriptedBroker()
    running: list[asyncio.Task[None]] = []

    async def attend(peer: Peer) -> None:
        try:
            await script(peer)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        except Exception as error:  # noqa: BLE001  (carried to the test)
            broker.failures.append(error)
        finally:
            peer.writer.close()

    def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        broker.peers.append(Peer(reader, writer))
        running.append(asyncio.ensure_future(attend(broker.peers[-1])))

    server = await asyncio.start_server(greet, "127.0.0.1", 0, ssl=tls)
    broker.port = server.sockets[0].getsockname()[1]
    try:
        yield broker
    finally:
        await asyncio.sleep(0.005)  # for a connection that has only just been accepted
        server.close()
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)
        for peer in broker.peers:
            peer.writer.close()
            with contextlib.suppress(OSError):
                await peer.writer.wait_closed()
    if broker.failures:
        raise broker.failures[0]


async def eventually(condition: Callable[[], Any], within_s: float = 120.0) -> None:
    """Wait until the condition holds; fail after `within_s`."""
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110  (bounded)
            await asyncio.sleep(0.002)


def options_for(port: int, **changes: Any) -> LinkOptions:
    """Return how a link of ours connects to a scripted broker: telemetry without, requests with retained values."""
    plain = LinkOptions(
        host="127.0.0.1",
        port=port,
        protocol="5",
        client_id="barge",
        keepalive_s=15,
        username=None,
        password_file=None,
        tls=False,
        ca_file=None,
        client_cert_file=None,
        client_key_file=None,
        subscriptions=(Subscription("barge/bank"), Subscription("dumpload/barge/request", 1, retained=True)),
        will=Will("dumpload/barge/presence", "down"),
    )
    return plain._replace(**changes)


class Ear(Listener):
    """A listener that keeps what it is told, in order."""

    def __init__(self) -> None:
        self.told: list[tuple[str, Any]] = []
        self.handle: Callable[[Message], None] = lambda _message: None

    def on_message(self, message: Message) -> None:
        self.told.append(("message", message))
        self.handle(message)

    def on_up(self) -> None:
        self.told.append(("up", None))

    def on_down(self, reason: str, retry_s: float) -> None:
        self.told += [("down", reason), ("retry", retry_s)]

    def on_evidence_reset(self, reason: str) -> None:
        self.told.append(("doubt", reason))

    def on_callback_error(self, error: Exception) -> None:
        self.told.append(("callback_error", error))

    def on_fault(self, part: str, text: str) -> None:
        self.told.append(("fault", (part, text)))

    def of(self, kind: str) -> list[Any]:
        return [what for event, what in self.told if event == kind]

    @property
    def is_up(self) -> bool:
        return ("up", None) in self.told

    @property
    def payloads(self) -> list[bytes]:
        return [message.payload for message in self.of("message")]
