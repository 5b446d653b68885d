"""What a person reads of a status: the words, the moments, the columns, and nothing that drives a terminal."""

import io
import os
import pty
from typing import Any

import pytest
from contract import signal, status
from hypothesis import example, given
from hypothesis import strategies as st

from dumpload.cli.terminal import Display
from dumpload.core.explain import MEANINGS, cause_name
from dumpload.core.law import Cause
from dumpload.daemon.payloads import status_misfit
from dumpload.daemon.screen import BAD, GOOD, NARROWEST, WARN, WIDEST, Line, brief, render, screen

NOON = "2025-06-16T12:00:00.000Z"
LATER = (
    "name",
    "timezone",
    "hand_until",
    "signals",
    "rejections",
    "alerts",
    "confirm_elapsed_s",
    "on_time_today_s",
    "energy_today_wh",
)

ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(), max_size=20),
    lambda some: st.lists(some, max_size=3) | st.dictionaries(st.text(max_size=5), some, max_size=3),
    max_leaves=8,
)


def of(**changes: Any) -> dict[str, Any]:
    return status(**{"at": NOON, "uptime_s": 864_000.0, **changes})


def ahead(condition: str, at: str | None = None, relay: str = "on") -> dict[str, Any]:
    return {"relay": relay, "condition": condition, "at": at}


def text_of(width: int = 80, **changes: Any) -> str:
    return render(screen(of(**changes), width), colour=False)


# ---- whatever anybody publishes ----


@given(
    st.dictionaries(st.sampled_from([*status(), "next.at", "next.relay", "next.condition"]), ANYTHING, max_size=5),
    st.sets(st.sampled_from([*status()]), max_size=2),
    st.integers(1, 200),
)
@example({"state_of_charge": 10**400}, set(), 80)
@example({"state_of_charge": 97.0, "data_age_s": None}, set(), 80)
@example({"notes": ["\x1b[2J\nThe heater is OFF"], "cause": "\u202eon"}, set(), 80)
@example({"since": "0001-01-01T00:00:00.000Z", "timezone": "America/New_York"}, set(), 80)
@example({"since": "9999-99-99T99:99:99.999Z", "at": "9999-12-31T23:59:59.999Z"}, {"signals"}, 80)
@example({"signals": {"\x1b[2J": signal(1e14, "\x07", "\r", 0.0)}, "name": "\x1b]0;"}, set(), 80)
def test_any_status_is_printable_lines_of_the_width_or_is_said_not_to_be_one(
    changes: dict[str, Any], left_out: set[str], width: int
) -> None:
    told = status(at=NOON)
    for key, value in changes.items():
        table, key_within = (told["next"], key[5:]) if key.startswith("next.") else (told, key)
        if isinstance(table, dict):
            table[key_within] = value
    told = {key: value for key, value in told.items() if key not in left_out}
    if status_misfit(told):
        return
    assert brief(told).isprintable()
    for line in screen(told, width):
        assert line.text.isprintable()
        assert len(line.text) <= max(NARROWEST, min(width, WIDEST))


@given(ANYTHING)
def test_no_other_document_is_a_status(payload: Any) -> None:
    assert status_misfit(payload)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("signals", {"state_of_charge": {"value": "full"}}),
        ("signals", []),
        ("rejections", [{}]),
        ("hand_until", "soon"),
        ("on_time_today_s", "long"),
        ("energy_today_wh", True),
        ("timezone", 3),
    ],
)
def test_a_later_key_that_is_not_as_promised_is_named(key: str, value: Any) -> None:
    assert status_misfit(status(**{key: value})) == key


def test_a_daemon_of_an_earlier_version_is_read_without_what_it_does_not_publish() -> None:
    earlier = {key: value for key, value in of().items() if key not in LATER}
    assert status_misfit(earlier) == ""
    assert brief(earlier).startswith("heater OFF since 10:02 UTC (below_cut_in).")
    assert "State of charge    91.5 %, 2 s ago" in render(screen(earlier, 80), colour=False)


# ---- the words, as a table ----

