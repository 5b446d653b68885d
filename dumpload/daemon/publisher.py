"""Publish events to the log, the broker and the service manager. Never raises.

Everything here comes after the pin. What repeats is logged once, then once a minute with a count.
"""

import secrets
from collections.abc import Callable
from threading import Lock
from typing import Any

from dumpload.config.to_mqtt import Topics
from dumpload.core.alerts import Raised
from dumpload.core.controller import ControllerSettings, Decision, State
from dumpload.core.decode import Rejection
from dumpload.core.explain import cause_name
from dumpload.core.freshness import is_missing
from dumpload.core.law import Position
from dumpload.core.signals import Signal, signal_name
from dumpload.core.topics import InboundMessage
from dumpload.daemon.logs import RateLimiter
from dumpload.daemon.payloads import Account, Document, change_document, position_name, status_document, to_json
from dumpload.daemon.systemd import Notifier
from dumpload.daemon.telemetry import Telemetry
from dumpload.mqtt.link import Link

# A status that is not renewed expires at the broker after three times its interval (MQTT 5.0, 3.3.2.3.3): a retained
# one of a daemon that was cut off would else say "on" for ever to whoever subscribes later.
STATUS_EVERY_S = 30.0
STATUS_EXPIRES_S = 90
ANSWER_EVERY_S = 1.0
# Rate limit: distinct refusal reasons per second (published) and per minute (logged).
REASONS = 20


