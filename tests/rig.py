"""The daemon's surroundings: who hears what it publishes, who publishes telemetry, and all of them together."""

import json
import threading
from pathlib import Path
from socket import IPPROTO_TCP, TCP_NODELAY
from typing import Any, NamedTuple

from brokers import HOST, Broker
from daemons import BASE, CHARGE, SETTINGS, Daemon
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from waiting import PATIENCE_S, boot_clock, eventually

PERIOD_S = 0.1
FULL = 98
COMPLAINTS = ("error", "critical")


class Heard(NamedTuple):
    """One message as a subscriber got it, and when (seconds since boot)."""

    topic: str
    payload: bytes
    retained: bool
    t: float


class Client:
    """A plain MQTT client that keeps everything it hears, and comes back by itself when the broker was away."""

    def __init__(
        self,
        port: int,
        topics: str = "#",
        *,
        client_id: str = "",
        will: tuple[str, str] | None = None,
        clean: bool = True,
        username: str = "",
        password: str = "",
    ) -> None:
        self.heard: list[Heard] = []
        self.connections = 0
        self._topics = topics
        self.paho = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=clean)
        self.paho.reconnect_delay_set(1, 1)
        self.paho.on_socket_open = lambda _client, _userdata, sock: sock.setsockopt(IPPROTO_TCP, TCP_NODELAY, 1)
        self.paho.on_connect = self._on_connect
        self.paho.on_subscribe = self._on_subscribe
        self.paho.on_message = self._on_message
        if will is not None:
            self.paho.will_set(*will)
        if username:
            self.paho.username_pw_set(username, password)
        self.paho.connect(HOST, port)
        self.paho.loop_start()
        eventually(lambda: self.connections, "the test's own client to connect")

    def _on_connect(self, *_args: object) -> None:
        self.paho.subscribe(self._topics, 1)

    def _on_subscribe(self, *_args: object) -> None:
        self.connections += 1

    def _on_message(self, _client: object, _userdata: object, message: paho.MQTTMessage) -> None:
        self.heard.append(Heard(message.topic, message.payload, message.retain, boot_clock()))

    def publish(
        self, payload: str | bytes | float, topic: str = CHARGE, *, qos: int = 0, retain: bool = False
    ) -> float:
        """Publish, wait until the broker has it (QoS 1) or it has left us, and return the moment before."""
        moment = boot_clock()
        self.paho.publish(topic, payload, qos, retain).wait_for_publish(10)
        return moment

    def documents(self, leaf: str, base: str = BASE) -> list[dict[str, Any]]:
        """Return what the daemon published on one of its JSON topics."""
        return [json.loads(message.payload) for message in list(self.heard) if message.topic == f"{base}/{leaf}"]

    def close(self) -> None:
        self.paho.disconnect()
        self.paho.loop_stop()
        self.paho._reset_sockets()  # the pair with which it wakes its own thread

    def vanish(self) -> None:
        """Lose the connection without a word: the broker publishes the will."""
        self.paho.loop_stop()
        self.paho._reset_sockets()


class Source:
    """Publishes the same value over and over until told otherwise."""

    def __init__(self, client: Client, period_s: float = PERIOD_S, topic: str = CHARGE) -> None:
        self.value: Any = None
        self.sent_at = 0.0
        self.sent = 0
        self._client, self._period_s, self._topic = client, period_s, topic
        self._ended = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._ended.wait(self._period_s):
            with self._lock:
                if self.value is not None:
                    text = self.value() if callable(self.value) else self.value
                    self.sent_at = boot_clock()
                    self._client.paho.publish(self._topic, text)
                    self.sent += 1

    def set(self, value: Any) -> float:
        """Publish this from now (None: nothing); once this returns nothing else comes. Return the last sending."""
        with self._lock:
            self.value = value
            return self.sent_at

    def close(self) -> None:
        self._ended.set()
        self._thread.join()


