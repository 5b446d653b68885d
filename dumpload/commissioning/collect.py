"""Listens at the broker for a while and hands every message to a survey. The only part of `listen` that connects.

Asks for every topic, so that a misspelt one can be named; where the broker refuses that, for the configured ones only.
"""

import asyncio
import secrets
import time
from collections.abc import Callable

from dumpload.commissioning.survey import Arrived, Survey
from dumpload.mqtt import LinkOptions, Message, Subscription
from dumpload.mqtt.visit import Visitor, plain_reason, visiting

EVERY_TOPIC = "#"
# How long a broker may take to answer.
ANSWER_S = 5.0


class NoBrokerError(Exception):
    """The broker cannot be reached, or refuses; the message says which, and why."""


class _Ear(Visitor):
    """Passes the link's messages to the survey."""

    def __init__(self, survey: Survey) -> None:
        super().__init__()
        self._survey = survey

    def on_message(self, message: Message) -> None:
        """Hand a message to the survey, with the time of its arrival."""
        arrived = Arrived(message.topic, message.payload, message.retained, time.monotonic(), time.time())
        self._survey.take(arrived)


async def collect(
    options: LinkOptions, survey: Survey, for_s: float, watch: Callable[[float], None] = lambda _part: None
) -> None:
    """Listen for `for_s` seconds. `watch` is called with the progress (0 to 1).

    Raises:
        NoBrokerError: the broker cannot be reached, or lets us listen to nothing.
    """
    everything = (Subscription(EVERY_TOPIC, retained=True),)
    subscriptions = tuple(Subscription(subscription.topic, retained=True) for subscription in options.subscriptions)
    reason = await _listen(options._replace(subscriptions=everything), survey, for_s, watch)
    if reason and subscriptions:
        reason = await _listen(options._replace(subscriptions=subscriptions), survey, for_s, watch)
    if reason:
        broker = f"{options.host}:{options.port}"
        msg = f"Cannot listen to the broker at {broker}: {plain_reason(reason, broker)}"
        raise NoBrokerError(msg)


async def _listen(options: LinkOptions, survey: Survey, for_s: float, watch: Callable[[float], None]) -> str:
    """Listen once; return why that was not possible ("": it was)."""
    ear = _Ear(survey)
    # A name of its own: a second client with the daemon's would throw it out.
    own = options._replace(client_id=f"{options.client_id}-listen-{secrets.token_hex(4)}", will=None)
    try:
        async with visiting(own, ear) as link:
            async with asyncio.timeout(ANSWER_S):
                await ear.up.wait()
            began = time.monotonic()
            while (passed := time.monotonic() - began) < for_s:
                watch(passed / for_s)
                link.tick()
                await asyncio.sleep(min(0.5, for_s - passed))
            await link.close(1.0)
    except TimeoutError:
        return ear.trouble or "it does not answer"
    return ""
