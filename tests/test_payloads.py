"""The JSON that goes out: its keys, its types, and what stands there when a number is missing."""

import json
import math
from typing import Any

import pytest
from contract import CHANGE, STATUS
from hypothesis import given, settings
from hypothesis import strategies as st
from world import LIMITS, START, World, running, setup

from dumpload import __version__
from dumpload.core.contact import Feedback
from dumpload.core.controller import Decision, Kind
from dumpload.core.law import Cause, Position, Selector
from dumpload.daemon.payloads import Account, change_document, position_name, status_document, to_json


def as_sent(document: dict[str, Any]) -> Any:
    """The document as a reader gets it; a reader knows no NaN."""

    def refuse(word: str) -> None:
        raise AssertionError(word)

    return json.loads(to_json(document), parse_constant=refuse)


def status_of(world: World, *, rejected: int = 0, faults: tuple[str, ...] = ()) -> dict[str, Any]:
    account = Account(world.t, world.t + world.ahead, START, "5eed5eed", 7, rejected, faults)
    document = as_sent(status_document(world.settings, world.state, account))
    STATUS.validate(document)
    return dict(document)


# ---- status ----


def test_at_the_start_nothing_is_known() -> None:
    assert status_of(World().wake().wait(2.0)) == {
        "relay": "off",
        "cause": "starting",
        "since": "2025-06-16T12:00:00.000Z",
        "selector": "auto",
        "state_of_charge": None,
        "data": "none",
        "data_age_s": None,
        "next": {
            "relay": "on",
            "condition": "valid data arrive, and the state of charge is at or above 97 % for 30 s",
            "at": "2025-06-16T12:05:00.000Z",
        },
        "lockout": None,
        "notes": [],
        "rejected": 0,
        "at": "2025-06-16T12:00:02.000Z",
        "boot_id": "5eed5eed",
        "sequence": 7,
        "uptime_s": 2.0,
        "version": __version__,
        "name": "dumpload",
        "timezone": "UTC",
        "hand_until": None,
        "signals": {},
        "rejections": [],
        "alerts": [],
        "confirm_elapsed_s": None,
        "confirm_s": 30.0,
        "on_time_today_s": 0.0,
        "on_time_limit_s": None,
        "energy_today_wh": None,
        "changes": 0,
        "on_time_s": 0.0,
        "energy_wh": None,
    }


def test_while_the_load_runs_its_cause_its_data_and_its_end_are_given() -> None:
    document = status_of(running(setup(window=("12:00-17:00",))).soc_for(98.5, 60.0).wait(1.25))
    assert document["relay"] == "on"
    assert document["cause"] == "surplus"
    assert document["since"] == "2025-06-16T12:05:00.000Z"
    assert (document["data"], document["state_of_charge"], document["data_age_s"]) == ("live", 98.5, 1.25)
    assert document["next"]["relay"] == "off"
    assert document["next"]["at"] == "2025-06-16T17:00:00.000Z"
    assert document["uptime_s"] == 361.2


def test_lost_data_have_an_age_and_no_value() -> None:
    document = status_of(World().soc(98.0).wait_through(60.0).wait(15.0))
    assert (document["cause"], document["data"], document["state_of_charge"]) == ("data_lost", "lost", None)
    assert document["data_age_s"] == 75.0


def test_a_value_that_is_being_lost_as_the_status_is_written_is_not_shown_as_live() -> None:
    document = status_of(World().soc(98.0).stall(60.0))
    assert (document["data"], document["state_of_charge"]) == ("lost", None)


def test_an_unknown_value_is_lost_at_once() -> None:
    document = status_of(World().soc(98.0).wait(5.0).send(Kind.UNKNOWN))
    assert (document["data"], document["state_of_charge"]) == ("lost", None)


def test_the_selector_and_the_lockout_are_named() -> None:
    world = World().soc(98.0).select(Selector.HAND, for_s=600.0).send(Kind.PIN_FAULT)
    document = status_of(world)
    assert (document["selector"], document["lockout"]) == ("hand", "pin_fault")


def test_a_closed_contact_is_a_lockout() -> None:
    world = World().soc(98.0).wait(1.0).feed_back(Feedback.CLOSED)
    assert status_of(world)["lockout"] == "contact_closed"


def test_a_load_that_draws_nothing_while_on_is_a_note_and_no_fault() -> None:
    world = running().wait(1.0).feed_back(Feedback.OPEN)
    document = status_of(world, faults=("the history cannot be written",))
    assert (document["relay"], document["lockout"]) == ("on", None)
    assert document["notes"] == [
        "the history cannot be written",
        "on, but the heater draws no power: tank hot, or element or contact open",
    ]


