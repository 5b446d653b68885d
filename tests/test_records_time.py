"""Times in a record: every form that is read, what is refused, and whole columns exactly as one by one."""

import random
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from dumpload.core.window import utc_text
from dumpload.study.records.time import EXPECTED, NO_OFFSET, NOT_MIXED, ClockError, Times

LONDON = ZoneInfo("Europe/London")
NOON = 1_750_075_200.0
"""2025-06-16 12:00:00 UTC."""


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
     "16.06.2025 12:00", "2025-06-16T12:00:00+0100", "99999999999999999999", "1750075200,5", "nan"],
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


# Whole columns


def one_by_one(texts: list[str], times: Times) -> list[float]:
    return [times.read(text) for text in texts]


SHAPES = {
    "seconds, UTC": "%Y-%m-%dT%H:%M:%SZ",
    "seconds, offset": "%Y-%m-%dT%H:%M:%S+05:30",
    "a space": "%Y-%m-%d %H:%M:%SZ",
    "local": "%Y-%m-%d %H:%M:%S",
    "microseconds": "%Y-%m-%dT%H:%M:%S.%fZ",
}


@pytest.mark.parametrize("feeds", [False, True], ids=["plain", "with line feeds"])
@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
@given(seed=st.integers(0, 2**32))
def test_a_column_is_read_as_its_times_one_by_one(shape: str, feeds: bool, seed: int) -> None:
    draw = random.Random(seed)  # noqa: S311
    t = NOON + draw.randrange(0, 365 * 86400)
    moments = []
    for _ in range(draw.randrange(1, 60)):
        moments.append(datetime.fromtimestamp(t, UTC))
        t += draw.choice([0.0, 0.000001, 1.0, 5.0, 59.5, 3600.0, 86_400.0 * draw.randrange(3)])
    feed = "\n" if feeds else ""
    texts = [f"{feed}{moment.strftime(shape)}" for moment in moments]
    zone = ZoneInfo("Asia/Kolkata")  # no summer time
    assert Times(zone=zone).read_column(texts) == one_by_one(texts, Times(zone=zone))


@pytest.mark.parametrize("digits", [0, 1, 3])
@given(seed=st.integers(0, 2**32))
def test_a_column_of_unix_times_is_read_as_one_by_one(digits: int, seed: int) -> None:
    draw = random.Random(seed)  # noqa: S311
    scale = draw.choice([1, 1000])
    numbers = sorted(NOON * scale + draw.randrange(10**6) / 10 for _ in range(draw.randrange(1, 50)))
    texts = [f"{number:.{digits}f}" for number in numbers]
    assert Times().read_column(texts) == one_by_one(texts, Times())


@example(spoilt="70~", place=9, row=9)
@given(spoilt=st.text(max_size=3), place=st.integers(0, 19), row=st.integers(0, 9))
def test_a_column_with_a_spoilt_time_is_left_to_be_read_one_by_one(spoilt: str, place: int, row: int) -> None:
    texts = [f"2025-06-16T12:00:{second:02d}Z" for second in range(0, 50, 5)]
    texts[row] = texts[row][:place] + spoilt + texts[row][place + 1 :]
    found = Times().read_column(texts)
    try:
        expected = one_by_one(texts, Times())
    except (ValueError, ClockError):
        assert found is None
    else:
        assert found in (None, expected)


@pytest.mark.parametrize(
    "texts",
    [
        ["2025-06-16T12:00:05Z", "2025-06-16T12:00:00Z"],
        ["2025-06-17T12:00:00Z", "2025-06-16T12:00:00Z"],
        ["2025-06-16T12:00:00Z", "2025-06-16T12:00:61Z", "2025-06-16T12:01:02Z"],
        ["2025-06-16T12:00:00Z", "2025-06-16T12:0x:10Z", "2025-06-16T12:01:02Z"],
        ["2025-06-16T12:00:00Z", "2025-06-16T13:00:00+01:00"],
        ["2025-06-16T12:00:00+01:00", "2025-06-16T12:00:05+02:00", "2025-06-16T12:00:10+01:00"],
        ["1750075200", "1750075199"],
        ["1750075200", "175007520x", "1750075202"],
        ["1750075200", "1750075201000"],
        ["\n1750075200", "1750075201", "\n1750075202"],
        [""],
    ],
)
def test_a_column_that_is_not_plain_or_not_in_order_is_left(texts: list[str]) -> None:
    times = Times()
    assert times.read_column(texts) is None
    assert times.read("2025-06-16T12:00:00Z") == NOON  # nothing of the try is remembered


def test_a_day_on_which_the_clocks_change_is_read_one_by_one() -> None:
    texts = [f"2025-10-26 {hour:02d}:00:00" for hour in range(24)]
    assert Times(zone=LONDON).read_column(texts) is None
