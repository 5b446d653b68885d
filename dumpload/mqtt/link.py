"""The link to the broker: connects in the background, for ever, and keeps what must not be lost on the way.

Never blocks the event loop and never raises for anything the network or the broker does.
"""

import asyncio
import random
from collections import deque
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from dumpload.mqtt import Ending, LinkOptions, Listener

if TYPE_CHECKING:
    from dumpload.mqtt.session import Session

# Back-off between connections: doubled from the first to the longest (our choice, no source). A minute costs an owner
# nothing, since the load goes off by the age of the data long before, and spares a modem that is paid by the byte.
FIRST_DELAY_S = 1.0
LONGEST_DELAY_S = 60.0
# A connection that lived this long was a good one: the next back-off starts from the shortest again.
SETTLED_S = 10.0

# A session that lived this long was not taken over: two of one id that try once a minute at most meet before.
RIVAL_S = 120.0

# After this many sessions in a row that may have been taken over, another client is taken to have our id. With MQTT 5
# a broker can say "session taken over" when it hangs up; mosquitto 2.0.11 says nothing, and on 3.1.1 none can. A
# hang-up without a word may also be a restart of the broker, and a second one another (three is our choice, no source).
# Two clients of one id throw each other out for ever, and either log shows what looks like a bad network.
RIVAL_AFTER = 3

_CHANGE_IT = "give one of them another name or mqtt.client_id"

# Relay changes kept while the broker is away, the oldest given up first: with five minutes of dwell each way they are
# more than eight hours of switching. The history has them all.
OUTBOX_LIMIT = 100


