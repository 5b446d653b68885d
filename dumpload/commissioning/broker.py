"""Asks the broker what the daemon will need: to be let in, to subscribe, and to publish its status.

Harmless to whoever listens: what is published is empty and not retained, and nothing at all where a daemon is up. A
broker need not say that it drops what somebody may not publish: on MQTT 5 most do, on 3.1.1 only an echo proves it.
"""

import asyncio
import contextlib
import secrets
from typing import NamedTuple

from dumpload.commissioning.collect import ANSWER_S
from dumpload.commissioning.live import Outcome, Step
from dumpload.mqtt import LinkOptions, Message, Subscription
from dumpload.mqtt.visit import Visitor, plain_reason, visiting

# How long the broker may take to hand our own message back, and what it keeps of a daemon.
ECHO_S = 2.0

_RULES = "let the broker's access rules allow it"


class Rights(NamedTuple):
    """What the broker lets the user of the settings do. Texts: why not ("": it does)."""

    trouble: str
    refused: str
    echoed: bool
    is_up: bool


class _Probe(Visitor):
    """Records the broker's answers."""

    def __init__(self, status: str, presence: str) -> None:
        super().__init__()
        self._status, self._presence = status, presence
        self.answered, self.failed = asyncio.Event(), asyncio.Event()
        self.refused = ""
        self.is_up = False

    def on_message(self, message: Message) -> None:
        if message.topic == self._presence and message.retained:
            self.is_up = message.payload == b"up"
        elif message.topic == self._status and not message.retained and not message.payload:
            self.answered.set()

    def on_down(self, reason: str, retry_s: float) -> None:
        super().on_down(reason, retry_s)
        self.failed.set()

    def on_fault(self, part: str, text: str) -> None:
        del part
        self.refused = text

    def on_callback_error(self, error: Exception) -> None:
        super().on_callback_error(error)
        self.failed.set()


async def ask_broker(options: LinkOptions, status: str, presence: str) -> Rights:
    """Try with the daemon's own options: subscribe, and publish on the topic `status` unless `presence` is up."""
    own = (Subscription(presence, 1, retained=True), Subscription(status, 1))
    rights = await _try(options, status, presence, (*options.subscriptions, *own))
    if rights.trouble and any(topic in rights.trouble for topic in (status, presence)):
        # To read what it publishes is no right that the daemon needs.
        rights = await _try(options, status, presence, options.subscriptions)
    return rights


async def _try(options: LinkOptions, status: str, presence: str, subscriptions: tuple[Subscription, ...]) -> Rights:
    probe = _Probe(status, presence)
    # A name of its own: a second client with the daemon's would throw it out.
    own_id = f"{options.client_id}-check-{secrets.token_hex(4)}"
    async with visiting(options._replace(client_id=own_id, subscriptions=subscriptions, will=None), probe) as link:
        if not await _first(probe.up, probe.failed, within_s=ANSWER_S):
            return Rights(probe.trouble or "it does not answer", "", echoed=False, is_up=False)
        # What it keeps comes right after the subscription.
        await asyncio.sleep(0.2)
        if not probe.is_up:
            link.publish_acked(status, "")
            await _first(probe.answered, probe.failed, within_s=ECHO_S)
        await link.close(1.0)
    return Rights("", probe.refused, echoed=probe.answered.is_set(), is_up=probe.is_up)


async def _first(good: asyncio.Event, bad: asyncio.Event, *, within_s: float) -> bool:
    """Wait for either event; return whether the good one came."""
    waiting = [asyncio.create_task(event.wait()) for event in (good, bad)]
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(within_s):
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    for task in waiting:
        task.cancel()
    return good.is_set()


def broker_steps(rights: Rights, options: LinkOptions, status: str) -> list[Step]:
    """Return the steps that state which permissions the broker grants."""
    address = f"{options.host}:{options.port}"
    if rights.trouble:
        return [Step("broker", "Broker", Outcome.WRONG, f"{address}: {plain_reason(rights.trouble, address)}")]
    count = len(options.subscriptions)
    finding = f"connected to {address}; {count} subscription{'' if count == 1 else 's'} accepted"
    return [Step("broker", "Broker", Outcome.OK, finding), _publishing(rights, options, status)]


def _publishing(rights: Rights, options: LinkOptions, status: str) -> Step:
    if rights.refused:
        return Step("publish", "Publishing", Outcome.WRONG, rights.refused, _RULES)
    if rights.is_up:
        return Step("publish", "Publishing", Outcome.OK, "a daemon of this name is running and publishing")
    if rights.echoed or options.protocol == "5":
        return Step("publish", "Publishing", Outcome.OK, f"the broker accepts {status}")
    finding = f"the broker accepted {status} but did not return it; MQTT 3.1.1 cannot report a refusal"
    return Step("publish", "Publishing", Outcome.UNSURE, finding, f"if dumpload status finds nothing later, {_RULES}")
