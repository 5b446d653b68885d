"""The command line's words for records from other loggers."""

import argparse
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dumpload.cli.records import add_record_arguments, table_format
from dumpload.core.signals import Signal
from dumpload.records.record import TableFormat


def parse(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser(exit_on_error=False)
    add_record_arguments(parser)
    return parser.parse_args(["log.csv", *words])


def test_without_options_the_record_is_our_own() -> None:
    args = parse()
    assert args.log == Path("log.csv")
    assert table_format(args) == TableFormat()


def test_every_option_says_how_the_record_is_written() -> None:
    args = parse(
        *("--column", "state_of_charge=SOC [%]", "--column", "time=Date=Time", "--unit", "state_of_charge=ratio"),
        *("--time-format", "%d.%m.%Y %H:%M", "--timezone", "Europe/London", "--decimal-comma", "--delimiter", "|"),
        "--sort",
    )
    columns = {"state_of_charge": "SOC [%]", "time": "Date=Time"}
    zone = ZoneInfo("Europe/London")
    assert table_format(args) == TableFormat(
        columns, {Signal.STATE_OF_CHARGE: "ratio"}, "%d.%m.%Y %H:%M", zone, True, "|", True
    )


@pytest.mark.parametrize(("text", "delimiter"), [("tab", "\t"), (r"\t", "\t"), (" ", " ")])
def test_a_delimiter_is_one_character_or_the_word_tab(text: str, delimiter: str) -> None:
    assert table_format(parse("--delimiter", text)).delimiter == delimiter


@pytest.mark.parametrize(
    ("option", "text", "words"),
    [
        ("--column", "soc=SOC", "expected SIGNAL=NAME"),
        ("--column", "state_of_charge", "expected SIGNAL=NAME"),
        ("--column", "state_of_charge= ", "expected SIGNAL=NAME"),
        ("--unit", "state_of_charge=V", "state_of_charge=ratio"),
        ("--unit", "soc=ratio", "expected one of"),
        ("--timezone", "Mars/Base", "expected the IANA name"),
        ("--delimiter", ";;", "expected one character"),
        ("--delimiter", '"', "expected one character"),
    ],
)
def test_what_makes_no_sense_is_refused_with_what_was_expected(option: str, text: str, words: str) -> None:
    with pytest.raises(argparse.ArgumentError, match=words):
        parse(option, text)
