"""Asking a running daemon over the broker: what is said when nobody answers, or a request is refused."""

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from typing import Any

import pytest
from contract import BOOT, retained, status, topic
from judged import settings
from scripted_broker import PUBLISH, Peer, ScriptedBroker, eventually, scripted_broker

from dumpload.cli import client
from dumpload.cli.client import NoAnswerError, RefusedError, select, watch
from dumpload.config.model import Settings
from dumpload.core.text import utc_text

# ---- a broker with a daemon, in one script ----


Script = Callable[[Peer], Coroutine[Any, Any, None]]


@asynccontextmanager
async def barge(script: Script) -> AsyncIterator[tuple[Settings, ScriptedBroker]]:
    async with scripted_broker(script) as broker:
        yield settings({"name": "barge", "mqtt.port": broker.port, "mqtt.host": "127.0.0.1"}), broker


def daemon(*said: tuple[str, str]) -> Script:
    """A daemon that has published these retained messages, and does nothing."""

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(*(retained(peer, leaf, payload) for leaf, payload in said))
        await peer.serve()

    return script


async def requests_of(peer: Peer) -> AsyncIterator[dict[str, Any]]:
    """Yield each request that comes."""
    while True:
        packet = await peer.receive()
        await peer.answer(packet)
        if packet.kind == PUBLISH and peer.publications[-1].topic == topic("request"):
            yield json.loads(peer.publications[-1].payload)


UP = ("presence", "up")


@pytest.fixture
def short_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """For those tests in which nothing more comes."""
    monkeypatch.setattr(client, "ANSWER_S", 0.4)
    monkeypatch.setattr(client, "RETAINED_S", 0.2)


async def ask_status(configured: Settings) -> dict[str, Any]:
    shown: list[dict[str, Any]] = []
    await watch(configured, shown.append, follow=False)
    [only] = shown
    return only


# ---- status ----


async def test_the_retained_status_is_shown() -> None:
    told = status()
    async with barge(daemon(UP, ("status", json.dumps(told)))) as (configured, broker):
        assert await ask_status(configured) == told
        assert broker.peers[0].subscribed == [(topic(leaf), 0b0000_1001) for leaf in ("status", "presence", "change")]
        connect = broker.peers[0].connect
        assert connect is not None
        assert connect.will is None
        assert connect.client_id.startswith("barge-ask-")


async def test_two_who_ask_at_once_do_not_take_each_other_s_place() -> None:
    async with barge(daemon(UP, ("status", json.dumps(status())))) as (configured, broker):
        await asyncio.gather(ask_status(configured), ask_status(configured))
        assert len({peer.connect and peer.connect.client_id for peer in broker.peers}) == 2


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (
            [],
            r'^No status from "barge" at the broker at 127\.0\.0\.1:\d+\. Is it running\?$',
        ),
        ([UP], '^No status from "barge" at the broker'),
        ([("presence", "down")], r'^"barge" is not connected to the broker at .* \(its presence is down\)$'),
        (
            [("presence", "down"), ("status", json.dumps(status(at="2025-06-16T12:00:00.000Z")))],
            r"its presence is down\); last heard at 2025-06-16T12:00:00.000Z, relay off$",
        ),
        (
            [UP, ("status", json.dumps(status(at="2025-06-16T12:00:00.000Z")))],
            '^The last status of "barge" is from 2025-06-16T12:00:00.000Z: the daemon or its connection has stopped$',
        ),
        (
            [UP, ("status", "no JSON")],
            r'^This version does not understand the status of "barge" .* \(the whole document\)',
        ),
        (
            [UP, ("status", "[" * 60_000)],
            r'^This version does not understand the status of "barge" .* \(the whole document\)',
        ),
        ([UP, ("status", "[]")], r'^This version does not understand the status of "barge" .* \(the whole document\)'),
        (
            [UP, ("status", '{"relay": "off"}')],
            r"\(cause, since, .*\)\. Is it another program, or a daemon of",
        ),
        ([UP, ("status", json.dumps(status(notes="x")))], r"\(notes\)"),
    ],
)
async def test_without_a_daemon_it_says_what_is_known_of_it(said: list[tuple[str, str]], reason: str) -> None:
    async with barge(daemon(*said)) as (configured, _broker):
        with pytest.raises(NoAnswerError, match=reason):
            await ask_status(configured)


async def test_without_a_broker_it_says_which_and_why() -> None:
    configured = settings({"name": "barge", "mqtt.port": 1, "mqtt.host": "127.0.0.1"})
    with pytest.raises(NoAnswerError, match=r"^Cannot reach the broker at 127\.0\.0\.1:1: connection refused$"):
        await ask_status(configured)


@pytest.mark.usefixtures("short_patience")
async def test_a_broker_that_does_not_answer_is_not_waited_for_for_ever() -> None:
    async def tarpit(peer: Peer) -> None:
        await peer.await_connect()
        await peer.serve()

    async with barge(tarpit) as (configured, _broker):
        with pytest.raises(NoAnswerError, match=r"^Cannot reach the broker at 127\.0\.0\.1:\d+: no answer$"):
            await ask_status(configured)


async def test_what_was_not_asked_for_is_passed_over() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.publish("barge/bank", b"98")
        await peer.send(retained(peer, "presence", "up"), retained(peer, "status", json.dumps(status())))
        await peer.serve()

    async with barge(script) as (configured, _broker):
        assert (await ask_status(configured))["sequence"] == 7


# ---- following ----


