"""The link to the broker: connects for ever, backs off, and loses nothing that must not be lost on the way."""

import asyncio
import json
import socket
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from contextlib import asynccontextmanager
from typing import Any, NamedTuple

import pytest
from scripted_broker import DISCONNECT, Ear, Peer, ScriptedBroker, eventually, options_for, scripted_broker

from dumpload.mqtt import link as mqtt
from dumpload.mqtt.link import FIRST_DELAY_S, LONGEST_DELAY_S, OUTBOX_LIMIT, RIVAL_AFTER, RIVAL_S, SETTLED_S, Link

CHANGE = "dumpload/barge/change"
# So many publications does the library send before it wants one acknowledged.
IN_FLIGHT = 20

Script = Callable[[Peer], Coroutine[Any, Any, None]]


class Pauses:
    """Stands in for the waits between connections: notes them, and they are over at once, or never from `hold_at`."""

    def __init__(self) -> None:
        self.taken: list[float] = []
        self.hold_at = 1000

    async def sleep(self, seconds: float) -> None:
        if seconds < FIRST_DELAY_S:  # not a back-off
            await asyncio.sleep(seconds)
            return
        self.taken.append(seconds)
        if len(self.taken) >= self.hold_at:
            await asyncio.Event().wait()
        await asyncio.sleep(0)

    get_running_loop = staticmethod(asyncio.get_running_loop)


@pytest.fixture(autouse=True)
def pauses(monkeypatch: pytest.MonkeyPatch) -> Pauses:
    one = Pauses()
    monkeypatch.setattr(mqtt, "asyncio", one)
    return one


class Way(NamedTuple):
    """A link that runs, who listens to it, and the broker at the other end."""

    link: Link
    ear: Ear
    broker: ScriptedBroker
    running: asyncio.Task[None]

    @property
    def peer(self) -> Peer:
        return self.broker.peers[-1]

    @property
    def changes(self) -> list[list[str]]:
        """What arrived on the change topic, connection by connection."""
        return [[one.payload for one in peer.publications if one.topic == CHANGE] for peer in self.broker.peers]


@asynccontextmanager
async def linked(script: Script, *, clock: Callable[[], float] = time.monotonic, **changes: Any) -> AsyncIterator[Way]:
    async with scripted_broker(script) as broker:
        ear = Ear()
        link = Link(options_for(broker.port, **changes), ear, clock, draw=lambda: 0.0)
        running = asyncio.ensure_future(link.run())
        try:
            yield Way(link, ear, broker, running)
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)


async def let_in(peer: Peer) -> None:
    await peer.accept()
    await peer.serve()


