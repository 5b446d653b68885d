"""The service on the real link: what a broker must not be able to make it do, whatever bytes it sends."""

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from typing import Any

import pytest
from judged import settings
from scripted_broker import DISCONNECT, Peer, encode, eventually, scripted_broker
from staging import BANK, BASE, USUAL, FakeLog, FakeNotifier, FakeRelay, FakeStateFile, Trace

from dumpload.core.controller import Lockout
from dumpload.daemon.service import Service
from dumpload.daemon.state import SavedState
from dumpload.mqtt import link as mqtt

HAND, RESET = b'{"selector": "hand", "for_s": 600}', b'{"reset": true}'

both_protocols = pytest.mark.parametrize("protocol", ["5", "3.1.1"])

Script = Callable[[Peer], Coroutine[Any, Any, None]]


class Wired:
    """A service with a real link and a relay, a log and a keeper that only write down what they are told."""

    def __init__(self, port: int, kept: SavedState, clock: Callable[[], float], keys: dict[str, Any]) -> None:
        self.trace = Trace()
        self.relay = FakeRelay(self.trace)
        notifier: Any = FakeNotifier(self.trace)
        judged = settings({**USUAL, "mqtt.host": "127.0.0.1", "mqtt.port": port, **keys})
        relay: Any = self.relay
        state_file: Any = FakeStateFile(self.trace, kept)
        self.service = Service(
            judged, relay, log=FakeLog(self.trace), notifier=notifier, reload=lambda: judged, clock=clock,
            state_file=state_file,
        )  # fmt: skip

    def logged(self, event: str) -> list[dict[str, Any]]:
        """Return the fields of every log entry of this event."""
        return [call.details[-1] for call in self.trace.calls if call.to == "log" and call.details[0] == event]


@asynccontextmanager
async def wired(
    script: Script, kept: SavedState | None = None, *, clock: Callable[[], float] = time.monotonic, **keys: Any
) -> AsyncIterator[tuple[Wired, list[Peer]]]:
    """Run a service's link against a scripted broker; in the names of `keys` two underscores stand for a dot."""
    async with scripted_broker(script) as broker:
        changed = {key.replace("__", "."): value for key, value in keys.items()}
        one = Wired(broker.port, kept or SavedState(), clock, changed)
        running = asyncio.ensure_future(one.service.link.run())
        try:
            yield one, broker.peers
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)


