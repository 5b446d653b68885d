"""The running service: the pin before everything else, exact deadlines, supervision, and off on every way out."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from staging import BANK, USUAL, Stage, take_no_hard_way

Staging = Callable[..., Stage]


@pytest.fixture
def hard_ways(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    """The timers, started so far, that end the process if nothing else does."""
    return take_no_hard_way(monkeypatch)


@pytest.fixture
def staging(monkeypatch: pytest.MonkeyPatch, hard_ways: list[tuple[Any, ...]]) -> Iterator[Staging]:
    """Put a service with these settings on the stage, and start it."""
    stages: list[Stage] = []
    del hard_ways

    def put(keys: dict[str, Any] | None = None, *, begin: bool = True, **more: Any) -> Stage:
        stages.append(Stage(monkeypatch, {**USUAL, **(keys or {})}, **more))
        return stages[-1].begin() if begin else stages[-1]

    yield put
    for stage in stages:
        stage.close()


@pytest.fixture
def stage(staging: Staging) -> Stage:
    return staging()


# ---- the pin comes first ----

VOLTS = {
    "telemetry.battery_voltage.topic": BANK,
    "telemetry.battery_voltage.pointer": "/volts",
    "telemetry.state_of_charge.pointer": "/charge",
    "permissive.voltage_cut_out": 25.0,
    "permissive.voltage_cut_in": 26.0,
}
UNTIL_FIVE = {"permissive.window": ["09:00-17:00"], "telemetry.state_of_charge.max_age_s": 3600.0}
TEN_TO_FIVE = 5 * 3600.0 - 600.0
"""Seconds from noon to ten minutes before the window closes."""


def reload_with(stage: Stage, keys: dict[str, Any]) -> None:
    stage.keys.update(keys)
    stage.inside(stage.service.reload)


def set_the_clock(stage: Stage, seconds: float) -> None:
    stage.ahead += seconds
    stage.wait(1.0)


def find_the_pin_off(stage: Stage) -> None:
    stage.relay.stuck = False
    stage.wait(1.0)


WAYS_OFF: dict[str, tuple[dict[str, Any], Callable[[Stage], object], str]] = {
    "the data are lost": ({}, lambda stage: stage.wait(60.0), "data_lost"),
    "the source does not know": (
        {"telemetry.state_of_charge.unknown": ["null"]},
        lambda stage: stage.hear(BANK, "null"),
        "data_lost",
    ),
    "the source is gone": (
        {"telemetry.presence_topic": "barge/presence", "telemetry.absent_payload": "gone"},
        lambda stage: stage.hear("barge/presence", "gone"),
        "data_lost",
    ),
    "below the floor": ({}, lambda stage: stage.soc(49.9), "below_floor"),
    "below the cut-out": ({"control.min_on_s": 0.0}, lambda stage: stage.soc(92.9), "below_cut_out"),
    "a person says off": ({}, lambda stage: stage.ask('{"selector": "off"}'), "selector_off"),
    "the window closes": (UNTIL_FIVE, lambda stage: stage.wait(301.0), "outside_window"),
    "the clock is set": (UNTIL_FIVE, lambda stage: set_the_clock(stage, 1200.0), "outside_window"),
    "new settings forbid it": (
        {},
        lambda stage: reload_with(stage, {"permissive.window": ["00:00-06:00"]}),
        "outside_window",
    ),
    "beside a value that is rejected": (
        VOLTS,
        lambda stage: stage.hear(BANK, '{"charge": 980, "volts": 24.9}'),
        "voltage_low",
    ),
    "the pin is found off": ({}, find_the_pin_off, "lockout"),
}


def running(staging: Staging, keys: dict[str, Any]) -> Stage:
    """A service that has just switched the load on, five minutes before five."""
    stage = staging(keys, at=TEN_TO_FIVE)
    if keys is VOLTS:
        stage.sample = '{{"charge": {percent}, "volts": 27.0}}'
    return stage.surplus()


@pytest.mark.parametrize("way", WAYS_OFF)
def test_to_go_off_the_pin_is_driven_before_anything_is_logged_or_published(staging: Staging, way: str) -> None:
    keys, act, cause = WAYS_OFF[way]
    stage = running(staging, keys)
    act(stage)
    assert not stage.relay.energised
    assert stage.seen_as == ("off", cause)
    [off, *_] = [number for number, call in enumerate(stage.trace.calls) if call.step == "relay.off"]
    moment = stage.trace.calls[off].t
    before = [call.step for call in stage.trace.calls[:off] if call.t == moment]
    assert set(before) <= {"notifier.reloading"}
    after = [call.step for call in stage.trace.calls[off:]]
    assert after.index("log.info") < after.index("link.publish_surely") < after.index("link.publish")