class Publisher:
    """The publisher of one controller."""

    def __init__(
        self,
        topics: Topics,
        link: Link,
        *,
        log: Any,
        notifier: Notifier,
        clock: Callable[[], float],
        wall: Callable[[], float],
        telemetry: Telemetry | None = None,
    ) -> None:
        """Keep the ways out. `clock` gives monotonic seconds, `wall` Unix seconds."""
        self.telemetry = telemetry or Telemetry()
        self._topics = topics
        self._link = link
        self._log, self._notifier = log, notifier
        self._clock = clock
        self._wall = wall
        self._started_at = clock()
        self._sequence = 0
        self._rejected = 0
        self._changes, self._ended_runs_s = 0, 0.0
        self._given_up = 0
        self._faults: dict[str, str] = {}
        self._faults_lock = Lock()
        self.alerts: tuple[Raised, ...] = ()
        self._repeats = RateLimiter()
        # Apart, because reasons hold what others send: a flood of them must hide nothing else.
        self._refusals = RateLimiter(kinds=REASONS)
        self._answers = RateLimiter(ANSWER_EVERY_S, REASONS)
        self.boot_id = secrets.token_hex(4)
        self.status_due_at = clock()

    def presence(self, word: str) -> None:
        """Publish the retained presence, "up" or "down"."""
        self._link.publish(self._topics.presence, word, retain=True)

    def change(self, state: State, decision: Decision) -> None:
        """Count, log and publish one relay change."""
        self._changes += 1
        self._ended_runs_s += decision.after_s if decision.position == Position.OFF else 0.0
        document = change_document(decision)
        soc = document["state_of_charge"]
        charge = "no live state of charge" if soc is None else f"state of charge {soc:g} %"
        text = f"relay {document['relay'].upper()}: {document['cause']}, {charge} (was {document['previous_cause']})"
        ages = {
            f"{signal_name(signal)}_age_s": round(decision.t - datum.stamp, 3)
            for signal, datum in zip(Signal, state.data, strict=True)
            if not is_missing(datum.stamp)
        }
        self._log.info("relay_changed", text=text, **document, **ages)
        self._link.publish_acked(self._topics.change, to_json(document))

    def status(self, settings: ControllerSettings, state: State) -> None:
        """Publish the retained status, and one line to the service manager."""
        self.status_due_at = self._clock() + STATUS_EVERY_S
        self._sequence += 1
        document = to_json(self.status_now(settings, state))
        self._link.publish(self._topics.status, document, retain=True, expires_s=STATUS_EXPIRES_S)
        self._notifier.status(summary(state))

    def status_now(self, settings: ControllerSettings, state: State) -> Document:
        """Return the status of this moment, published or not."""
        faults = tuple(self._faults.values())
        t, wall = self._clock(), self._wall()
        account = Account(
            t,
            wall,
            self._started_at,
            self.boot_id,
            self._sequence,
            self._rejected,
            faults=faults,
            telemetry=self.telemetry,
            alerts=self.alerts,
            changes=self._changes,
            ended_runs_s=self._ended_runs_s,
        )
        return status_document(settings, state, account)

    def status_soon(self) -> None:
        """Publish the status at the next tick: something worth showing changed, but not the relay."""
        self.status_due_at = self._clock()

    def rejected(self, rejection: Rejection, arrival: InboundMessage) -> None:
        """Count a rejected value, and log the first of its kind."""
        self._rejected += 1
        self.telemetry.reject(rejection, arrival)
        if (more := self._more((rejection, arrival.topic))) is None:
            return
        self.status_soon()
        name, reason = signal_name(rejection.signal), rejection.reason.value
        start = arrival.payload[:40].decode("utf-8", "replace")
        text = f"{name} rejected: {reason}, payload {start!r} on {arrival.topic}{more}"
        self._log.warning("rejected", text=text, signal=name, reason=reason, topic=arrival.topic, total=self._rejected)

    def fault(self, part: str, text: str) -> None:
        """Log a fault of one of our parts, and show it in the status until it is over (""). Safe from any thread."""
        self._log.warning("fault", text=f"{part}: {text or 'recovered'}", part=part)
        # Two threads at once: a fault was lost, or one that was over came back.
        with self._faults_lock:
            others = {name: fault for name, fault in self._faults.items() if name != part}
            self._faults = {**others, part: f"{part}: {text}"} if text else others
        self.status_soon()

    def alert(self, document: Document) -> None:
        """Log and publish that an alert begins or ends."""
        begins = document["state"] == "begins"
        note = self._log.warning if begins else self._log.info
        note("alert", **{**document, "text": f"alert {document['alert']} {document['state']}: {document['text']}"})
        self._link.publish_acked(self._topics.alert, to_json(document))
        self.status_soon()

    def refused(self, reason: str, payload: bytes) -> None:
        """Publish and log why a request is refused; what repeats, or comes as a flood, is counted."""
        # A person who asks otherwise, or again a second later, is answered: only the log waits for a minute.
        if (left_out := self._answers.allow((reason, hash(payload)), self._clock())) is not None:
            self._link.publish(self._topics.change, to_json({"refused": reason + _others(left_out)}))
        if (left_out := self._refusals.allow(reason, self._clock())) is not None:
            text = f"request refused: {reason}{_others(left_out)}"
            self._log.warning("request_refused", text=text, reason=reason)

    def pin_trouble(self, event: str, text: str) -> None:
        """Log that the pin is not as it should be, the first of its kind; it is looked at every second."""
        if (more := self._more(("pin", event, text))) is not None:
            self._log.error(event, text=f"{text}{more}")

    def undelivered(self, changes: int) -> None:
        """Log that relay changes were given up while the broker was away; `changes` counts since the start."""
        if changes > self._given_up and self._repeats.allow("undelivered", self._clock()) is not None:
            text = f"{changes - self._given_up} messages never reached the broker: too many were queued"
            self._given_up = changes
            self._log.warning("undelivered", text=text, total=changes)

    def broker_down(self, reason: str, retry_s: float) -> None:
        """Log a lost or failed connection, the first of its kind."""
        if (more := self._more(("down", reason))) is not None:
            self._log.warning("broker_down", text=f"broker: {reason}; next try in {retry_s:.0f} s{more}", reason=reason)

    def _more(self, kind: Any) -> str | None:
        left_out = self._repeats.allow(kind, self._clock())
        return None if left_out is None else _others(left_out)


def _others(left_out: int) -> str:
    return f" ({left_out} more like this since)" if left_out else ""


def summary(state: State) -> str:
    """Return one line: the relay's position and why."""
    return f"{position_name(state.position)}: {cause_name(state.cause)}"
