"""The paho client as we use it: how it is made, how it connects, what it subscribes to, how it reads.

paho's defaults that would hurt here are changed in this one place. Nothing here knows of sessions or of events.
"""

import contextlib
import socket
import ssl
from pathlib import Path
from typing import Any, NamedTuple, Self

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from dumpload.files import FileKindError, read_plain
from dumpload.mqtt import LinkOptions, Subscription

CONNECT_TIMEOUT_S = 5.0
# One system call serves a whole packet, and says whether the socket is now empty, which the arrival stamp needs.
CHUNK_BYTES = 16 * 1024
PASSWORD_FILE_BYTES = 64 * 1024
# The largest packet that is kept whole: the largest payload that is looked at (64 KiB), its topic and properties.
MAX_PACKET_BYTES = 72 * 1024

# First byte, remaining length (4), length of the topic (2), identifier (2), properties: an expiry (6).
HEADER_BYTES = 15

# A SUBACK of 72 KiB made the library stand still for seconds over its reason codes.
MAX_ANSWER_BYTES = 4 * 1024

# Kind and quality of service in a packet's first byte (MQTT 5.0, sections 2.1.1 and 3.3.1; the same in 3.1.1).
_KIND_AND_QOS = 0b1111_0110
_CONNACK, _PUBLISH = 2, 3
_PUBLISH_QOS_2 = 0b0011_0100


class _Skipped(bytes):
    """Bytes that were read and not kept: they count as many, and hold none."""

    # paho has no way to skip a packet. It counts down what is still to come of one and appends it to what it has, so
    # the end of a packet that is too large can be told to it without any of it being stored; topic, identifier and
    # acknowledgement remain paho's. To end the session instead would end every one: on MQTT 3.1.1 the broker hands a
    # retained message over again at each subscription.

    def __new__(cls, count: int) -> Self:
        """Stand for `count` bytes."""
        skipped = super().__new__(cls)
        skipped._length = count
        return skipped

    _length: int

    def __len__(self) -> int:
        return self._length


class ChunkClient(paho.Client):
    """A paho client that reads in chunks, one packet at a time, and knows how old each packet's first byte is.

    paho asks its socket for one byte, then one byte, then the rest; here those are served from one system call,
    which also tells whether the socket is now empty. All parsing is paho's.

    Of paho's private members three are used: `_sock_recv`, which it calls for every byte it reads,
    `_in_packet["command"]`, which is 0 between packets, and `_keepalive`. tests/test_mqtt_client.py fails if one of
    them is renamed.
    """

    chunk = memoryview(b"")
    at_end = False
    # Why reading was given up, if that was our own choice.
    refused = ""

    # Lower bound of the arrival time of the first byte of the packet at hand (s, on the clock of `fill`).
    stamp = 0.0

    # Whether the packet at hand is over the limit, so that only its beginning is kept.
    is_cut = False

    _chunk_stamp = 0.0
    _may_begin = False
    _was_accepted = False
    _is_publication = False
    _room = 0

    def fill(self, stamp: float) -> bool:
        """Read one chunk, nothing of which can have come before `stamp`; return whether the socket is now empty."""
        self._chunk_stamp = stamp
        try:
            data = super()._sock_recv(CHUNK_BYTES)
        except BlockingIOError:
            return True
        except OSError:
            # A connection reset, for one: paho learns of it as of any other end.
            self.at_end = True
            return True
        self.chunk = memoryview(data)
        self.at_end = not data
        # TLS hands out one record at a time: only its "would block" is proof.
        return len(data) < CHUNK_BYTES and not isinstance(self.socket(), ssl.SSLSocket)

    def acknowledge(self) -> None:
        """Let the kernel acknowledge at once what was read."""
        # The kernel would wait up to 40 ms for something to send along with it, and a broker that leaves Nagle's
        # algorithm on holds the next message back for as long.
        sock: Any = self.socket()
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)

    def keep_alive_within(self, longest_s: int) -> None:
        """Keep our own keepalive even if the broker asks for a longer one, or for none (0)."""
        # paho takes the broker's word, and has no public way to change it on a connection.
        self._keepalive = min(self._keepalive or longest_s, longest_s)

    def take_packet(self) -> bool:
        """Let paho read on in the chunk, to the end of one packet; return whether the connection is still good."""
        self._may_begin = not self._in_packet["command"]
        return self.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS

    def _sock_recv(self, bufsize: int) -> bytes:
        if self.chunk and not self._in_packet["command"]:
            self._begin_packet(self.chunk[0])
        if not self.chunk:
            if self.at_end:
                return b""
            raise BlockingIOError
        if not (self._room or self._is_publication):
            self.refused = f"an answer of over {MAX_ANSWER_BYTES} bytes"
            raise ConnectionError(self.refused)
        length = min(bufsize, self._room or bufsize)
        data, self.chunk = bytes(self.chunk[:length]), self.chunk[length:]
        if not self._room:
            self.is_cut = True
            return _Skipped(len(data))
        self._room -= len(data)
        return data

    def _begin_packet(self, first_byte: int) -> None:
        # Left to itself paho takes a packet for each message of ours that waits to be acknowledged, a hundred in one
        # go, and a timer that falls due meanwhile is late by all of them.
        if not self._may_begin:
            raise BlockingIOError
        self._may_begin = False
        kind = first_byte >> 4
        self.stamp, self.is_cut = self._chunk_stamp, False
        self._is_publication = kind == _PUBLISH
        self._room = MAX_PACKET_BYTES if self._is_publication else MAX_ANSWER_BYTES
        # paho takes an acknowledged subscription, and messages, before the connection is accepted.
        if (kind == _CONNACK) == self._was_accepted:
            self.refused = "the first packet from a broker, and no other, accepts the connection"
        self._was_accepted = True
        # paho would take the next byte for a packet's first once more.
        if not kind:
            self.refused = "a packet of a kind that does not exist"
        # paho keeps a message at QoS 2 until its release, whenever that is, and as many as a broker likes to send.
        if first_byte & _KIND_AND_QOS == _PUBLISH_QOS_2:
            self.refused = "a message at QoS 2, which was never requested"
        if self.refused:
            raise ConnectionError(self.refused)


