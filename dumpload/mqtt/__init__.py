"""What the link to the broker and its users say to each other. Knows no library, so that it costs nothing to load."""

from enum import Enum, auto
from pathlib import Path
from typing import NamedTuple


class Subscription(NamedTuple):
    """A topic to listen to. `retained`: whether a value kept by the broker is wanted too."""

    topic: str
    qos: int = 0
    retained: bool = False


class Will(NamedTuple):
    """What the broker publishes (retained) when the connection is lost."""

    topic: str
    payload: str


class LinkOptions(NamedTuple):
    """Where the broker is and how to talk to it. The password is read from its file at every connect."""

    host: str
    port: int
    protocol: str
    client_id: str
    keepalive_s: int
    username: str | None
    password_file: Path | None
    tls: bool
    ca_file: Path | None
    client_cert_file: Path | None
    client_key_file: Path | None
    subscriptions: tuple[Subscription, ...]
    will: Will | None


class Ending(Enum):
    """How a session ended, to notice another client with our id."""

    TAKEN_OVER = auto()
    # The broker closed a session that was up, without a word. MQTT 3.1.1 has no reason codes, and a widely used broker
    # gave none on 5 either (mosquitto 2.0.11).
    HUNG_UP = auto()
    OTHER = auto()


class Message(NamedTuple):
    """One message. `stamp`: lower bound of the arrival time of its first byte (monotonic s)."""

    topic: str
    payload: bytes
    retained: bool
    stamp: float


class Listener:
    """Callbacks of the link, on the event loop's thread. These do nothing."""

    def on_message(self, message: Message) -> None:
        """Handle a message."""

    def on_up(self) -> None:
        """Handle a connection: every subscription is acknowledged."""

    def on_down(self, reason: str, retry_s: float) -> None:
        """Handle a lost or failed connection; the next attempt is in `retry_s`."""

    def on_evidence_reset(self, reason: str) -> None:
        """Discard the evidence so far: after a stall, or a session that the broker says it resumed."""

    def on_fault(self, part: str, text: str) -> None:
        """Report a fault to the owner that does not end the session; "" clears it."""

    def on_callback_error(self, error: Exception) -> None:
        """Handle an exception from a handler; the message is not handled again."""