async def test_following_shows_one_line_per_change_until_the_daemon_goes() -> None:
    told = [
        status(sequence=1),
        status(sequence=2, state_of_charge=92.0),
        status(sequence=3, state_of_charge=98.0, cause="confirming"),
        status(sequence=4, relay="on", cause="surplus"),
        status(sequence=5, relay="on", cause="surplus", selector="hand"),
        status(sequence=6, relay="on", cause="surplus", selector="hand", data="lost"),
    ]

    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(retained(peer, "presence", "up"), retained(peer, "status", json.dumps(told[0])))
        await peer.send(*(peer.message(topic("status"), json.dumps(one).encode()) for one in told[1:]))
        await peer.publish(topic("change"), b'{"relay": "on"}')
        await peer.publish(topic("presence"), b"down")
        await peer.serve()

    shown: list[dict[str, Any]] = []
    async with barge(script) as (configured, _broker):
        with pytest.raises(
            NoAnswerError, match=r"^The daemon has stopped or lost its connection \(its presence is down\)$"
        ):
            await watch(configured, shown.append, follow=True)
    assert [one["sequence"] for one in shown] == [1, 3, 4, 5, 6]


async def test_a_screen_is_drawn_again_with_every_status() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(retained(peer, "presence", "up"), retained(peer, "status", json.dumps(status(sequence=1))))
        await peer.publish(topic("status"), json.dumps(status(sequence=2)).encode())
        await peer.publish(topic("presence"), b"down")
        await peer.serve()

    shown: list[dict[str, Any]] = []
    async with barge(script) as (configured, _broker):
        with pytest.raises(NoAnswerError):
            await watch(configured, shown.append, follow=True, every=True)
    assert [one["sequence"] for one in shown] == [1, 2]


async def test_following_a_daemon_that_falls_silent_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    async with barge(daemon(UP, ("status", json.dumps(status())))) as (configured, _broker):
        monkeypatch.setattr(client, "STATUS_EXPIRES_S", 0.3)
        with pytest.raises(NoAnswerError, match=r"^The daemon has stopped publishing its status$"):
            await watch(configured, lambda _document: None, follow=True)


# ---- select ----


def obeying(*answers: dict[str, Any], before: dict[str, Any] | None = None) -> tuple[Script, list[dict[str, Any]]]:
    """A daemon that answers the first request with these statuses; and the requests it got."""
    got: list[dict[str, Any]] = []

    async def script(peer: Peer) -> None:
        await peer.accept()
        first = json.dumps(before or status())
        await peer.send(retained(peer, "presence", "up"), retained(peer, "status", first))
        async for request in requests_of(peer):
            got.append(request)
            for answer in answers:
                leaf = "change" if "refused" in answer else "status"
                await peer.publish(topic(leaf), json.dumps(answer).encode())

    return script, got


async def test_a_request_says_when_it_was_issued_and_which_boot_it_means() -> None:
    script, got = obeying(status(sequence=8, selector="hand"))
    async with barge(script) as (configured, _broker):
        answer = await select(configured, {"selector": "hand", "for_s": 60.0})
    assert answer["selector"] == "hand"
    [request] = got
    assert request.pop("issued_at") <= utc_text(time.time())
    assert request == {"selector": "hand", "for_s": 60.0, "boot_id": BOOT}


async def test_only_a_newer_status_of_the_same_boot_that_shows_the_effect_is_an_answer() -> None:
    script, _got = obeying(
        status(sequence=7, selector="off"),
        status(sequence=8),
        status(sequence=9, selector="off", boot_id="other"),
        status(sequence=10, selector="off"),
    )
    async with barge(script) as (configured, _broker):
        assert (await select(configured, {"selector": "off"}))["sequence"] == 10


async def test_a_refusal_is_passed_on() -> None:
    script, _got = obeying({"refused": "over-long: 99999 s is longer than the 2 h allowed (request.max_hand_s)"})
    async with barge(script) as (configured, _broker):
        with pytest.raises(
            RefusedError, match=r"^Refused: 99999 s is longer than the 2 h allowed \(request\.max_hand_s\)$"
        ):
            await select(configured, {"selector": "hand", "for_s": 99999.0})


@pytest.mark.usefixtures("short_patience")
async def test_a_daemon_that_does_not_react_is_probably_not_listening() -> None:
    script, _got = obeying()
    async with barge(script) as (configured, _broker):
        with pytest.raises(NoAnswerError, match=r"^No answer from the daemon .*request\.enabled = true"):
            await select(configured, {"selector": "off"})


async def test_a_reset_is_done_when_the_lockout_is_gone() -> None:
    locked = status(lockout="pin_fault", cause="lockout")
    script, got = obeying(status(sequence=8, lockout=None), before=locked)
    async with barge(script) as (configured, _broker):
        assert (await select(configured, {"reset": True}))["lockout"] is None
    assert got[0]["reset"] is True


@pytest.mark.usefixtures("short_patience")
async def test_a_lockout_that_comes_back_at_once_is_said() -> None:
    locked = status(lockout="contact_closed", cause="lockout")
    script, _got = obeying({**locked, "sequence": 8}, before=locked)
    async with barge(script) as (configured, _broker):
        with pytest.raises(NoAnswerError, match="The lockout is still set, or was set again at once: contact_closed"):
            await select(configured, {"reset": True})


@pytest.mark.usefixtures("short_patience")
async def test_a_connection_lost_while_waiting_is_the_reason_given() -> None:
    async def script(peer: Peer) -> None:
        await peer.accept()
        await peer.send(retained(peer, "presence", "up"), retained(peer, "status", json.dumps(status())))
        await peer.receive()

    async with barge(script) as (configured, broker):
        with pytest.raises(NoAnswerError, match="No answer from the daemon"):
            await select(configured, {"selector": "off"})
        await eventually(lambda: broker.peers)