def make_client(options: LinkOptions) -> ChunkClient:
    """Return a client that never reconnects by itself and has its will set; nothing is sent yet."""
    five = options.protocol == "5"
    client = ChunkClient(
        CallbackAPIVersion.VERSION2,
        client_id=options.client_id,
        clean_session=None if five else True,
        protocol=paho.MQTTv5 if five else paho.MQTTv311,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    if options.will is not None:
        client.will_set(options.will.topic, options.will.payload, qos=1, retain=True)
    return client


def connect(client: ChunkClient, options: LinkOptions) -> None:
    """Connect and send CONNECT; may block for seconds. A clean start, always: no session is ever resumed.

    Raises:
        OSError: unreachable, refused, timed out, or a TLS or password file that cannot be used.
        ValueError: a TLS file or a host that makes no sense to the library.
    """
    if options.username is not None:
        file = options.password_file
        client.username_pw_set(options.username, None if file is None else _read_password(file))
    if options.tls:
        client.tls_set(
            ca_certs=str(options.ca_file) if options.ca_file else None,
            certfile=str(options.client_cert_file) if options.client_cert_file else None,
            keyfile=str(options.client_key_file) if options.client_key_file else None,
        )
    properties = None
    if options.protocol == "5":
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 0
        properties.MaximumPacketSize = MAX_PACKET_BYTES
    clean = True if options.protocol == "5" else paho.MQTT_CLEAN_START_FIRST_ONLY
    # As bytes: a text would load the tables of international names, 400 kB, even if it is a number.
    host: Any = options.host.encode() if options.host.isascii() else options.host
    client.connect(host, options.port, options.keepalive_s, clean_start=clean, properties=properties)


def _read_password(file: Path) -> str:
    try:
        return read_plain(file, PASSWORD_FILE_BYTES).decode().partition("\n")[0].rstrip("\r")
    except FileKindError as error:
        message = f"mqtt.password_file: {error}"
    except UnicodeDecodeError:  # whose own words show a byte of it
        message = "mqtt.password_file: expected UTF-8 text"
    raise OSError(message)


def subscribe(client: ChunkClient, options: LinkOptions) -> int | None:
    """Ask for every topic, and return the packet identifier."""
    # MQTT 5 does not even send retained values where they are not wanted (3.8.3.1).
    if options.protocol == "5":
        return client.subscribe([(subscription.topic, _five(subscription)) for subscription in options.subscriptions])[
            1
        ]
    return client.subscribe([(subscription.topic, subscription.qos) for subscription in options.subscriptions])[1]


class BrokerLimits(NamedTuple):
    """What the broker takes: publications on the way at once, their highest QoS, retained ones, bytes in a packet."""

    in_flight: int
    qos: int
    retain: bool
    packet_bytes: int

    @property
    def words(self) -> tuple[str, ...]:
        """What an owner should know of them."""
        no_qos = "it supports QoS 0 only: changes may be lost (mqtt.host)"
        no_retain = "it keeps no retained messages: only current listeners get status and presence (mqtt.host)"
        return (no_qos,) * (not self.qos) + (no_retain,) * (not self.retain)


# As a broker means it that says nothing.
NO_LIMITS = BrokerLimits(65_535, 2, True, 2**28)


def limits(properties: Properties | None) -> BrokerLimits:
    """Return what a broker that accepted us takes (CONNACK, MQTT 5.0, section 3.2.2.3; 3.1.1 knows no limits)."""
    return BrokerLimits(
        getattr(properties, "ReceiveMaximum", NO_LIMITS.in_flight),
        getattr(properties, "MaximumQoS", NO_LIMITS.qos),
        bool(getattr(properties, "RetainAvailable", NO_LIMITS.retain)),
        getattr(properties, "MaximumPacketSize", NO_LIMITS.packet_bytes),
    )


def subscription_bytes(options: LinkOptions) -> int:
    """Return how large the packet is at most that asks for every topic."""
    return HEADER_BYTES + sum(len(subscription.topic.encode()) + 3 for subscription in options.subscriptions)


def publication_bytes(topic: str, payload: str) -> int:
    """Return how large a packet of ours is at most that carries this."""
    return HEADER_BYTES + len(topic.encode()) + len(payload.encode())


def expiry(options: LinkOptions, expires_s: int | None) -> Properties | None:
    """Return the properties that make a message expire at the broker, where the protocol has them."""
    if expires_s is None or options.protocol != "5":
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = expires_s
    return properties


def _five(subscription: Subscription) -> SubscribeOptions:
    handling = (
        SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE if subscription.retained else SubscribeOptions.RETAIN_DO_NOT_SEND
    )
    return SubscribeOptions(qos=subscription.qos, retainAsPublished=subscription.retained, retainHandling=handling)