NINE = "2025-06-17T09:00:00.000Z"
CUT_OFF = "the state of charge falls below 93 %"
LOST = signal(None, "percent", "barge/bank", 260.0, state="lost", lost_at="2025-06-16T11:46:00.000Z")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "heater OFF since 10:02 UTC (below_cut_in). No surplus: the state of charge has not reached the cut-in."),
        ({}, "State of charge 91.5 %, 2 s old. On when the state of charge is at or above 97 % for 30 s."),
        (
            {"cause": "outside_window", "next": ahead("the daylight window opens", NINE)},
            (
                "Outside the daylight window. State of charge 91.5 %, 2 s old. "
                "Earliest start tomorrow 09:00 UTC, when the daylight window opens."
            ),
        ),
        (
            {"next": ahead("the daylight window opens, and the state of charge is at or above 97 %", NINE)},
            "Earliest start tomorrow 09:00 UTC, if the state of charge is at or above 97 %.",
        ),
        (
            {"next": ahead("the state of charge stays at or above 97 %", "2025-06-16T12:00:18.000Z")},
            "Earliest start 12:00:18 UTC, if the state of charge stays at or above 97 %.",
        ),
        (
            {"relay": "on", "cause": "surplus", "next": ahead(CUT_OFF, "2025-06-16T17:00:00.000Z", "off")},
            f"Off when {CUT_OFF}, or at 17:00 UTC at the latest.",
        ),
        (
            {"relay": "on", "cause": "hand", "hand_until": "2025-06-16T19:29:00.000Z"},
            "Running by hand until 19:29 UTC.",
        ),
        ({"relay": "on", "cause": "hand"}, "(hand). Running by hand, for the time requested."),
        (
            {"cause": "data_lost", "state_of_charge": None, "signals": {"state_of_charge": LOST}},
            "(data_lost). No valid state of charge since 11:46 UTC (topic barge/bank). On when",
        ),
        (
            {
                "cause": "data_lost",
                "signals": {
                    "state_of_charge": signal(98.0, "percent", "barge/bank", 1.0),
                    "tank_temperature": {**LOST, "topic": "barge/tank"},
                },
            },
            "No valid tank temperature since 11:46 UTC (topic barge/tank).",
        ),
        (
            {
                "cause": "starting",
                "state_of_charge": None,
                "data_age_s": None,
                "signals": {"state_of_charge": {**LOST, "state": "none", "lost_at": None, "age_s": None}},
            },
            "(starting). No valid state of charge yet (topic barge/bank). On when",
        ),
        ({"cause": "starting", "state_of_charge": None, "signals": {}}, "No valid state of charge since the start."),
        ({"since": "2025-06-14T10:02:03.000Z"}, "since 14 Jun 10:02 UTC"),
        ({"since": "2024-06-14T10:02:03.000Z"}, "since 14 Jun 2024 10:02 UTC"),
        ({"since": "2025-06-15T10:02:03.000Z"}, "since yesterday 10:02 UTC"),
        ({"timezone": "Europe/London"}, "since 11:02 (below_cut_in)"),
        ({"timezone": "No/Where"}, "since 10:02 UTC"),
        ({"since": "2025-06-15T23:30:00.000Z", "timezone": "Europe/London"}, "since 00:30 ("),
        ({"selector": "off", "cause": "below_floor"}, "Selector: off."),
        ({"notes": ["the history cannot be written"]}, " Note: the history cannot be written."),
        ({"cause": "moon_phase", "state_of_charge": None}, "(moon_phase). On when"),
    ],
)
def test_one_line_says_what_why_and_what_next(changes: dict[str, Any], words: str) -> None:
    assert words in brief(of(**changes))


@pytest.mark.parametrize("cause", MEANINGS)
def test_every_cause_reads_as_whole_sentences(cause: Cause) -> None:
    text = brief(of(cause=cause_name(cause), signals={}))
    meaning = text.partition(f"({cause_name(cause)}). ")[2].partition(" State of charge 9")[0]
    assert meaning[0].isupper()
    assert meaning.endswith(".")
    assert ". ." not in text
    assert ".." not in text
    assert not meaning.startswith("On:")


# ---- the screen ----

