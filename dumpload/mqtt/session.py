"""One connection to the broker, from connect to loss, on the event loop's own socket callbacks.

Everything here runs on the event loop's thread, except `connect`, which may block for seconds and runs on a thread
of its own. A session is used once: the next connection is a new one, so nothing of a broken one is carried over.

A message is stamped with the last moment at which the socket was known to be empty before the first byte of a packet
was read: `Session.read` says why.
"""

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import Callable
from typing import Any, cast

from paho.mqtt import client as paho
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from dumpload.core.decode import MAX_PAYLOAD_BYTES
from dumpload.core.freshness import NEVER
from dumpload.mqtt import Ending, LinkOptions, Listener, Message
from dumpload.mqtt.client import (
    CONNECT_TIMEOUT_S,
    NO_LIMITS,
    connect,
    expiry,
    limits,
    make_client,
    publication_bytes,
    subscribe,
    subscription_bytes,
)

# How long a burst may keep the event loop before timers and signals get their turn.
SLICE_S = 0.002

# A socket not known to be empty for this long means that we, or the link, have been standing still.
STALL_S = 3.0

# A broker that acknowledges nothing for this many keepalives, though it sends and answers pings, is given up.
PATIENCE_KEEPALIVES = 3

# What is kept of a payload that is too large, for whoever names it.
SHOWN_BYTES = 80

_TAKEN_OVER = 0x8E
_NOT_ASKED = -1
_BREACH = "the broker breaks the protocol"

# Which settings may be behind a refusal: reason codes of MQTT 5.0, section 3.2.2.2; paho gives those of 3.1.1 as these.
_LOOK_AT = {
    0x84: "mqtt.protocol",
    0x85: "mqtt.client_id",
    0x86: "mqtt.username, mqtt.password_file",
    0x87: "mqtt.username, mqtt.password_file, mqtt.client_id",
    0x95: "presence is too long for it: mqtt.base_topic",
    0x9A: "status and presence are retained: mqtt.host",
    0x9B: "presence is its will at QoS 1: mqtt.host",
}