@pytest.fixture
def closed_port() -> Iterator[int]:
    """A port of this machine that is bound, so that nobody else takes it, but not listened to."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        yield sock.getsockname()[1]


# ---- connecting, for ever ----


async def test_a_broker_that_is_not_there_is_tried_ever_more_slowly_up_to_once_a_minute(
    pauses: Pauses, closed_port: int
) -> None:
    pauses.hold_at = 9
    ear = Ear()
    running = asyncio.ensure_future(Link(options_for(closed_port), ear, time.monotonic, draw=lambda: 0.0).run())
    await eventually(lambda: len(pauses.taken) == 9)
    running.cancel()
    assert pauses.taken == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0, 60.0]
    assert pauses.taken[-1] == LONGEST_DELAY_S
    assert [retry_s for kind, retry_s in ear.told if kind == "retry"] == pauses.taken
    assert len(ear.of("down")) == 9
    assert ear.of("down")[0].startswith(f"no connection to 127.0.0.1:{closed_port}: ")


async def test_the_first_wait_has_a_random_part_so_that_a_fleet_does_not_come_back_in_step(
    pauses: Pauses, closed_port: int
) -> None:
    pauses.hold_at = 7
    link = Link(options_for(closed_port), Ear(), time.monotonic, draw=lambda: 0.25)
    running = asyncio.ensure_future(link.run())
    await eventually(lambda: len(pauses.taken) == 7)
    running.cancel()
    assert pauses.taken == [1.25, 2.5, 5.0, 10.0, 20.0, 40.0, 60.0]


@pytest.mark.parametrize(("lived_s", "second_pause"), [(SETTLED_S, 1.0), (SETTLED_S - 0.1, 2.0)])
async def test_a_connection_that_lived_for_a_while_starts_the_back_off_anew(
    pauses: Pauses, lived_s: float, second_pause: float
) -> None:
    now = 0.0
    lives = iter([0.0, lived_s])
    pauses.hold_at = 2

    async def script(peer: Peer) -> None:
        nonlocal now
        await peer.accept()
        now += next(lives)

    async with linked(script, clock=lambda: now) as way:
        await eventually(lambda: len(pauses.taken) == 2)
        assert pauses.taken == [1.0, second_pause]
        assert not way.link.is_up


async def test_after_a_loss_the_next_connection_is_a_new_one_with_a_clean_start(pauses: Pauses) -> None:
    pauses.hold_at = 3

    async def script(peer: Peer) -> None:
        await peer.accept()
        if len(peers) < 3:
            peer.reset()
        else:
            await peer.serve()

    async with linked(script) as way:
        peers = way.broker.peers
        await eventually(lambda: way.link.is_up and len(peers) == 3)
        assert [peer.connect and peer.connect.clean for peer in peers] == [True] * 3
        assert [kind for kind, _ in way.ear.told if kind != "retry"] == ["up", "down", "up", "down", "up"]


async def test_a_refusal_is_told_and_tried_again(pauses: Pauses) -> None:
    pauses.hold_at = 2

    async def script(peer: Peer) -> None:
        await peer.await_connect()
        await peer.send(peer.connack(0x86))
        await peer.serve()

    async with linked(script) as way:
        await eventually(lambda: len(pauses.taken) == 2)
        assert all(reason.startswith("the broker refused: ") for reason in way.ear.of("down"))


# ---- another client of the same id ----


class Rival:
    """A broker to whom another client comes with our id as soon as we are in: the time that we are is `lives_s`."""

    def __init__(self, *lives_s: float, goodbye: bytes = b"") -> None:
        self.now = 0.0
        self._lives_s = iter(lives_s)
        self._goodbye = goodbye
        self.way: Way | None = None

    def clock(self) -> float:
        return self.now

    async def script(self, peer: Peer) -> None:
        await peer.accept()
        await eventually(lambda: self.way is not None and self.way.link.is_up)  # before its clock goes on
        self.now += next(self._lives_s)
        await peer.send(self._goodbye)


# Reason code 0x8E, session taken over (MQTT 5.0, section 3.14.2.1).
TAKEN_OVER = bytes([DISCONNECT << 4, 2, 0x8E, 0])


async def test_a_taken_over_session_is_told_at_once_and_slows_the_link_down(pauses: Pauses) -> None:
    pauses.hold_at = 8
    rival = Rival(*[SETTLED_S + 1.0] * 8, goodbye=TAKEN_OVER)
    async with linked(rival.script, clock=rival.clock) as way:
        rival.way = way
        await eventually(lambda: len(pauses.taken) == 8)
        assert pauses.taken == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0]
        [(part, words)] = way.ear.of("fault")
        assert part == "client id"
        assert "another client uses the id 'barge'" in words
        assert "mqtt.client_id" in words


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_being_thrown_out_again_and_again_is_taken_for_another_client(pauses: Pauses, protocol: str) -> None:
    """Without a reason code a takeover looks like a broker that hangs up, which it may do once or twice."""
    pauses.hold_at = RIVAL_AFTER + 3
    rival = Rival(*[SETTLED_S + 1.0] * 6)
    async with linked(rival.script, clock=rival.clock, protocol=protocol) as way:
        rival.way = way
        await eventually(lambda: len(pauses.taken) == RIVAL_AFTER - 1)
        assert way.ear.of("fault") == []
        await eventually(lambda: len(pauses.taken) == RIVAL_AFTER + 3)
        assert pauses.taken == [1.0, 1.0, 2.0, 4.0, 8.0, 16.0]
        [(part, words)] = way.ear.of("fault")
        assert part == "client id"
        assert "most often another client uses the same id, 'barge'" in words


async def test_a_connection_that_is_let_be_for_long_ends_the_suspicion(pauses: Pauses) -> None:
    pauses.hold_at = 3

    async def script(peer: Peer) -> None:
        await peer.accept()
        if len(peers) == 1:
            await peer.send(TAKEN_OVER)
        else:
            await peer.serve()

    now = 0.0
    async with linked(script, clock=lambda: now) as way:
        peers = way.broker.peers
        await eventually(lambda: way.link.is_up and len(peers) == 2)
        now += RIVAL_S - 1.0
        way.link.tick()
        assert len(way.ear.of("fault")) == 1
        now += 1.0
        way.link.tick()
        assert way.ear.of("fault")[1:] == [("client id", "")]


@pytest.mark.parametrize("lived_s", [RIVAL_S, RIVAL_S + 1.0])
async def test_a_broker_that_hangs_up_now_and_then_is_no_rival(pauses: Pauses, lived_s: float) -> None:
    pauses.hold_at = 6
    rival = Rival(1.0, 1.0, lived_s, 1.0, 1.0, lived_s)
    async with linked(rival.script, clock=rival.clock, protocol="3.1.1") as way:
        rival.way = way
        await eventually(lambda: len(pauses.taken) == 6)
        assert way.ear.of("fault") == []


async def test_a_broker_that_lets_nobody_in_is_no_rival(pauses: Pauses) -> None:
    pauses.hold_at = 6

    async def script(peer: Peer) -> None:
        await peer.await_connect()

    async with linked(script, protocol="3.1.1") as way:
        await eventually(lambda: len(pauses.taken) == 6)
        assert way.ear.of("fault") == []
        assert set(way.ear.of("down")) == {"the connection was lost: the broker closed it"}


async def test_being_up_is_having_every_subscription_acknowledged() -> None:
    async with linked(let_in) as way:
        assert not way.link.is_up
        await eventually(lambda: way.ear.is_up)
        assert way.link.is_up


async def test_a_tick_without_a_connection_is_no_harm(closed_port: int) -> None:
    Link(options_for(closed_port), Ear(), time.monotonic).tick()


async def test_a_tick_looks_after_the_session() -> None:
    now = 0.0

    async def silent(peer: Peer) -> None:
        await peer.await_connect()
        await peer.serve()

    async with linked(silent, clock=lambda: now) as way:
        await eventually(lambda: way.broker.peers and way.peer.connect)
        now = 16.0
        await eventually(lambda: (way.link.tick(), way.ear.of("down"))[1])
        assert way.ear.of("down")[0] == "the broker accepted the connection, then did not answer"


# ---- state, which is published again anyway ----


async def test_state_is_published_with_its_marks_while_the_link_is_up() -> None:
    async with linked(let_in) as way:
        await eventually(lambda: way.ear.is_up)
        way.link.publish("dumpload/barge/status", "{}", retain=True, expires_s=90)
        way.link.publish("dumpload/barge/note", "0", qos=0)
        await eventually(lambda: len(way.peer.publications) == 2)
        assert way.peer.publications == [
            ("dumpload/barge/status", "{}", 1, True, 90),
            ("dumpload/barge/note", "0", 0, False, None),
        ]


async def test_state_published_while_the_link_is_down_is_not_kept() -> None:
    async with linked(let_in) as way:
        way.link.publish("dumpload/barge/status", "too early")
        await eventually(lambda: way.ear.is_up)
        way.link.publish("dumpload/barge/status", "in time")
        await eventually(lambda: way.peer.publications)
        assert [one.payload for one in way.peer.publications] == ["in time"]


async def test_while_the_broker_does_not_keep_up_only_the_newest_state_of_each_topic_waits() -> None:
    reads_on = asyncio.Event()

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.serve(acknowledge=False, until=IN_FLIGHT)
        await reads_on.wait()
        await peer.acknowledge(*peer.packet_ids)
        await peer.serve()

    async with linked(script) as way:
        await eventually(lambda: way.ear.is_up)
        for number in range(10 * OUTBOX_LIMIT):
            way.link.publish("dumpload/barge/status", str(number), retain=True, expires_s=90)
        way.link.publish("dumpload/barge/presence", "down", retain=True)
        await eventually(lambda: len(way.peer.publications) == IN_FLIGHT)
        reads_on.set()
        await eventually(lambda: len(way.peer.publications) == OUTBOX_LIMIT + 2)
        assert way.peer.publications[-2:] == [
            ("dumpload/barge/status", str(10 * OUTBOX_LIMIT - 1), 1, True, 90),
            ("dumpload/barge/presence", "down", 1, True, None),
        ]


async def test_state_that_waited_when_the_link_was_lost_is_not_sent_to_the_next_connection(pauses: Pauses) -> None:
    pauses.hold_at = 2

    async def script(peer: Peer) -> None:
        await peer.accept()
        if len(peers) > 1:
            await peer.serve()
        await peer.serve(acknowledge=False, until=IN_FLIGHT)
        peer.reset()

    async with linked(script) as way:
        peers = way.broker.peers
        await eventually(lambda: way.ear.is_up)
        for number in range(OUTBOX_LIMIT + 1):
            way.link.publish("dumpload/barge/status", str(number), retain=True)
        await eventually(lambda: len(peers) == 2 and way.link.is_up)
        way.link.publish("dumpload/barge/presence", "up", retain=True)
        await eventually(lambda: peers[1].publications)
        assert [one.payload for one in peers[1].publications] == ["up"]


# ---- changes, which must arrive ----


async def test_what_happened_before_the_link_was_up_is_sent_in_order_when_it_is() -> None:
    async with linked(let_in) as way:
        for number in range(3):
            way.link.publish_acked(CHANGE, str(number))
        await eventually(lambda: way.ear.is_up)
        way.link.flush()
        await eventually(lambda: way.changes == [["0", "1", "2"]])


async def test_what_was_not_acknowledged_is_sent_again_first_and_in_order(pauses: Pauses) -> None:
    pauses.hold_at = 5

    async def script(peer: Peer) -> None:
        await peer.accept()
        if len(peers) > 1:
            await peer.serve()
            return
        await peer.serve(acknowledge=False, until=3)
        await peer.acknowledge(peer.packet_ids[0])
        await acknowledged.wait()
        peer.reset()

    acknowledged = asyncio.Event()
    async with linked(script) as way:
        peers = way.broker.peers
        await eventually(lambda: way.ear.is_up)
        for number in range(3):
            way.link.publish_acked(CHANGE, str(number))
        await eventually(lambda: len(way.link._on_the_way) == 2)
        acknowledged.set()
        await eventually(lambda: way.ear.of("down"))
        way.link.publish_acked(CHANGE, "3")
        await eventually(lambda: len(peers) == 2 and way.link.is_up)
        way.link.flush()
        await eventually(lambda: len(way.changes[-1]) == 3)
        assert way.changes == [["0", "1", "2"], ["1", "2", "3"]]


async def test_of_more_than_a_hundred_waiting_the_oldest_are_dropped_and_counted() -> None:
    async with linked(let_in) as way:
        for number in range(OUTBOX_LIMIT + 25):
            way.link.publish_acked(CHANGE, str(number))
        assert way.link.dropped == 25
        await eventually(lambda: way.ear.is_up)
        way.link.flush()
        await eventually(lambda: len(way.changes[0]) == OUTBOX_LIMIT)
        assert way.changes == [[str(number) for number in range(25, OUTBOX_LIMIT + 25)]]


async def test_what_was_on_the_way_and_what_waited_are_bounded_together(pauses: Pauses) -> None:
    pauses.hold_at = 1

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.serve(acknowledge=False, until=5)
        peer.reset()

    async with linked(script) as way:
        await eventually(lambda: way.ear.is_up)
        for number in range(OUTBOX_LIMIT + 10):
            way.link.publish_acked(CHANGE, str(number))
        await eventually(lambda: way.ear.of("down"))
        waiting = [payload for _topic, payload in way.link._outbox]
        assert waiting == [str(number) for number in range(10, OUTBOX_LIMIT + 10)]
        assert way.link.dropped == 10


async def test_what_had_to_wait_follows_as_acknowledgements_come() -> None:
    more = OUTBOX_LIMIT + 30
    async with linked(let_in) as way:
        await eventually(lambda: way.ear.is_up)
        for number in range(more):
            way.link.publish_acked(CHANGE, str(number))
        await eventually(lambda: len(way.changes[0]) == more)
        assert way.changes == [[str(number) for number in range(more)]]
        await eventually(lambda: not way.link._on_the_way)


async def test_no_more_is_on_the_way_than_the_broker_takes_at_once() -> None:
    """Receive Maximum (MQTT 5.0, section 3.2.2.3.3): more would end the connection."""

    async def script(peer: Peer) -> None:
        await peer.accept(properties=b"\x21\0\x02")
        await peer.serve(acknowledge=False, until=2)
        while len(peer.publications) < 6:
            with pytest.raises(TimeoutError):  # none too many comes
                async with asyncio.timeout(0.05):
                    await peer.receive()
            await peer.acknowledge(peer.packet_ids[acknowledged[0]])
            acknowledged[0] += 1
            await peer.answer(await peer.receive(), acknowledge=False)
        await peer.serve()

    acknowledged = [0]
    async with linked(script) as way:
        await eventually(lambda: way.ear.is_up)
        for number in range(6):
            way.link.publish_acked(CHANGE, str(number))
        await eventually(lambda: way.changes == [[str(number) for number in range(6)]])


async def test_what_is_too_large_for_the_broker_is_counted_as_lost_and_holds_nothing_up(pauses: Pauses) -> None:
    pauses.hold_at = 1

    async def script(peer: Peer) -> None:
        await peer.accept(properties=b"\x27" + (100).to_bytes(4, "big"))
        await peer.serve()

    async with linked(script) as way:
        await eventually(lambda: way.ear.is_up)
        for payload in ("1", "9" * 200, "2"):
            way.link.publish_acked(CHANGE, payload)
        way.link.publish("dumpload/barge/status", "9" * 200, retain=True)
        way.link.publish("dumpload/barge/presence", "up", retain=True)
        await eventually(lambda: len(way.peer.publications) == 3)
        assert [one.payload for one in way.peer.publications] == ["1", "2", "up"]
        assert way.link.dropped == 1
        part, words = way.ear.of("fault")[-1]
        assert part == "broker"
        assert "too few for dumpload/barge/change, dumpload/barge/status" in words


async def test_a_limit_of_the_broker_is_told_once_and_taken_back_when_it_is_gone(pauses: Pauses) -> None:
    pauses.hold_at = 4

    async def script(peer: Peer) -> None:
        await peer.accept(properties=b"\x25\0" if len(peers) < 3 else b"")
        if len(peers) < 3:
            peer.reset()
        else:
            await peer.serve()

    async with linked(script) as way:
        peers = way.broker.peers
        await eventually(lambda: way.link.is_up and len(peers) == 3)
        (first, told), (last, nothing) = way.ear.of("fault")
        assert (first, last, nothing) == ("broker", "broker", "")
        assert "keeps no retained messages" in told


# ---- going ----


async def test_closing_waits_for_what_is_on_the_way_and_then_says_goodbye(pauses: Pauses) -> None:
    pauses.hold_at = 1
    async with linked(let_in) as way:
        await eventually(lambda: way.ear.is_up)
        way.link.publish_acked(CHANGE, json.dumps({"relay": "off"}))
        way.link.publish("dumpload/barge/presence", "down", retain=True)
        await way.link.close(5.0)
        await eventually(lambda: way.peer.seen[-1].kind == DISCONNECT)
        assert [one.payload for one in way.peer.publications] == ['{"relay": "off"}', "down"]


async def test_closing_does_not_wait_for_ever(pauses: Pauses) -> None:
    pauses.hold_at = 1

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.serve(acknowledge=False)

    async with linked(script) as way:
        await eventually(lambda: way.ear.is_up)
        way.link.publish_acked(CHANGE, "never acknowledged")
        began = time.monotonic()
        await way.link.close(0.05)
        assert 0.05 <= time.monotonic() - began < 5.0
        await eventually(way.peer.reader.at_eof)
        assert DISCONNECT not in [packet.kind for packet in way.peer.seen]  # the will says what did not get through


async def test_closing_without_a_connection_is_over_at_once(closed_port: int) -> None:
    await Link(options_for(closed_port), Ear(), time.monotonic).close(60.0)


async def test_a_link_that_is_cancelled_says_no_goodbye_so_that_the_will_tells_of_the_death() -> None:
    async with linked(let_in) as way:
        await eventually(lambda: way.ear.is_up)
        way.running.cancel()
        await eventually(way.peer.reader.at_eof)
        assert DISCONNECT not in [packet.kind for packet in way.peer.seen]