def test_rejected_values_are_counted() -> None:
    assert status_of(World(), rejected=12)["rejected"] == 12


def test_a_moment_that_is_not_known_is_null() -> None:
    assert status_of(running())["next"]["at"] is None


def test_a_clock_that_was_set_moves_every_moment_with_it() -> None:
    world = running()
    world.ahead += 3600.0
    document = status_of(world)
    assert (document["at"], document["since"]) == ("2025-06-16T13:05:00.000Z", "2025-06-16T13:05:00.000Z")


# ---- change ----


def test_a_change_says_when_to_where_why_and_after_how_long() -> None:
    world = running()
    [change] = [row for row in world.rows if row.changed]
    document = as_sent(change_document(change))
    CHANGE.validate(document)
    assert document == {
        "at": "2025-06-16T12:05:00.000Z",
        "relay": "on",
        "cause": "surplus",
        "previous_cause": "min_off_dwell",
        "state_of_charge": 98.0,
        "after_s": 300.0,
    }


def test_a_change_for_lost_data_has_no_state_of_charge() -> None:
    world = running().wait_through(60.0)
    document = as_sent(change_document(world.rows[-1]))
    CHANGE.validate(document)
    assert (document["relay"], document["cause"], document["state_of_charge"]) == ("off", "data_lost", None)


def test_the_end_of_the_service_is_a_change_with_the_charge_that_is_live() -> None:
    world = running().wait(12.5)
    document = as_sent(change_document(world.send(Kind.STOP).rows[-1]))
    CHANGE.validate(document)
    assert document == {
        "at": "2025-06-16T12:05:12.500Z",
        "relay": "off",
        "cause": "stopping",
        "previous_cause": "surplus",
        "state_of_charge": 98.0,
        "after_s": 12.5,
    }


def test_the_end_of_the_service_with_lost_data_has_no_charge() -> None:
    world = running().stall(61.0)
    assert math.isnan(world.send(Kind.STOP).rows[-1].state_of_charge)


# ---- both ----


@pytest.mark.parametrize(("position", "name"), [(Position.OFF, "off"), (Position.ON, "on")])
def test_positions_are_named(position: Position, name: str) -> None:
    assert position_name(position) == name


def test_documents_are_compact() -> None:
    assert to_json({"refused": "für später", "at": None}) == '{"refused":"für später","at":null}'


@given(
    charge=st.floats(0.0, 100.0) | st.just(math.nan),
    after_s=st.floats(0.0, 1e9),
    wall=st.floats(-2e9, 1e10),
    cause=st.sampled_from([cause for cause in Cause if cause != Cause.NONE]),
)
def test_every_change_keeps_the_contract(charge: float, after_s: float, wall: float, cause: Cause) -> None:
    decision = Decision(0.0, wall, Position.OFF, cause, True, Cause.SURPLUS, after_s, charge, False, Cause.NONE)
    CHANGE.validate(as_sent(change_document(decision)))


@settings(max_examples=50)
@given(
    moves=st.lists(
        st.one_of(
            st.tuples(st.just("soc"), st.floats(0.0, 100.0)),
            st.tuples(st.just("wait"), st.floats(0.0, 400.0)),
            st.tuples(st.just("select"), st.sampled_from(Selector)),
            st.tuples(st.just("send"), st.sampled_from([Kind.UNKNOWN, Kind.ABSENT, Kind.PIN_FAULT, Kind.RESET])),
            st.tuples(st.just("feed_back"), st.sampled_from(Feedback)),
        ),
        max_size=12,
    )
)
def test_every_status_keeps_the_contract(moves: list[tuple[str, Any]]) -> None:
    world = World(setup(LIMITS._replace(confirm_s=0.0, min_off_s=10.0), window=("11:00-12:30",)))
    for what, value in moves:
        getattr(world, what)(value)
        document = status_of(world)
        assert document["relay"] != document["next"]["relay"]


def test_while_the_charge_is_confirmed_its_progress_is_given_and_neither_before_nor_after() -> None:
    world = World().soc(90.0)
    assert status_of(world)["confirm_elapsed_s"] is None
    world.wait(10.0).soc(98.0).wait(12.0)
    document = status_of(world)
    assert (document["cause"], document["confirm_elapsed_s"], document["confirm_s"]) == ("confirming", 12.0, 30.0)
    world.wait(30.0)
    assert status_of(world)["confirm_elapsed_s"] == 30.0  # only a sample that is late enough confirms
    assert status_of(world.soc(98.0))["confirm_elapsed_s"] is None
    assert status_of(running())["confirm_elapsed_s"] is None