class Session:
    """One connection. `lost` is done, with the reason, when the session has ended."""

    def __init__(self, options: LinkOptions, listener: Listener, clock: Callable[[], float]) -> None:
        """Prepare; nothing is sent or read before `open`. `clock` gives monotonic seconds."""
        self._options = options
        self._asked = {subscription.topic: subscription.qos for subscription in options.subscriptions}
        self._listener = listener
        self._clock = clock
        self._loop = asyncio.get_running_loop()
        self.lost: asyncio.Future[str] = self._loop.create_future()
        self.acknowledged: Callable[[int], None] = lambda _mid: None
        self.report: Callable[[str], None] = lambda _trouble: None
        self.limits = NO_LIMITS
        self._too_large: set[str] = set()
        self._subscription_id: int | None = None
        self._unacknowledged: dict[int, str] = {}  # topics, by packet identifier
        self._forbidden: set[str] = set()
        self._acknowledged_at = NEVER
        self.drained_at = clock()
        self._behind = False
        self._reading_on = False
        self._socket: socket.socket | None = None
        self._opened_at = self.drained_at
        self.is_up = self._was_up = False
        self.ending = Ending.OTHER
        self._client = make_client(options)
        self._hear_from(self._client)

    def _hear_from(self, client: paho.Client) -> None:
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_socket_open = self._on_socket_open
        client.on_socket_close = self._on_socket_close
        client.on_socket_register_write = self._on_register_write
        client.on_socket_unregister_write = self._on_unregister_write

    # ---- opening: the blocking part on a thread of its own ----

    async def open(self) -> None:
        """Connect to the broker and send CONNECT.

        Raises:
            OSError: unreachable, refused, timed out, or a TLS or password file that cannot be used.
        """
        opened: asyncio.Future[None] = self._loop.create_future()

        def report(error: Exception | None) -> None:
            if not opened.done():
                opened.set_exception(error) if error else opened.set_result(None)

        def work() -> None:
            error: Exception | None = None
            try:
                connect(self._client, self._options)
            except Exception as caught:  # noqa: BLE001  (carried to the event loop)
                error = caught if isinstance(caught, OSError) else OSError(f"{type(caught).__name__}: {caught}")
            with contextlib.suppress(RuntimeError):  # the loop is gone: nobody waits
                self._loop.call_soon_threadsafe(report, error)

        # A daemon thread, not an executor: a look-up that hangs must not keep the process from ending.
        threading.Thread(target=work, name="mqtt-connect", daemon=True).start()
        await opened
        self._start_reading()

    def _start_reading(self) -> None:
        sock = cast("socket.socket | None", self._client.socket())
        if sock is None:
            self._end("the connection was closed while being established")
            return
        self._socket = sock
        self.drained_at = self._opened_at = self._clock()
        self._loop.add_reader(sock, self.read)
        if self._client.want_write():
            self._loop.add_writer(sock, self._write)

    # ---- reading and writing ----

    def read(self) -> None:
        """Take what the socket has; called when it is readable, and by the supervision tick."""
        if self._socket is None or self._reading_on:
            return
        # The arrival stamp. The moment a callback runs says nothing: after a stall of a minute the kernel hands over a
        # minute's messages at once, and each would look new. What can be known is a bound: when the socket was last
        # seen empty, nothing that is read now had arrived yet, so it is as old as that at most. The clock is taken
        # before the read, or what comes during it would be dated too late; and a packet in parts is as old as its first
        # byte, because stamped at its last one a value held back for longer than its age once switched the load on.
        before = self._clock()
        self._notice_stall(before)
        if self._client.fill(self.drained_at):
            self.drained_at = before
        elif not self._client.at_end:
            self._loop.call_soon(self.read)
        if self._client.chunk or self._client.at_end:
            self._handle_chunk()
        self._client.acknowledge()

    def _notice_stall(self, now: float) -> None:
        behind = now - self.drained_at > STALL_S
        if behind and not self._behind:
            self._listener.on_evidence_reset(f"stood still for {now - self.drained_at:.1f} s")
        self._behind = behind

    def _handle_chunk(self) -> None:
        """Handle the packets of the chunk, a slice of time at once, so that deadlines due meanwhile are met."""
        self._reading_on = False
        slice_ends = time.monotonic() + SLICE_S
        while self._socket is not None:
            if not self._client.take_packet():
                self._end("the connection broke")
            if not self._client.chunk:
                return
            if time.monotonic() >= slice_ends:
                self._reading_on = True
                self._loop.call_soon(self._handle_chunk)
                return

    def _write(self) -> None:
        if self._client.loop_write() != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._end("the connection broke")

    def tick(self) -> None:
        """Run once a second: drain the socket (which keeps the arrival stamp young), then keepalive."""
        if self._socket is None:
            return
        self.read()
        if not self.is_up and self._clock() - self._opened_at > max(self._options.keepalive_s, CONNECT_TIMEOUT_S):
            self._end("the broker accepted the connection, then did not answer")
        elif (silent_s := self._unacknowledged_s) > PATIENCE_KEEPALIVES * self._client.keepalive:
            self._end(f"the broker has acknowledged nothing for {silent_s:.0f} s")
        elif self._client.loop_misc() != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._end("the broker has gone silent (keepalive)")

    @property
    def _unacknowledged_s(self) -> float:
        """For how long nothing of ours has been acknowledged though something waits for that (s)."""
        return self._clock() - self._acknowledged_at if self._unacknowledged else 0.0

    def publish(self, topic: str, payload: str, *, qos: int, retain: bool, expires_s: int | None) -> int | None:
        """Queue a message, as the broker takes it; return its packet identifier, or None if it is too large for it."""
        most = self.limits
        if publication_bytes(topic, payload) > most.packet_bytes:
            self._too_large.add(topic)
            self.report(self.trouble)
            return None
        qos, retain = min(qos, most.qos), retain and most.retain
        packet_id = self._client.publish(topic, payload, qos, retain, expiry(self._options, expires_s)).mid
        if not self._unacknowledged:
            self._acknowledged_at = self._clock()
        self._unacknowledged[packet_id] = topic
        return packet_id

    @property
    def trouble(self) -> str:
        """What an owner should know of the broker; empty if there is nothing."""
        too_small = (
            f"it takes packets of at most {self.limits.packet_bytes} bytes, too few for"
            f" {', '.join(sorted(self._too_large))} (its own limit, or shorten mqtt.base_topic)"
        )
        forbidden = f"it does not allow publishing to {', '.join(sorted(self._forbidden))} (its access rules)"
        warnings = ([too_small] if self._too_large else []) + ([forbidden] if self._forbidden else [])
        return "; ".join((*self.limits.words, *warnings))

    @property
    def has_unsent(self) -> bool:
        """Whether anything still waits to be written."""
        return self._socket is not None and self._client.want_write()

    def close(self) -> None:
        """Say goodbye and let the socket go; the broker then publishes no will."""
        if self._socket is not None:
            self._client.disconnect()
            self._client.loop_write()
        self._end("closed by us")

    def drop(self) -> None:
        """Let the socket go without a word; the broker then publishes our will."""
        self._end("dropped by us")

    def _end(self, reason: str) -> None:
        if not self.lost.done():
            self.lost.set_result(reason)
        self._forget_socket()
        if (sock := self._client.socket()) is not None:
            sock.close()

    def _forget_socket(self) -> None:
        if self._socket is not None:
            self._loop.remove_reader(self._socket)
            self._loop.remove_writer(self._socket)
        self._socket = None
        self.is_up = False

    # ---- paho's callbacks: on the event loop's thread, but for the two named ----

    def _on_socket_open(self, _client: paho.Client, _userdata: Any, sock: Any) -> None:
        """On the connect thread: paho leaves Nagle's algorithm on, which can hold a small packet back for 40 ms."""
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _on_register_write(self, _client: paho.Client, _userdata: Any, _sock: Any) -> None:
        """On the connect thread while connecting (then `_start_reading` looks), else on the event loop's."""
        if self._socket is not None:
            self._loop.add_writer(self._socket, self._write)

    def _on_unregister_write(self, _client: paho.Client, _userdata: Any, _sock: Any) -> None:
        if self._socket is not None:
            self._loop.remove_writer(self._socket)

    def _on_socket_close(self, _client: paho.Client, _userdata: Any, _sock: Any) -> None:
        self._forget_socket()

    def _on_connect(self, _client: paho.Client, _userdata: Any, flags: Any, code: ReasonCode, props: Any) -> None:
        if code.is_failure:
            self._end(f"the broker refused: {code} ({_LOOK_AT.get(code.value, 'mqtt.username, mqtt.client_id')})")
            return
        self._client.keep_alive_within(self._options.keepalive_s)
        self.limits = limits(props)
        if flags.session_present:
            self._listener.on_evidence_reset("the broker resumed an old session although a clean one was requested")
        if (size := subscription_bytes(self._options)) > self.limits.packet_bytes:
            most = f"the broker takes packets of at most {self.limits.packet_bytes} bytes"
            self._end(f"{most}, our subscriptions need {size}: raise its limit, or shorten telemetry.*.topic")
            return
        self._subscription_id = subscribe(self._client, self._options)

    def _on_subscribe(self, _client: paho.Client, _userdata: Any, mid: int, codes: Any, _props: Any) -> None:
        requested = len(self._options.subscriptions)
        if mid != self._subscription_id:
            self._end(f"{_BREACH}: a subscription acknowledged that is not ours")
            return
        self._subscription_id = None
        if len(codes) != requested:
            self._end(f"{_BREACH}: {len(codes)} subscriptions acknowledged, requested were {requested}")
            return
        denied = [
            subscription.topic
            for subscription, code in zip(self._options.subscriptions, codes, strict=False)
            if code.is_failure
        ]
        if denied:
            self._end(f"the broker does not allow subscribing to {', '.join(denied)} (its access rules)")
            return
        self.is_up = self._was_up = True
        self.report(self.trouble)
        self._listener.on_up()

    def _on_message(self, _client: paho.Client, _userdata: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return  # not UTF-8: no topic of ours
        if breach := self._breach(topic, message):
            self._end(f"{_BREACH}: {breach}")
        # One that is marked as a repeat was handled when it first came: heard again it is no new evidence. Before `up`
        # only what is never evidence may come: what the broker keeps, to be shown.
        elif not message.dup and (self.is_up or message.retain) and self._asked_qos(topic) != _NOT_ASKED:
            self._hand_on(Message(topic, self._payload(message), message.retain, self._client.stamp))

    def _payload(self, message: paho.MQTTMessage) -> bytes:
        """Return the payload, or for one that is too large its beginning, made too long for any reader to accept."""
        if self._client.is_cut:
            return bytes(message.payload[:SHOWN_BYTES]).ljust(MAX_PAYLOAD_BYTES + 1)
        return bytes(message.payload)

    def _breach(self, topic: str, message: paho.MQTTMessage) -> str:
        """Return what is wrong with a publication that no broker may send; empty if nothing is."""
        # Once "" was also the name of a request topic that was switched off, and whoever sent it ran the load.
        if not topic:
            return "a message without a topic"
        # Section 3.1.2.11.5 of MQTT 5.0: no alias may come, since we announce no Topic Alias Maximum.
        if hasattr(message.properties, "TopicAlias"):
            return f"a topic alias with a message on {topic}, though none was allowed"
        if message.qos and message.qos > (most := self._asked_qos(topic)) != _NOT_ASKED:
            return f"{topic} arrived at QoS {message.qos}, requested was {most}"
        return ""

    def _asked_qos(self, topic: str) -> int:
        """Return the highest quality of service asked for a topic."""
        if (exact := self._asked.get(topic)) is not None:
            return exact
        matching = (
            subscription.qos
            for subscription in self._options.subscriptions
            if paho.topic_matches_sub(subscription.topic, topic)
        )
        return max(matching, default=_NOT_ASKED)

    def _hand_on(self, message: Message) -> None:
        try:
            self._listener.on_message(message)
        except Exception as error:  # noqa: BLE001  (raised here, paho would hand out the same message for ever)
            self._listener.on_callback_error(error)

    def _on_publish(self, _client: paho.Client, _userdata: Any, mid: int, code: ReasonCode, _props: Any) -> None:
        topic = self._unacknowledged.pop(mid, "")
        # MQTT 3.1.1 has no word for a refusal.
        if topic and code.is_failure != (topic in self._forbidden):
            if code.is_failure:
                self._forbidden.add(topic)
            else:
                # The rules have changed; some of our topics are published seldom.
                self._forbidden.clear()
            self.report(self.trouble)
        self._acknowledged_at = self._clock()
        self.acknowledged(mid)

    def _on_disconnect(self, _client: paho.Client, _userdata: Any, _flags: Any, code: ReasonCode, _props: Any) -> None:
        if self.lost.done():
            return
        closed_by_broker = self._client.at_end and not self._client.refused
        if code.value == _TAKEN_OVER:
            self.ending = Ending.TAKEN_OVER
            self._end(f"another client connected as {self._options.client_id!r} (mqtt.client_id must be unique)")
            return
        if closed_by_broker and self._was_up:
            self.ending = Ending.HUNG_UP
        reason = self._client.refused or ("the broker closed it" if closed_by_broker else code)
        self._end(f"the connection was lost: {reason}")