class Link:
    """Keeps a session to the broker; publishes over it when it is up."""

    def __init__(
        self,
        options: LinkOptions,
        listener: Listener,
        clock: Callable[[], float],
        *,
        draw: Callable[[], float] = random.random,
    ) -> None:
        """Keep the options; nothing happens before `run`.

        `clock` gives monotonic seconds, `draw` a random number from 0 to 1.
        """
        self._options = options
        self._listener = listener
        self._clock = clock
        self._draw = draw
        self._session: Session | None = None
        self._outbox: deque[tuple[str, str]] = deque(maxlen=OUTBOX_LIMIT)
        # By topic: the newest, while it must wait.
        self._state: dict[str, tuple[str, int, bool, int | None]] = {}
        # Unacknowledged; None: not to be sent again.
        self._on_the_way: dict[int, tuple[str, str] | None] = {}
        self._began = clock()
        self._takeovers = 0
        self._faults: dict[str, str] = {}
        self.dropped = 0

    @property
    def is_up(self) -> bool:
        """Whether connected with every subscription acknowledged."""
        return self._session is not None and self._session.is_up

    async def run(self) -> None:
        """Connect, serve until lost, wait, and again; until cancelled."""
        delay_s = self._first_delay_s()
        while True:
            self._began = self._clock()
            reason = await self._serve_once()
            if self._clock() - self._began >= SETTLED_S and self._takeovers < RIVAL_AFTER:
                delay_s = self._first_delay_s()
            self._listener.on_down(reason, delay_s)
            await asyncio.sleep(delay_s)
            delay_s = min(2 * delay_s, LONGEST_DELAY_S)

    def _first_delay_s(self) -> float:
        # The random part is for a fleet: after a cut of the power all its daemons would come back in step.
        return FIRST_DELAY_S * (1.0 + self._draw())

    async def _serve_once(self) -> str:
        # The broker library is loaded only now: the pin is held, the law runs, and the service manager knows.
        from dumpload.mqtt.session import Session

        session = Session(self._options, self._listener, self._clock)
        session.acknowledged = self._forget
        session.report = partial(self._report, "broker")
        self._session = session
        try:
            await session.open()
            return await session.lost
        except OSError as error:
            return f"no connection to {self._options.host}:{self._options.port}: {error}"
        finally:
            self._session = None
            session.drop()
            self._look_for_rival(session.ending)
            self._state.clear()
            # What was not acknowledged goes first when the link is up again: at least once, in order.
            unsent = [*filter(None, self._on_the_way.values()), *self._outbox]
            self._on_the_way.clear()
            self.dropped += max(0, len(unsent) - OUTBOX_LIMIT)
            self._outbox = deque(unsent, maxlen=OUTBOX_LIMIT)

    def _look_for_rival(self, ending: Ending) -> None:
        """Report another client with our id: the two would keep disconnecting each other."""
        client_id = self._options.client_id
        if self._clock() - self._began >= RIVAL_S:
            self._takeovers = 0
        elif ending == Ending.TAKEN_OVER:
            self._takeovers = RIVAL_AFTER
            self._report("client id", f"another client uses the id {client_id!r}; {_CHANGE_IT}")
        elif ending == Ending.HUNG_UP:
            self._takeovers += 1
            if self._takeovers >= RIVAL_AFTER:
                symptom = "the broker keeps closing the connection soon after accepting it: most often another client"
                self._report("client id", f"{symptom} uses the same id, {client_id!r}; {_CHANGE_IT}")

    def _forget(self, packet_id: int) -> None:
        self._on_the_way.pop(packet_id, None)
        self.flush()

    def _report(self, part: str, text: str) -> None:
        """Report a fault when it begins, changes or ends, across reconnections."""
        if self._faults.get(part, "") != text:
            self._faults[part] = text
            self._listener.on_fault(part, text)

    def tick(self) -> None:
        """Supervise, once a second: arrival stamp, keepalive, a broker that says nothing."""
        if self._session is None:
            return
        self._session.tick()
        if self._takeovers and self.is_up and self._clock() - self._began >= RIVAL_S:
            self._takeovers = 0
            self._report("client id", "")

    def publish(
        self, topic: str, payload: str, *, qos: int = 1, retain: bool = False, expires_s: int | None = None
    ) -> None:
        """Publish if the link is up; otherwise the message is dropped (state is published again when it is)."""
        if self.is_up:
            # While too much waits to be acknowledged, the newest message of each topic is kept until there is room: a
            # status of minutes ago helps nobody.
            self._state[topic] = payload, qos, retain, expires_s
            self.flush()

    def publish_acked(self, topic: str, payload: str) -> None:
        """Publish at QoS 1; kept and sent again until acknowledged. The oldest of over 100 waiting are dropped."""
        if len(self._outbox) == OUTBOX_LIMIT:
            self.dropped += 1
        self._outbox.append((topic, payload))
        self.flush()

    def flush(self) -> None:
        """Send what waits, if the link is up and the broker keeps up: changes first."""
        session = self._session
        while (
            session is not None
            and session.is_up
            and len(self._on_the_way) < min(OUTBOX_LIMIT, session.limits.in_flight)
        ):
            if self._outbox:
                topic, payload = self._outbox.popleft()
                packet_id = session.publish(topic, payload, qos=1, retain=False, expires_s=None)
                if packet_id is None:
                    self.dropped += 1
                else:
                    self._on_the_way[packet_id] = (topic, payload)
            elif self._state:
                topic = next(iter(self._state))
                payload, qos, retain, expires_s = self._state.pop(topic)
                packet_id = session.publish(topic, payload, qos=qos, retain=retain, expires_s=expires_s)
                if packet_id is not None and qos:
                    self._on_the_way[packet_id] = None
            else:
                return

    async def close(self, within_s: float) -> None:
        """Send what waits, for at most `within_s`, then say goodbye; what did not get through, the will must say."""
        session = self._session
        if session is None:
            return
        loop = asyncio.get_running_loop()
        give_up_at = loop.time() + within_s
        while (session.has_unsent or self._on_the_way) and loop.time() < give_up_at:  # noqa: ASYNC110  (bounded)
            await asyncio.sleep(0.01)
        if self._on_the_way:
            session.drop()
        else:
            session.close()
