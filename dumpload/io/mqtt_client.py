"""The paho client as we use it: how it is made, how it connects, what it subscribes to, how it reads.

paho's defaults that would hurt here are changed in this one place. Nothing here knows of sessions or of events.
"""

import contextlib
import socket
import ssl
from pathlib import Path
from typing import Any

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from dumpload.files import FileKindError, read_plain
from dumpload.io.mqtt_packet import Publication, read_publication
from dumpload.io.mqtt_types import LinkOptions, Subscription

CONNECT_TIMEOUT_S = 5.0
CHUNK_BYTES = 16 * 1024
PASSWORD_FILE_BYTES = 64 * 1024
MAX_PACKET_BYTES = 72 * 1024
"""The largest packet taken: the largest payload that is looked at (64 KiB), its topic and properties."""


class ChunkClient(paho.Client):
    """A paho client that reads in chunks and refuses packets over the limit.

    paho asks its socket for one byte, then one byte, then the rest; here those are served from one system call,
    which also tells whether the socket is now empty.
    """

    chunk = memoryview(b"")
    at_end = False
    refused = ""
    """Why reading was given up, if that was our own choice."""

    def fill(self) -> bool:
        """Read one chunk from the socket; return whether that is known to have emptied it."""
        try:
            data = super()._sock_recv(CHUNK_BYTES)
        except BlockingIOError:
            return True
        except OSError:  # a connection reset, for one: paho learns of it as of any other end
            self.at_end = True
            return True
        self.chunk = memoryview(data)
        self.at_end = not data
        # TLS hands out one record at a time: only its "would block" is proof.
        return len(data) < CHUNK_BYTES and not isinstance(self._sock, ssl.SSLSocket)

    def acknowledge(self) -> None:
        """Let the kernel acknowledge at once what was read.

        It would wait up to 40 ms for something to send along with it, and a broker that leaves Nagle's algorithm on
        holds the next message back for as long.
        """
        sock: Any = self._sock
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)

    def take_publication(self) -> Publication | None:
        """Take the next packet if it is a small publication at QoS 0; None: it is for paho's `loop_read`."""
        if self._in_packet["command"]:  # paho is in the middle of a packet
            return None
        found = read_publication(self.chunk, five=self._protocol == paho.MQTTv5)
        if found is not None:
            self.chunk = self.chunk[found.size :]
        return found

    def _sock_recv(self, bufsize: int) -> bytes:
        if bufsize > MAX_PACKET_BYTES:
            self.refused = f"packet of {bufsize} bytes, at most {MAX_PACKET_BYTES} are taken"
            raise ConnectionError(self.refused)
        if self.chunk:
            data, self.chunk = self.chunk[:bufsize], self.chunk[bufsize:]
            return bytes(data)
        if self.at_end:
            return b""
        raise BlockingIOError


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


def subscribe(client: ChunkClient, options: LinkOptions) -> None:
    """Ask for every topic; on MQTT 5 retained values are not even sent where they are not wanted (3.8.3.1)."""
    if options.protocol == "5":
        client.subscribe([(one.topic, _five(one)) for one in options.subscriptions])
    else:
        client.subscribe([(one.topic, one.qos) for one in options.subscriptions])


def expiry(options: LinkOptions, expires_s: int | None) -> Properties | None:
    """Return the properties that make a message expire at the broker, where the protocol has them."""
    if expires_s is None or options.protocol != "5":
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = expires_s
    return properties


def _five(one: Subscription) -> SubscribeOptions:
    handling = SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE if one.retained else SubscribeOptions.RETAIN_DO_NOT_SEND
    return SubscribeOptions(qos=one.qos, retainAsPublished=one.retained, retainHandling=handling)