SIGNALS = {
    "state_of_charge": signal(91.5, "percent", "barge/bank", 2.4),
    "battery_voltage": signal(27.12, "V", "barge/bank", 2.4),
    "tank_temperature": signal(None, "degC", "barge/tank", 400.0, state="lost", lost_at="2025-06-16T11:53:40.000Z"),
    "load_power": signal(None, "W", "barge/heater", None, state="none"),
    "heartbeat": signal(None, "any", "barge/uptime", 3.0),
}
REJECTED = {
    "signal": "state_of_charge",
    "topic": "barge/bank",
    "reason": "missing_pointer",
    "text": "messages arrive on barge/bank, but /SOC is not in them; they contain: /soc, /v",
    "count": 12,
    "at": "2025-06-16T11:59:58.000Z",
}


def test_the_whole_screen() -> None:
    shown = text_of(
        signals=SIGNALS, rejections=[REJECTED], on_time_limit_s=14_400.0, energy_today_wh=1234.0, notes=["it rains"]
    )
    assert shown.splitlines() == [
        "barge: heater OFF since 10:02 UTC (below_cut_in)",
        "No surplus: the state of charge has not reached the cut-in.",
        "",
        "Next               On when the state of charge is at or above 97 % for 30 s",
        "State of charge    91.5 %     2 s ago   barge/bank",
        "Battery voltage    27.12 V    2 s ago   barge/bank",
        "Tank temperature   lost at 11:53 UTC, topic barge/tank",
        "Load power         nothing valid yet, topic barge/heater",
        "Heartbeat          alive      3 s ago   barge/uptime",
        "Today              on for 1 h 5 min of 4 h, 1.23 kWh",
        "Selector           auto",
        "Note               it rains",
        "",
        "Rejected in the last 10 minutes:",
        "  state of charge, 12 times, last at 11:59:58 UTC: messages arrive on",
        "    barge/bank, but /SOC is not in them; they contain: /soc, /v",
    ]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"on_time_today_s": 0.0}, "on for 0 min"),
        ({"energy_today_wh": 321.4}, "on for 1 h 5 min, 321 Wh"),
        ({"uptime_s": 7200.0}, "on for 1 h 5 min (since 10:00)"),
        ({"uptime_s": 7200.0, "on_time_limit_s": 7200.0}, "on for 1 h 5 min of 2 h\n"),
        (
            {"uptime_s": 7200.0, "on_time_limit_s": 7200.0, "energy_today_wh": 5.0},
            "of 2 h, 5 Wh (energy since 10:00)",
        ),
        ({"selector": "hand", "hand_until": "2025-06-16T19:29:00.000Z"}, "Selector           hand, until 19:29 UTC"),
        ({"lockout": "contact_closed"}, "Lockout            contact closed although commanded off; once repaired:"),
    ],
)
def test_the_rows_of_today_selector_and_lockout(changes: dict[str, Any], words: str) -> None:
    assert words in text_of(**changes) + "\n"


def test_a_status_that_the_broker_kept_for_a_while_says_of_when_it_is() -> None:
    noon = 1750075200.0  # date -u -d 2025-06-16T12:00:00Z +%s
    told = of()
    assert "As of" not in render(screen(told, 80, noon + 4.0), colour=False)
    assert "\nAs of 12:00:00 UTC, 25 s ago.\n" in render(screen(told, 80, noon + 25.0), colour=False)


def test_a_value_kept_by_the_broker_is_no_news_once_live_ones_arrive() -> None:
    retained = {**REJECTED, "reason": "retained", "text": ""}
    assert "Rejected" not in text_of(signals=SIGNALS, rejections=[retained])
    lost = {**SIGNALS, "state_of_charge": LOST}
    shown = text_of(signals=lost, rejections=[{**retained, "count": 1}])
    assert "state of charge, once, at 11:59:58 UTC: retained (topic barge/bank)" in shown


@pytest.mark.parametrize("width", [1, NARROWEST, 60, 80, WIDEST, 500])
def test_lines_are_wrapped_to_the_width(width: int) -> None:
    lines = screen(of(signals=SIGNALS, rejections=[REJECTED], notes=["word " * 60]), width)
    assert max(len(line.text) for line in lines) <= max(NARROWEST, min(width, WIDEST))


