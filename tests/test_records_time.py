"""Times in a record: every form that is read, what is refused."""

import contextlib
from zoneinfo import ZoneInfo

import pytest

from dumpload.core.text import utc_text
from dumpload.records.time import EXPECTED, NO_OFFSET, NOT_MIXED, ClockError, Times

LONDON = ZoneInfo("Europe/London")
# 2025-06-16 12:00:00 UTC.
NOON = 1_750_075_200.0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2025-06-16T12:00:00Z", NOON),
        ("2025-06-16t12:00:00z", NOON),
        ("2025-06-16 13:00:00+01:00", NOON),
        ("2025-06-16T12:00:00.250Z", NOON + 0.25),
        ("2025-06-16T12:00:00.123456Z", NOON + 0.123456),
        (" 2025-06-16T12:00:00Z ", NOON),
        ("1750075200", NOON),
        ("1750075200.5", NOON + 0.5),
        ("1750075200500", NOON + 0.5),
    ],
)
def test_a_time_is_read(text: str, expected: float) -> None:
    assert Times().read(text) == expected


@pytest.mark.parametrize(
    "text",
    ["", "noon", "2025-06-31T12:00:00Z", "2025-06-16T24:00:01Z", "2025-06-16T12:60:00Z", "2025-06-16", "-5", "1e9",
     "16.06.2025 12:00", "2025-06-16T12:00:00+0100", "1750075200,5", "nan"],
)  # fmt: skip
def test_what_is_no_time_is_refused_with_what_was_expected(text: str) -> None:
    with pytest.raises(ValueError, match=r"RFC 3339") as refused:
        Times().read(text)
    assert str(refused.value) == EXPECTED


def test_a_local_time_needs_a_zone() -> None:
    with pytest.raises(ClockError, match=r"--timezone"):
        Times().read("2025-06-16T12:00:00")
    assert NO_OFFSET
    assert Times(zone=LONDON).read("2025-06-16 13:00") == NOON


@pytest.mark.parametrize(
    "texts", [("2025-06-16T12:00:00Z", "2025-06-16T12:00:05"), ("2025-06-16T12:00:00", "2025-06-16T12:00:05+01:00")]
)
def test_times_with_and_without_offset_are_not_mixed(texts: tuple[str, str]) -> None:
    times = Times(zone=LONDON)
    times.read(texts[0])
    with pytest.raises(ClockError, match=NOT_MIXED):
        times.read(texts[1])


def test_the_repeated_hour_is_read_as_it_goes_on() -> None:
    """On 2025-10-26 the clocks in London go back at 02:00 to 01:00."""
    times = Times(zone=LONDON)
    found = [utc_text(times.read(f"2025-10-26 0{text}")) for text in ("0:59", "1:30", "1:59", "1:00", "1:30", "2:00")]
    assert [text[11:16] for text in found] == ["23:59", "00:30", "00:59", "01:00", "01:30", "02:00"]


def test_a_local_time_that_the_clocks_left_out_is_refused() -> None:
    """On 2026-03-29 the clocks in London go forward at 01:00 to 02:00."""
    with pytest.raises(ValueError, match="exists"):
        Times(zone=LONDON).read("2026-03-29 01:30")


@pytest.mark.parametrize(
    ("form", "text"),
    [("%d.%m.%Y %H:%M:%S %z", "16.06.2025 14:00:00 +0200"), ("%d/%m/%Y %H:%M", "16/06/2025 13:00"), ("%s", None)],
)
def test_another_form_is_read_as_told(form: str, text: str | None) -> None:
    times = Times(form, LONDON)
    if text is None:
        with pytest.raises(ValueError, match="of the form"):
            times.read("16.06.2025")
    else:
        assert times.read(text) == NOON


@pytest.mark.parametrize(
    "text",
    ["0001-01-01T00:00:00Z", "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59Z", "9999-12-31T23:59:59-12:00",
     "1969-12-31T23:59:59Z", "2200-01-01T00:00:00Z", "0001-01-01 00:00:00", "9999-12-31 23:59:59",
     "99999999999", "99999999999999999999", "1" * 400],
)  # fmt: skip
@pytest.mark.parametrize("zone", [LONDON, ZoneInfo("Pacific/Kiritimati"), ZoneInfo("America/Anchorage")], ids=str)
def test_a_time_before_1970_or_after_2200_is_refused(text: str, zone: ZoneInfo) -> None:
    with pytest.raises(ValueError, match="a time from 1970 to 2200"):
        Times(zone=zone).read(text)


@pytest.mark.parametrize(("text", "expected"), [("0", 0.0), ("1970-01-01T00:00:00Z", 0.0), ("1970-01-01T01:00", 0.0)])
def test_the_first_second_of_1970_is_a_time(text: str, expected: float) -> None:
    assert Times(zone=LONDON).read(text) == expected


@pytest.mark.parametrize("form", ["%Y", "%d", "%H:%M:%S", "%y%", "%Q", ""])
@pytest.mark.parametrize("text", ["1", "9999", "0001", "12:00:00", "", "x"])
def test_whatever_form_is_asked_for_a_text_is_a_time_or_refused(form: str, text: str) -> None:
    with contextlib.suppress(ValueError):
        assert 0.0 <= Times(form, ZoneInfo("Pacific/Kiritimati")).read(text) < 7_258_118_400.0
