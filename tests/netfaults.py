"""A network that fails: a TCP proxy that misbehaves, and a broker of bare sockets that says what no broker would."""

import os
import selectors
import socket
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from enum import Enum, auto
from typing import NamedTuple

from brokers import HOST, free_port

CHUNK_BYTES = 65_536


class Way(Enum):
    """What the proxy does with a connection."""

    PASS = auto()  # forward both ways
    BLACK_HOLE = auto()  # take everything, forward nothing, keep the connection
    TARPIT = auto()  # accept, and neither read nor say anything
    HALF_CONNACK = auto()  # answer with the beginning of a CONNACK
    GARBAGE = auto()  # answer with random bytes


class Pair(NamedTuple):
    """A client's connection, and the one to the real target if there is one."""

    near: socket.socket
    far: socket.socket | None


class Proxy:
    """Forwards a port of the loopback to another. `way` may be changed at any time."""

    def __init__(self, target: int) -> None:
        self.port = free_port()
        self.way = Way.PASS
        self.accepted = 0
        self._target = target
        self._selector = selectors.DefaultSelector()
        self._listener = socket.create_server((HOST, self.port))
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._pairs: set[Pair] = set()
        self._stranded: set[Pair] = set()
        self._lock = threading.RLock()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        """Break every connection; new ones are still taken."""
        with self._lock:
            for pair in list(self._pairs):
                self._drop(pair)

    def strand(self) -> None:
        """Black-hole the connections that there are (half-open: neither end is told); new ones are as `way` says."""
        with self._lock:
            self._stranded |= self._pairs

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        self.cut()
        self._selector.close()
        self._listener.close()

    def _run(self) -> None:
        while not self._ended.is_set():
            for key, _ in self._selector.select(0.02):
                with self._lock:
                    if key.data is None:
                        self._accept()
                    elif key.data in self._pairs:
                        self._pump(key.data, key.fileobj)

    def _accept(self) -> None:
        near, _ = self._listener.accept()
        self.accepted += 1
        far = None
        if self.way is Way.PASS:
            try:
                far = socket.create_connection((HOST, self._target), 5)
            except OSError:
                near.close()
                return
        pair = Pair(near, far)
        self._pairs.add(pair)
        for sock in pair:
            if sock is not None and self.way is not Way.TARPIT:
                self._selector.register(sock, selectors.EVENT_READ, pair)

    def _pump(self, pair: Pair, source: socket.socket) -> None:
        other = pair.far if source is pair.near else pair.near
        try:
            data = source.recv(CHUNK_BYTES)
            if not data and source is pair.far and (self.way is Way.BLACK_HOLE or pair in self._stranded):
                self._selector.unregister(source)  # the near end is not told
            elif not data:
                self._drop(pair)
            elif self.way is Way.HALF_CONNACK:
                pair.near.sendall(b"\x20\x09\x00")
            elif self.way is Way.GARBAGE:
                pair.near.sendall(os.urandom(4096))
            elif other is not None and self.way is Way.PASS and pair not in self._stranded:
                other.sendall(data)
        except OSError:
            self._drop(pair)

    def _drop(self, pair: Pair) -> None:
        self._pairs.discard(pair)
        self._stranded.discard(pair)
        for sock in pair:
            if sock is not None:
                with suppress(KeyError):
                    self._selector.unregister(sock)
                sock.close()


class Packet(NamedTuple):
    """One MQTT control packet: its type (3 is PUBLISH), its flags, its body."""

    kind: int
    flags: int
    body: bytes


CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK, PINGREQ, PINGRESP, DISCONNECT = 1, 2, 3, 4, 8, 9, 12, 13, 14


def make_packet(kind: int, body: bytes, flags: int = 0) -> bytes:
    """Return a packet (MQTT 3.1.1, section 2)."""
    length, rest = b"", len(body)
    while True:
        rest, digit = divmod(rest, 128)
        length += bytes([digit | (0x80 if rest else 0)])
        if not rest:
            return bytes([kind << 4 | flags]) + length + body