@pytest.mark.parametrize(
    ("changes", "colour"),
    [
        ({"relay": "on", "cause": "surplus"}, GOOD),
        ({"cause": "data_lost"}, WARN),
        ({"cause": "starting"}, WARN),
        ({"cause": "lockout", "lockout": "pin_fault"}, BAD),
    ],
)
def test_the_state_has_a_colour(changes: dict[str, Any], colour: str) -> None:
    first = screen(of(**changes), 80)[0]
    assert first.colour == colour
    assert render([first], colour=True) == f"\x1b[{colour}m{first.text}\x1b[0m"
    assert render([first, Line("")], colour=False) == f"{first.text}\n"


# ---- terminal or pipe ----


def test_an_alert_is_shown_with_its_words_and_since_when() -> None:
    words = "no valid state of charge for 1 h"
    alert = {"alert": "data_lost", "since": "2025-06-16T09:02:03.000Z", "text": words}
    assert f"Alert              {words}, since 09:02 UTC" in text_of(alerts=[alert])
    assert f"Alert: {words}." in brief(of(alerts=[alert]))


def test_while_the_charge_is_confirmed_the_progress_is_shown() -> None:
    confirming = {"cause": "confirming", "confirm_elapsed_s": 12.4, "confirm_s": 30.0}
    assert "Charge is high enough; confirming (12 of 30 s)." in text_of(**confirming)
    assert "Charge is high enough; confirming." in text_of(**{**confirming, "confirm_elapsed_s": None})


def shown_on_a_terminal(environ: dict[str, str], **how: bool) -> tuple[str, bool]:
    """What a real pseudo-terminal gets."""
    ours, theirs = pty.openpty()
    try:
        with open(theirs, "w", encoding="utf-8") as out:  # noqa: PTH123  (a descriptor)
            display = Display(out, environ, **{"brief": False, "json": False, "follow": False, **how})
            display.show(of(relay="on", cause="surplus"))
            out.flush()
            return os.read(ours, 65_536).decode().replace("\r\n", "\n"), display.redraws
    finally:
        os.close(ours)


CAPABLE = {"TERM": "xterm"}


@pytest.mark.parametrize(
    ("environ", "is_coloured"),
    [
        (CAPABLE, True),
        ({"TERM": "dumb"}, False),
        ({}, False),
        # https://no-color.org: "when present and not an empty string (regardless of its value)"
        ({**CAPABLE, "NO_COLOR": "0"}, False),
        ({**CAPABLE, "NO_COLOR": ""}, True),
    ],
)
def test_colour_is_for_a_terminal_that_has_it_and_nobody_forbids_it(environ: dict[str, str], is_coloured: bool) -> None:
    text, redraws = shown_on_a_terminal(environ)
    assert ("\x1b[" in text, redraws) == (is_coloured, False)
    assert "barge: heater ON since" in text


def test_following_on_a_terminal_draws_from_the_top() -> None:
    text, redraws = shown_on_a_terminal({**CAPABLE, "NO_COLOR": "1"}, follow=True)
    assert redraws
    assert text.startswith("\x1b[H\x1b[Jbarge: heater ON")  # CUP and ED, ECMA-48
    assert shown_on_a_terminal(CAPABLE, follow=True, brief=True)[1] is False
    assert shown_on_a_terminal(CAPABLE, follow=True, json=True)[1] is False


def test_on_a_pipe_following_is_one_plain_line_for_each() -> None:
    pipe = io.StringIO()
    display = Display(pipe, CAPABLE, brief=False, json=False, follow=True)
    display.show(of())
    display.show(of(relay="on"))
    assert [line[:18] for line in pipe.getvalue().splitlines()] == ["barge: heater OFF ", "barge: heater ON s"]
    assert "\x1b" not in pipe.getvalue()


def test_several_instances_are_shown_one_below_the_other() -> None:
    pipe = io.StringIO()
    Display(pipe, {}, brief=False, json=False, follow=False).show_all([of(name="heater"), of(name="pump")])
    first, second = pipe.getvalue().split("\n\npump: ")
    assert first.startswith("heater: heater OFF")
    assert second.startswith("heater OFF")