@pytest.fixture(autouse=True)
def soon_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait for hardly any time between connections."""
    monkeypatch.setattr(mqtt, "FIRST_DELAY_S", 0.01)


def statuses(peer: Peer) -> list[dict[str, Any]]:
    return [json.loads(one.payload) for one in peer.publications if one.topic == f"{BASE}/status"]


# ---- a message without a topic ----


@pytest.mark.parametrize("payload", [HAND, RESET])
@pytest.mark.parametrize("alias", [b"", b"\x23\x00\x01"], ids=["no alias", "an alias"])
async def test_requests_switched_off_are_not_obeyed_on_the_empty_topic(payload: bytes, alias: bytes) -> None:
    """MQTT 5.0, section 3.3.2.1: the topic may be empty where an alias stands for it; we never allow one."""

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.serve(until=2)
        await peer.publish("", payload, properties=alias)
        await peer.serve()

    async with wired(script, SavedState(lockout=Lockout.CONTACT_CLOSED), request__enabled=False) as (one, peers):
        await eventually(lambda: one.logged("broker_down"))
        assert "without a topic" in one.logged("broker_down")[0]["reason"]
        assert not one.logged("request")
        one.service.control.show()
        await eventually(lambda: len(peers) > 1 and statuses(peers[1]))  # it is back by itself
        now = statuses(peers[1])[-1]
        assert (now["selector"], now["lockout"]) == ("auto", "contact_closed")


async def test_the_empty_topic_is_not_that_of_a_source_without_a_presence_either() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.serve(until=2)
        await peer.publish(BANK, b"98")
        await peer.publish("", b"")
        await peer.serve()

    async with wired(script) as (one, _peers):
        await eventually(lambda: one.logged("broker_down"))
        one.service.control.show()
        assert one.service.control.state.cause.name == "CONFIRMING"


async def test_a_topic_alias_ends_the_session_since_none_was_ever_allowed() -> None:
    """MQTT 5.0, section 3.1.2.11.5: without a Topic Alias Maximum the broker must not send any."""

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.serve(until=2)
        await peer.publish(BANK, b"98", properties=b"\x23\x00\x01")
        await peer.serve()

    async with wired(script) as (one, _peers):
        await eventually(lambda: one.logged("broker_down"))
        assert "topic alias" in one.logged("broker_down")[0]["reason"]
        assert one.service.control.state.cause.name == "STARTING"


# ---- values that were held back ----


@both_protocols
async def test_values_held_back_on_the_way_are_as_old_as_their_first_byte(protocol: str) -> None:
    """Held back for 6 s each, they once ran the load though nothing younger than `max_age_s` = 2 s ever came."""
    now = 1000.0
    quick = {"control__confirm_s": 0.0, "control__min_off_s": 0.0, "telemetry__state_of_charge__max_age_s": 2.0}

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.serve()

    async with wired(script, clock=lambda: now, mqtt__protocol=protocol, **quick) as (one, peers):
        await eventually(lambda: peers and len(peers[0].publications) == 2)
        session: Any = one.service.link._session
        packet = peers[0].message(BANK, b"98")
        await peers[0].send(packet[:-1])
        await eventually(lambda: session._client._in_packet["to_process"] == 1)
        for _ in range(4):
            for _second in range(6):
                now += 1.0
                one.service.link.tick()
            await peers[0].send(packet[-1:] + packet[:-1])
            rejected = 1 + one.service._publisher._rejected
            await eventually(lambda rejected=rejected: one.service._publisher._rejected == rejected)
        assert {entry["reason"] for entry in one.logged("rejected")} == {"too_old"}
        assert "on" not in [call.what for call in one.trace.calls if call.to == "relay"]
        await peers[0].send(packet[-1:] + packet)  # one that comes whole is as young as ever
        await eventually(lambda: one.relay.energised)


# ---- a message that is too large ----


@both_protocols
@pytest.mark.parametrize(("retain", "reason"), [(False, "oversized"), (True, "retained")])
async def test_a_message_that_is_too_large_is_rejected_with_its_topic_and_the_load_runs_all_the_same(
    protocol: str, retain: bool, reason: str
) -> None:
    quick = {"control__confirm_s": 0.0, "control__min_off_s": 0.0}

    async def script(peer: Peer) -> None:
        await peer.accept()
        for _ in range(3):
            await peer.publish(BANK, b"98" + bytes(100_000), retain=retain)
        await peer.publish(BANK, b"98")
        await peer.serve()

    async with wired(script, mqtt__protocol=protocol, **quick) as (one, _peers):
        await eventually(lambda: one.relay.energised)
        [entry] = one.logged("rejected")
        assert (entry["topic"], entry["reason"]) == (BANK, reason)
        assert not one.logged("broker_down")


# ---- what an owner should know of the broker ----


@pytest.mark.parametrize(
    ("protocol", "goodbye", "times", "words"),
    [
        ("5", b"\x8e\x00", 1, "another client uses the id 'dumpload-barge'; give one of them another name or mqtt"),
        ("5", b"", 3, "uses the same id, 'dumpload-barge'; give one of them another name or mqtt.client_id"),
        ("3.1.1", b"", 3, "uses the same id, 'dumpload-barge'; give one of them another name or mqtt.client_id"),
    ],
)
async def test_another_client_with_our_id_is_named_in_the_log_and_in_the_status(
    protocol: str, goodbye: bytes, times: int, words: str
) -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        if len(peers) > times:
            await peer.serve()
        elif goodbye:
            await peer.send(encode(DISCONNECT, goodbye))

    async with wired(script, mqtt__protocol=protocol) as (one, peers):
        await eventually(lambda: len(peers) > times and statuses(peers[-1]))
        [note] = statuses(peers[-1])[-1]["notes"]
        assert words in note
        assert [words in entry["text"] for entry in one.logged("fault")] == [True]


async def test_what_the_broker_does_not_take_is_named_in_the_status_until_it_does() -> None:
    """Retain Available 0 (MQTT 5.0, section 3.2.2.3.5)."""

    async def script(peer: Peer) -> None:
        await peer.accept(properties=b"\x25\0" if len(peers) == 1 else b"")
        await peer.serve(until=2 if len(peers) == 1 else None)

    async with wired(script) as (_one, peers):
        await eventually(lambda: peers and statuses(peers[0]))
        assert [status["notes"] for status in statuses(peers[0])] == [
            ["broker: it keeps no retained messages: only current listeners get status and presence (mqtt.host)"]
        ]
        assert not any(one.retain for one in peers[0].publications)
        await eventually(lambda: len(peers) > 1 and statuses(peers[1]))
        assert statuses(peers[1])[0]["notes"] == []
