"""What the status shows of the telemetry: rejections in words, energy of the day, and a wrong sign."""

from typing import Any

import pytest
from world import NOON, START, World, running, setup

from dumpload.core.decode import Field, Reason, Rejection
from dumpload.core.signals import Signal
from dumpload.core.topics import InboundMessage
from dumpload.daemon.payloads import WRONG_SIGN, Account, status_document
from dumpload.daemon.telemetry import SHOWN_KINDS, SHOWN_S, WORDS_EVERY_S, Telemetry

BANK = "barge/bank"


def field(signal: Signal, *pointer: str) -> Field:
    unit = "percent" if signal == Signal.STATE_OF_CHARGE else "W"
    return Field(signal, pointer, unit, 60.0, None, ())


FIELDS = {
    BANK: (field(Signal.STATE_OF_CHARGE, "soc"), field(Signal.BATTERY_POWER, "p")),
    "barge/heater": (field(Signal.LOAD_POWER),),
}


def telemetry() -> Telemetry:
    return Telemetry(name="barge", timezone="Europe/London", fields=FIELDS)


def arrival(payload: bytes, t: float = START, *, topic: str = BANK, retained: bool = False) -> InboundMessage:
    return InboundMessage(topic, payload, retained, t, t, NOON)


def status_of(world: World, shown: Telemetry) -> dict[str, Any]:
    account = Account(world.t, world.t + world.ahead, START, "5eed5eed", 1, 0, (), shown)
    return status_document(world.settings, world.state, account)


@pytest.mark.parametrize(
    ("reason", "payload", "words"),
    [
        (
            Reason.MISSING_POINTER,
            b'{"SOC":98}',
            "messages arrive on barge/bank, but /soc is not in them; they contain: /SOC",
        ),
        (Reason.WRONG_TYPE, b'{"soc":"98"}', "expected a number, got '98'"),
        (Reason.OUT_OF_RANGE, b'{"soc":980}', "980 in percent is outside 0 to 100 percent"),
        (Reason.NOT_JSON, b"98 %", "the payload is '98 %'"),
    ],
)
def test_each_mistake_has_its_own_words(reason: Reason, payload: bytes, words: str) -> None:
    shown = telemetry()
    shown.reject(Rejection(Signal.STATE_OF_CHARGE, reason), arrival(payload))
    [one] = shown.rejected(START)
    assert words in one.text


def test_a_value_kept_by_the_broker_says_so() -> None:
    shown = telemetry()
    shown.reject(Rejection(Signal.STATE_OF_CHARGE, Reason.RETAINED), arrival(b'{"soc":98}', retained=True))
    assert "a retained value" in shown.rejected(START)[0].text


def test_the_same_mistake_is_counted_and_forgotten_after_ten_minutes() -> None:
    shown, kind = telemetry(), Rejection(Signal.STATE_OF_CHARGE, Reason.WRONG_TYPE)
    for second in range(3):
        shown.reject(kind, arrival(b'{"soc":"a"}', START + second))
    [one] = shown.rejected(START + 2.0 + SHOWN_S)
    assert (one.times, one.t) == (3, START + 2.0)
    assert shown.rejected(START + 3.0 + SHOWN_S) == []
    shown.reject(kind, arrival(b'{"soc":"b"}', START + 3.0 + SHOWN_S))
    assert shown.rejected(START + 3.0 + SHOWN_S)[0].times == 1


def test_words_are_renewed_once_a_minute_and_a_flood_only_counts() -> None:
    shown, kind = telemetry(), Rejection(Signal.STATE_OF_CHARGE, Reason.WRONG_TYPE)
    shown.reject(kind, arrival(b'{"soc":"a"}'))
    shown.reject(kind, arrival(b'{"soc":"b"}', START + WORDS_EVERY_S - 1.0))
    assert "'a'" in shown.rejected(START)[0].text
    shown.reject(kind, arrival(b'{"soc":"c"}', START + WORDS_EVERY_S))
    [one] = shown.rejected(START + WORDS_EVERY_S)
    assert ("'c'" in one.text, one.times) == (True, 3)


def test_of_many_kinds_the_latest_are_shown() -> None:
    shown = telemetry()
    for second, reason in enumerate(Reason):
        shown.reject(Rejection(Signal.STATE_OF_CHARGE, reason), arrival(b"x" * 5000, START + second))
    told = shown.rejected(START + 20.0)
    assert len(told) == SHOWN_KINDS
    assert [one.reason for one in told] == list(reversed(Reason))[:SHOWN_KINDS]
    assert all(len(one.text) <= 240 for one in told)


def drawing(world: World, shown: Telemetry, watts: float) -> None:
    world.measure(Signal.LOAD_POWER, watts)
    shown.take(Signal.LOAD_POWER, world.state, world.t)


def test_energy_is_what_the_heater_drew_while_its_power_was_known() -> None:
    world, shown = running(setup(max_age_s=3600.0)), telemetry()
    assert shown.energy_today_wh(world.state, world.t) == 0.0
    drawing(world, shown, 300.0)
    world.wait(600.0)
    drawing(world, shown, 600.0)
    world.wait(300.0)
    drawing(world, shown, 0.0)
    assert shown.energy_today_wh(world.state, world.t) == pytest.approx(300 / 6 + 600 / 12)  # W x h
    world.wait(600.0)
    drawing(world, shown, 0.0)
    assert status_of(world, shown)["energy_today_wh"] == 100.0


def test_energy_since_the_start_goes_on_through_midnight() -> None:
    world, shown = running(setup(max_age_s=90_000.0)), telemetry()
    drawing(world, shown, 300.0)
    for _hour in range(12):
        world.wait(3600.0)
        drawing(world, shown, 300.0)
    document = status_of(world, shown)
    assert document["energy_wh"] == 12 * 300.0
    assert document["energy_today_wh"] < document["energy_wh"]


def test_without_the_load_s_power_there_is_no_energy() -> None:
    document = status_of(running(), Telemetry())
    assert (document["energy_today_wh"], document["energy_wh"]) == (None, None)


def test_the_on_time_of_today_goes_on_between_events() -> None:
    world = running()
    before = status_of(world, telemetry())["on_time_today_s"]
    world.soc(98.0).wait(30.0)
    assert status_of(world, telemetry())["on_time_today_s"] - before == pytest.approx(30.0)


def test_signals_say_their_topic_and_when_they_were_lost() -> None:
    world = World().soc(98.0).wait_through(60.0).wait(15.0)
    told = status_of(world, telemetry())["signals"]
    assert list(told) == ["state_of_charge", "battery_power", "load_power"]
    assert told["state_of_charge"] == {
        "value": None,
        "unit": "percent",
        "age_s": 75.0,
        "topic": BANK,
        "state": "lost",
        "lost_at": "2025-06-16T12:01:00.000Z",
    }
    assert (told["load_power"]["state"], told["load_power"]["lost_at"]) == ("none", None)


def test_a_battery_power_of_the_wrong_sign_is_a_note_that_says_what_to_set() -> None:
    world, shown = World(setup(max_age_s=3600.0)), telemetry()
    for step in range(8):
        world.wait(120.0).measure(Signal.BATTERY_POWER, -400.0)
        shown.take(Signal.BATTERY_POWER, world.state, world.t)
        world.soc(80.0 + step / 2)
        shown.take(Signal.STATE_OF_CHARGE, world.state, world.t)
    assert status_of(world, shown)["notes"] == [WRONG_SIGN]
    assert "scale = -1" in WRONG_SIGN