class Barge:
    """One broker, one daemon, one source of telemetry, and a subscriber that hears it all."""

    def __init__(self, folder: Path, broker: Broker, client: Client | None = None) -> None:
        self.folder = folder
        self.broker = broker
        self.client = client or Client(broker.port)
        self.source = Source(self.client)
        self.daemons: list[Daemon] = []
        self.complaints_expected = False
        self._changes_seen = 0

    def close(self) -> None:
        """End everything; none of the daemons may have logged an error, or anything that is no entry of its log."""
        self.source.close()
        for daemon in self.daemons:
            daemon.kill()
        self.client.close()
        entries = [] if self.complaints_expected else [entry for daemon in self.daemons for entry in daemon.log]
        bad = [e for e in entries if "raw" in e or e["event"] == "library" or e["level"] in COMPLAINTS]
        assert not bad, f"the daemon complained: {bad}"

    def daemon(self, *, name: str = "daemon", records: bool = True, **settings: Any) -> Daemon:
        """Prepare a daemon; in the keys of `settings` two underscores stand for a dot."""
        changed = {key.replace("__", "."): value for key, value in settings.items()}
        usual = {"mqtt.port": self.broker.port, "mqtt.protocol": "5" if self.broker.speaks_5 else "3.1.1"}
        daemon = Daemon(self.folder, {**SETTINGS, **usual, **changed}, name=name, records=records)
        self.daemons.append(daemon)
        return daemon

    def start(self, *, records: bool = True, **settings: Any) -> Daemon:
        """Start a daemon and wait until it is up."""
        daemon = self.daemon(records=records, **settings).start()
        self.await_presence("up")
        eventually(lambda: self.status, "the first status")
        return daemon

    def started_on(self, **settings: Any) -> Daemon:
        """Start a daemon, and let it switch the load on."""
        daemon = self.start(**settings)
        self.source.set(FULL)
        self.expect("on", "surplus")
        return daemon

    # ---- what it publishes ----

    @property
    def presence(self) -> str:
        payloads = [
            message.payload.decode() for message in list(self.client.heard) if message.topic == f"{BASE}/presence"
        ]
        return payloads[-1] if payloads else ""

    def await_presence(self, word: str) -> None:
        eventually(lambda: self.presence == word, f"the presence to be {word}")

    @property
    def status(self) -> dict[str, Any]:
        """The last status, or nothing."""
        documents = self.client.documents("status")
        return documents[-1] if documents else {}

    def await_status(self, **fields: Any) -> dict[str, Any]:
        """Wait until the last status has these fields."""

        def match() -> dict[str, Any]:
            status = self.status
            return status if all(status.get(key) == value for key, value in fields.items()) else {}

        return eventually(match, f"the status {fields}")

    def ask(self, **request: Any) -> dict[str, Any]:
        """Send a request (none: the selector to auto) and return the status that answers it.

        Also a barrier: everything that this client published before has been dealt with by then.
        """
        before = self.status.get("sequence", 0)
        self.client.publish(json.dumps(request or {"selector": "auto"}), f"{BASE}/request", qos=1)
        return eventually(lambda: s if (s := self.status).get("sequence", 0) > before else {}, "an answer to a request")

    @property
    def changes(self) -> list[dict[str, Any]]:
        return [document for document in self.client.documents("change") if "relay" in document]

    @property
    def refusals(self) -> list[str]:
        return [document["refused"] for document in self.client.documents("change") if "refused" in document]

    def expect(self, relay: str, cause: str, within_s: float = PATIENCE_S) -> dict[str, Any]:
        """Wait for the next change; it must be this one."""
        count = self._changes_seen
        what = f"the change to {relay} ({cause})"
        change = eventually(lambda: changes[count] if len(changes := self.changes) > count else None, what, within_s)
        self._changes_seen += 1
        assert (change["relay"], change["cause"]) == (relay, cause), f"expected {relay} ({cause}), got {change}"
        return change

    def expect_over_a_cut(self, relay: str, cause: str) -> dict[str, Any]:
        """Wait for the next change, past the last one again: it is sent twice if its acknowledgement was lost.

        Source: MQTT 3.1.1, 4.3.2 (at least once).
        """
        last = self.changes[self._changes_seen - 1]
        eventually(lambda: any(change != last for change in self.changes[self._changes_seen :]), "another change")
        while self.changes[self._changes_seen] == last:
            self._changes_seen += 1
        return self.expect(relay, cause)

    def expect_no_change(self) -> None:
        """Check that every change has been expected."""
        assert self.changes[self._changes_seen :] == []

    def comes_on(self, daemon: Daemon) -> None:
        """Check that good telemetry does switch the load on: what was silent before was so for its reason only."""
        self.source.set(FULL)
        self.expect("on", "surplus")
        assert daemon.is_running
