"""What a person reads of a replay: the verdict first, then figures, then changes; 80 columns of plain characters."""

import math
from datetime import UTC
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from judged import settings
from world import NOON

from dumpload.core.law import Cause, Position
from dumpload.records.record import ReadLog, RowError
from dumpload.replay.figures import figures
from dumpload.replay.replay import Result
from dumpload.replay.text import duration, format_energy, log_remarks, replay_text, verdict
from dumpload.replay.totals import Change, EnergyShare, Summary

BARGE = {"load.rated_w": 300, "load.rated_v": 24, "tank.volume_l": 40, "tank.target_c": 60}

RAN = Summary(
    span_s=10 * 86_400.0,
    switch_ons=12,
    on_time_s=36_000.0,
    longest_run_s=7200.0,
    shortest_run_s=310.0,
    still_on=True,
    data_lost_s=8640.0,
    lowest_state_of_charge_on=93.0,
    energy_wh=4320.0,
    measured=EnergyShare(0.0, 0.0),
    by_voltage=EnergyShare(3420.0, 27_000.0),
    by_rating=EnergyShare(900.0, 9000.0),
    drawing_s=0.0,
)
NEVER_ON = RAN._replace(switch_ons=0, on_time_s=0.0, energy_wh=0.0, by_voltage=EnergyShare(), by_rating=EnergyShare())


def changes(count: int) -> list[Change]:
    on, off = (Position.ON, Cause.SURPLUS, 97.0), (Position.OFF, Cause.BELOW_CUT_OUT, 93.0)
    return [Change(NOON + 600 * index, *(off if index % 2 else on)) for index in range(count)]


def text(summary: Summary = RAN, count: int = 4, account: ReadLog | None = None, **more: object) -> str:
    result = Result(Path("barge.csv"), "CSV", NOON, NOON + summary.span_s, 110, 100, 7, changes(count), summary,
                    account or ReadLog())  # fmt: skip
    zone = more.pop("zone", UTC)
    return replay_text(result, figures(settings(BARGE), summary), zone, **more)  # type: ignore[arg-type]


def test_the_verdict_comes_first_in_one_sentence() -> None:
    first = " ".join(text().split("\n\n", maxsplit=1)[0].split())
    sentence = "The relay would have come on 12 times in 10.0 days: 10 h of on-time, 4320 Wh into the heater."
    assert first == sentence
    assert verdict(NEVER_ON) == "The relay would never have come on in 10.0 days."
    assert "once in 2 h" in verdict(RAN._replace(switch_ons=1, span_s=7200.0))


def test_the_figures_say_where_they_come_from() -> None:
    shown = " ".join(text().split())
    assert "On-time 10 h; 60 min a day" in shown or "1 h a day" in shown
    assert "Switch-ons 12; 1.2 a day" in shown
    assert "longest 2 h, shortest 5 min 10 s (one is still on at the end)" in shown
    assert "93 % while on" in shown
    assert "2 h 24 min (1 % of the time)" in shown
    assert "bus voltage, V^2/R (75 % of the on-time), the heater's rating (25 % of the on-time)" in shown
    assert "100 accepted, 7 rejected, 3 reported as unknown; no rows dropped" in shown
    assert "228 years at this rate, if good for 100000 operations" in shown  # 100000 / (1.2 x 365.25)


def test_the_water_is_that_of_the_tank() -> None:
    """40 l from 10 to 60 degC is 2.323 kWh: twice 1.16149 kWh for 20 l (checks: IAPWS-95, calculated)."""
    assert figures(settings(BARGE), RAN).hot_tanks == pytest.approx(4320 / 2322.98, rel=3e-3)
    assert "enough to heat 40 l from 10 to 60 degC 1.9 times, without losses" in text()


def test_every_line_fits_and_is_plain() -> None:
    account = ReadLog()
    account.notes.append("n" * 60 + " " + "m" * 60)
    account.drop(RowError(Path("barge.csv"), 7, "time", "sö\n" * 9, "a time"))
    shown = text(account=account, count=60)
    assert max(map(len, shown.splitlines())) <= 80
    assert text(count=60).isascii()


def test_a_long_list_of_changes_is_shortened_in_the_middle_unless_all_are_asked_for() -> None:
    short, whole = text(count=100), text(count=100, all_changes=True)
    assert "76 more; --all shows them" in short
    assert short.count("surplus") + short.count("below_cut_out") == 24
    assert whole.count("surplus") + whole.count("below_cut_out") == 100
    assert "more; --all" not in whole


def test_times_are_those_of_the_zone_of_the_settings() -> None:
    assert "2025-06-16 13:00:00  ON   surplus" in text(zone=ZoneInfo("Europe/London"))
    assert "Changes (Europe/London time):" in text(zone=ZoneInfo("Europe/London"))
    assert "2025-06-16 12:10:00  OFF  below_cut_out    93.0 %  after 10 min" in text()


def test_nothing_is_made_up_where_nothing_is_known() -> None:
    shown = text(RAN._replace(energy_wh=math.nan, by_voltage=EnergyShare(), by_rating=EnergyShare()), count=0)
    assert "not known: needs load.rated_w, or load_power in the record" in " ".join(shown.split())
    assert "Hot water" not in shown
    assert shown.endswith("No changes.")


def test_a_load_that_hardly_drew_is_said() -> None:
    measured = RAN._replace(
        measured=EnergyShare(100.0, 36_000.0), by_voltage=EnergyShare(), by_rating=EnergyShare(), drawing_s=3600.0
    )
    assert "drew power in only 10 % of the on-time" in text(measured)


def test_the_open_loop_is_explained() -> None:
    assert "only if running the heater had changed nothing" in " ".join(text().split())


def test_what_was_left_out_is_told() -> None:
    account = ReadLog()
    account.torn = "the last line (9) is incomplete and was ignored"
    for line in range(7):
        account.drop(RowError(Path("log.csv"), line + 2, "time", "x", "a time"))
    remarks = list(log_remarks(account))
    assert remarks[0] == "The last line (9) is incomplete and was ignored."
    assert remarks[1] == 'Row dropped: log.csv, line 2: column time: "x": expected a time'
    assert remarks[-1] == "... and 2 more rows dropped."
    assert "7 rows dropped" in text(account=account)


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [(0.0, "0 s"), (7.5, "7.5 s"), (59.4, "59.4 s"), (60, "1 min"), (3599.6, "1 h"), (7500, "2 h 05 min")],
)
def test_durations_in_words(seconds: float, expected: str) -> None:
    assert duration(seconds) == expected


@pytest.mark.parametrize(("wh", "expected"), [(0.0, "0 Wh"), (9999.4, "9999 Wh"), (10_000.0, "10.0 kWh")])
def test_energy_in_words(wh: float, expected: str) -> None:
    assert format_energy(wh) == expected