def make_publish(topic: str, payload: bytes, *, retained: bool = False) -> bytes:
    """Return a PUBLISH packet of QoS 0."""
    name = topic.encode()
    return make_packet(PUBLISH, len(name).to_bytes(2, "big") + name + payload, int(retained))


class Peer:
    """The daemon as the raw broker sees it: one connection, MQTT 3.1.1. Its reads raise EOFError at the end."""

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock
        self._file = sock.makefile("rb")

    def send(self, data: bytes) -> None:
        self.sock.sendall(data)

    def _take(self, length: int) -> bytes:
        data = self._file.read(length)
        if len(data) < length:
            raise EOFError
        return data

    def read(self) -> Packet:
        first = self._take(1)[0]
        length = shift = 0
        while True:
            digit = self._take(1)[0]
            length |= (digit & 0x7F) << shift
            shift += 7
            if not digit & 0x80:
                return Packet(first >> 4, first & 0x0F, self._take(length))

    def greet(self, *, session_present: bool = False, refuse_subscriptions: bool = False) -> None:
        """Answer CONNECT and SUBSCRIBE."""
        assert self.read().kind == CONNECT
        self.send(make_packet(CONNACK, bytes([int(session_present), 0])))
        packet = self.read()
        assert packet.kind == SUBSCRIBE
        codes = bytes([0x80 if refuse_subscriptions else 0]) * _count_topics(packet.body[2:])
        self.send(make_packet(SUBACK, packet.body[:2] + codes))

    def hang_up(self) -> None:
        """Break the connection; for any thread."""
        with suppress(OSError):
            self.sock.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Let go of the socket; for the thread that reads."""
        self.hang_up()
        self._file.close()
        self.sock.close()


def _count_topics(body: bytes) -> int:
    count = 0
    while body:
        body = body[2 + int.from_bytes(body[:2], "big") + 1 :]
        count += 1
    return count


Script = Callable[["RawBroker", Peer], None]


class RawBroker:
    """Gives each connection to `script`, one after the other, and keeps what is published to it."""

    def __init__(self, script: Script) -> None:
        self.port = free_port()
        self.connections = 0
        # How many connections ended with a DISCONNECT, after which a broker publishes no will.
        self.goodbyes = 0
        self.published: list[tuple[str, bytes]] = []
        self.acknowledges = True
        self._owed: deque[bytes] = deque()
        self._script = script
        self._listener = socket.create_server((HOST, self.port))
        self._peer: Peer | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while True:
            try:
                sock, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            self._peer = Peer(sock)
            self._owed.clear()
            with suppress(OSError, EOFError, ValueError):  # it, or we, have gone
                self._script(self, self._peer)
            self._peer.close()

    def serve(self, peer: Peer) -> None:
        """Keep what it publishes and answer its pings until it goes; acknowledge while `acknowledges`."""
        while True:
            packet = peer.read()
            if packet.kind == PINGREQ:
                peer.send(make_packet(PINGRESP, b""))
            elif packet.kind == DISCONNECT:
                self.goodbyes += 1
                return
            elif packet.kind == PUBLISH:
                self._keep(peer, packet)

    def _keep(self, peer: Peer, packet: Packet) -> None:
        length = int.from_bytes(packet.body[:2], "big")
        topic, rest = packet.body[2 : 2 + length].decode(), packet.body[2 + length :]
        acknowledged = packet.flags & 0x06
        self.published.append((topic, rest[2:] if acknowledged else rest))
        if acknowledged:
            self._owed.append(rest[:2])
            self.pay(peer)

    def pay(self, peer: Peer) -> None:
        """Send the acknowledgements that are owed, if it acknowledges at all."""
        while self.acknowledges and self._owed:
            peer.send(make_packet(PUBACK, self._owed.popleft()))

    def drop(self) -> None:
        """Break the connection that there is."""
        if self._peer is not None:
            self._peer.hang_up()

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.drop()
        self._thread.join(10)
