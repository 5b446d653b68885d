"""Periods as people type them, in the zone of the settings."""

import argparse
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from dumpload.cli.periods import add_period_arguments, period_of

ZONE = ZoneInfo("Europe/London")
# 00:30 on 1 July in London is still 30 June in UTC.
NOW = datetime(2025, 6, 30, 23, 30, tzinfo=UTC).timestamp()


def period(*words: str, zone: ZoneInfo = ZONE) -> tuple[str, str]:
    parser = argparse.ArgumentParser(exit_on_error=False)
    add_period_arguments(parser)
    begin, end = period_of(parser.parse_args(words), zone, NOW)
    return tuple(datetime.fromtimestamp(wall, zone).strftime("%Y-%m-%d %H:%M") for wall in (begin, end))  # type: ignore[return-value]


@pytest.mark.parametrize(
    ("words", "begin", "end"),
    [
        (["today"], "2025-07-01 00:00", "2025-07-02 00:00"),
        (["yesterday"], "2025-06-30 00:00", "2025-07-01 00:00"),
        (["2025-02"], "2025-02-01 00:00", "2025-03-01 00:00"),
        (["2024"], "2024-01-01 00:00", "2025-01-01 00:00"),
        (["2025-03-30"], "2025-03-30 00:00", "2025-03-31 00:00"),
        (["--last", "7d"], "2025-06-25 00:00", "2025-07-02 00:00"),
        (["--last", "1w"], "2025-06-25 00:00", "2025-07-02 00:00"),
        (["--last", "36h"], "2025-06-29 12:30", "2025-07-01 00:30"),
        (["--since", "2025-05", "--until", "yesterday"], "2025-05-01 00:00", "2025-07-01 00:00"),
    ],
)
def test_a_period_is_of_whole_local_days_unless_it_is_given_in_hours(words: list[str], begin: str, end: str) -> None:
    assert period(*words) == (begin, end)


def test_today_is_that_of_the_settings_zone() -> None:
    assert period("today", zone=ZoneInfo("UTC")) == ("2025-06-30 00:00", "2025-07-01 00:00")


def test_the_day_the_clocks_go_forward_has_23_hours() -> None:
    parser = argparse.ArgumentParser()
    add_period_arguments(parser)
    assert period_of(parser.parse_args(["2025-03-30"]), ZONE, NOW).seconds == 23 * 3600


@pytest.mark.parametrize(
    "words",
    [["tomorrow"], ["2025-13"], ["2025-02-30"], ["99"], ["1960"], ["--last", "7"], ["--last", "0d"], ["--last", "-1d"]],
)
def test_what_is_no_period_is_refused(words: list[str]) -> None:
    with pytest.raises(argparse.ArgumentError, match="expected"):
        period(*words)


@pytest.mark.parametrize("words", [["today", "--last", "7d"], ["--last", "7d", "--since", "today"]])
def test_two_periods_at_once_are_refused(words: list[str]) -> None:
    with pytest.raises(ValueError, match="expected one of PERIOD, --last and --since"):
        period(*words)
