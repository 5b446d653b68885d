"""Every picture is one by itself, says in words what it shows, and shows what the chronicle says."""

import math
import re
from collections.abc import Sequence
from datetime import UTC
from itertools import pairwise
from xml.etree import ElementTree as ET

import pytest
from chronicles import off, on, rough, told, wall
from hypothesis import given
from hypothesis import strategies as st
from paths import corners, heights

from dumpload.core.window import HOUR_S
from dumpload.replay.totals import LoadRating
from dumpload.report.data import ReportData
from dumpload.report.local_time import by_clock_hour
from dumpload.report.pictures import (
    LEFT,
    SHADES,
    WIDTH,
    Picture,
    area,
    band,
    bars,
    charge_picture,
    heat_map,
    heat_paths,
    lowest_shown,
    pictures,
)
from dumpload.report.trace import NOTHING, Extremes

SVG = "{http://www.w3.org/2000/svg}"
CUT_IN, CUT_OUT = 97.0, 93.0
MONTH = rough(30, 4)
RECORDS = {
    "a month": MONTH,
    "a moment": told(wall(2025, 6, 16, 12), wall(2025, 6, 16, 12), [], samples={wall(2025, 6, 16, 12): 98.0}),
    "an hour": told(wall(2025, 6, 16, 12), wall(2025, 6, 16, 13), [on(wall(2025, 6, 16, 12, 30))]),
    "nothing but gaps": told(wall(2025, 6, 16), wall(2025, 6, 20), []),
    "an unknown load": told(wall(2025, 6, 16), wall(2025, 6, 20), [on(wall(2025, 6, 17))], element=LoadRating()),
    "a day of 25 hours": told(wall(2025, 10, 26), wall(2025, 10, 27), [on(wall(2025, 10, 26))]),
    "three years": rough(1096, 2),
}
EXTREMES = st.lists(
    st.one_of(
        st.just(NOTHING),
        st.tuples(st.floats(40.0, 100.0), st.floats(40.0, 100.0)).map(lambda pair: Extremes(min(pair), max(pair))),
    ),
    min_size=1,
    max_size=60,
)


def elements(picture: Picture, kind: str, of_class: str | None = None) -> list[ET.Element]:
    root = ET.fromstring(picture.file())  # noqa: S314  (our own)
    return [one for one in root.iter(f"{SVG}{kind}") if of_class is None or one.get("class") == of_class]


def path(picture: Picture, of_class: str) -> str:
    (one,) = elements(picture, "path", of_class)
    return one.get("d") or ""


def labels(picture: Picture) -> list[str]:
    return [one.text or "" for one in elements(picture, "text")]


# All of them


@pytest.mark.parametrize("one", RECORDS.values(), ids=RECORDS)
def test_every_picture_is_a_file_of_its_own_with_a_title_and_a_description(one: ReportData) -> None:
    found = pictures(one, CUT_IN, CUT_OUT)
    assert len({picture.name for picture in found}) == len(found) == 3
    for picture in found:
        root = ET.fromstring(picture.file())  # noqa: S314  (our own)
        title, words = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
        assert root.get("role") == "img"
        assert title is not None
        assert words is not None
        assert root.get("aria-labelledby") == f"{title.get('id')} {words.get('id')}"
        assert title.text == picture.title
        assert len(words.text or "") > 20
        assert "nan" not in picture.file()


@pytest.mark.parametrize("one", RECORDS.values(), ids=RECORDS)
def test_in_a_page_it_is_well_formed_too(one: ReportData) -> None:
    for picture in pictures(one, CUT_IN, CUT_OUT):
        ET.fromstring(picture.svg())  # noqa: S314  (our own)
        assert "http" not in picture.svg()


def test_words_of_a_picture_are_words_and_nothing_else() -> None:
    picture = Picture("a", "<b>&", '</desc><script>"', 10, [])
    assert elements(picture, "title")[0].text == "<b>&"
    assert elements(picture, "desc")[0].text == '</desc><script>"'
    assert "<script>" not in picture.svg()


def test_labels_do_not_run_into_each_other_or_out_of_the_picture() -> None:
    begin = wall(2025, 1, 1)
    long = (2, 3, 4, 14, 15, 45, 70, 71, 400, 700, 701, 2200, 2201)
    records = [*RECORDS.values(), *(told(begin, begin + days * 86_400, [on(begin)]) for days in long)]
    for one in records:
        for picture in pictures(one, CUT_IN, CUT_OUT):
            places = sorted(
                float(text.get("x") or 0) for text in elements(picture, "text") if text.get("class") is None
            )
            assert all(after - before >= 26 for before, after in pairwise(places)), (len(one.days), picture.name)
            assert all(LEFT <= place <= WIDTH - 35 for place in places)


@pytest.mark.parametrize(
    ("days", "first"),
    [
        (1, ["1 Jan"]),
        (5, ["1 Jan", "2 Jan", "3 Jan"]),
        (30, ["6 Jan", "13 Jan", "20 Jan"]),
        (200, ["2025", "Feb", "Mar"]),
        (800, ["2025", "Apr", "Jul", "Oct", "2026"]),
        (3000, ["2025", "2026", "2027"]),
    ],
)
def test_dates_are_as_fine_as_there_is_room(days: int, first: list[str]) -> None:
    begin = wall(2025, 1, 1)
    picture = bars("x", "x", told(begin, begin + days * 86_400 - 7200, []), [1.0] * days)
    dates = [one.text for one in elements(picture, "text") if one.get("class") is None]
    assert dates[: len(first)] == first


def test_of_few_days_the_charge_has_hours_too() -> None:
    one = told(wall(2025, 6, 16, 3), wall(2025, 6, 16, 22), [])
    assert [word for word in labels(charge_picture(one, CUT_IN, CUT_OUT)) if "%" not in word] == [
        "on", "06:00", "12:00", "18:00",
    ]  # fmt: skip


# The charge


@given(columns=EXTREMES, width=st.integers(1, 12), low=st.sampled_from([0, 20, 40]))
def test_a_band_never_hides_an_extreme_and_exaggerates_none_by_more_than_one_unit(
    columns: list[Extremes], width: int, low: int
) -> None:
    units = 10 * (100 - low)
    drawn = band(columns, width, low, units)
    for index, one in enumerate(columns):
        found = heights(drawn, (index + 0.5) * width)
        if math.isnan(one.low):
            assert found == []
            continue
        top, bottom = ((100 - value) * units / (100 - low) for value in (one.high, one.low))
        assert len(found) == 2
        assert top - 1 < found[0] <= top + 1e-5
        assert bottom - 1e-5 <= found[1] < bottom + 1


def test_a_band_of_nothing_is_nothing() -> None:
    assert band([NOTHING] * 5, 1, 0, 100) == ""


def test_thresholds_are_drawn_at_their_charge() -> None:
    low = lowest_shown(MONTH, CUT_OUT)
    picture = charge_picture(MONTH, CUT_IN, CUT_OUT)
    marks = {int((one.text or "").removesuffix(" %")): float(one.get("y") or 0) - 4
             for one in elements(picture, "text") if "%" in (one.text or "")}  # fmt: skip
    per_percent = (marks[low] - marks[100]) / (100 - low)
    for kind, percent in (("i", CUT_IN), ("u", CUT_OUT)):
        ((begin, end),) = corners(path(picture, kind))
        assert begin.y == pytest.approx(marks[100] + (100 - percent) * per_percent, abs=0.1)
        assert (begin.x, end.x) == (LEFT, WIDTH)
    assert marks.keys() >= {low, 100}


def test_the_axis_reaches_below_everything_and_below_the_cut_out() -> None:
    begin = wall(2025, 6, 16)
    assert lowest_shown(told(begin, begin + 900, [], samples={begin: 47.0}), CUT_OUT) == 40
    assert lowest_shown(told(begin, begin + 900, [], samples={begin: 99.0}), 60.0) == 50
    assert lowest_shown(told(begin, begin + 900, []), CUT_OUT) == 80
    assert lowest_shown(told(begin, begin + 900, [], samples={begin: 0.0}), 5.0) == 0


@given(parts=st.lists(st.one_of(st.just(0.0), st.just(1.0), st.floats(0.0, 1.0)), min_size=1, max_size=60))
def test_the_time_on_is_as_high_as_its_share_and_never_rounded_to_nothing(parts: list[float]) -> None:
    drawn = area(parts, 2, 24)
    for index, part in enumerate(parts):
        found = heights(drawn, 2 * index + 1) or [24, 24]
        assert part * 24 - 1e-5 <= found[-1] - found[0] < part * 24 + 1
        assert found[-1] == 24
    assert (drawn == "") == (max(parts) <= 1e-7)


def test_the_time_on_is_below_the_charge_at_the_same_time() -> None:
    begin = wall(2025, 6, 16)
    samples = {begin + 900 * quarter: 98.0 for quarter in range(96)}
    one = told(begin, begin + 86_400, [on(begin + 6 * HOUR_S), off(begin + 9 * HOUR_S)], samples=samples)
    picture = charge_picture(one, CUT_IN, CUT_OUT)
    (lane,) = corners(path(picture, "o"))
    assert (min(point.x for point in lane), max(point.x for point in lane)) == (24, 36)
    assert {point.y for point in lane} == {0, 24}
    (line,) = corners(path(picture, "c"))
    assert max(point.x for point in line) == 96
    assert "From 98.0 % to 98.0 %." in picture.caption


# By day


def hours_of(paths: dict[int, str]) -> dict[tuple[int, int], int]:
    """Read the shade of every cell back; grey ones are drawn below others."""
    found = {}
    for shade, drawn in sorted(paths.items()):
        for begin, end in corners(drawn):
            assert begin.x == end.x
            found.update({(int(begin.x), hour): shade for hour in range(int(begin.y), int(end.y))})
    return found


@pytest.mark.parametrize("days", [1, 9, 60])
def test_the_heat_map_is_the_time_on_by_the_clock_on_the_wall(days: int) -> None:
    one = rough(days, 5, seed=days)
    first = one.days[0].date
    lost = by_clock_hour(one.day_log.lost, one.zone)
    expected = {((day - first).days, hour): 0 for (day, hour), seconds in lost.items() if seconds > HOUR_S / 2}
    for (day, hour), seconds in by_clock_hour(one.runs, one.zone).items():
        expected[(day - first).days, hour] = min(SHADES, int(seconds / HOUR_S * SHADES) + 1)
    assert hours_of(heat_paths(one, 1)) == expected
    drawn = {int((one.get("class") or "").removeprefix("s")): one.get("d") or ""
             for one in elements(heat_map(one), "path") if re.fullmatch(r"s\d", one.get("class") or "")}  # fmt: skip
    assert hours_of(drawn) == expected


def test_in_a_long_record_a_column_is_the_mean_of_some_days() -> None:
    begin = wall(2025, 1, 1)
    changes = [one for day in range(0, 900, 3) for one in
               (on(begin + day * 86_400 + 3600), off(begin + day * 86_400 + 7200))]  # fmt: skip
    one = told(begin, begin + 900 * 86_400, changes, zone=UTC)
    assert hours_of({2: heat_paths(one, 3)[2]}) == {(column, 1): 2 for column in range(300)}
    assert heat_map(one).caption.startswith("One column for 3 days,")


def test_an_hour_that_comes_twice_is_no_darker_than_all_of_one() -> None:
    """One whole hour in three days is a third of it, be it twice as long."""
    one = told(wall(2025, 10, 25), wall(2025, 10, 28), [on(wall(2025, 10, 26)), off(wall(2025, 10, 27))])
    assert hours_of({2: heat_paths(one, 3)[2]}) == {(0, hour): 2 for hour in range(24)}


@given(values=st.lists(st.floats(0.0, 5000.0), min_size=1, max_size=40))
def test_bars_are_as_high_as_their_values(values: list[float]) -> None:
    begin = wall(2025, 6, 1)
    one = told(begin, begin + len(values) * 86_400, [])
    picture = bars("energy", "Energy", one, values, " Wh")
    marks = sorted(float(word) for word in labels(picture) if re.fullmatch(r"[\d.]+", word))
    found = dict.fromkeys(range(len(values)), 0.0)
    for bar in elements(picture, "g", "b")[0] if elements(picture, "g", "b") else ():
        ((begin, end),) = corners(bar.get("d") or "")
        found[int(begin.x)] = -end.y
    assert marks[-1] >= max(values)
    for index, value in enumerate(values):
        assert found[index] == pytest.approx(value / marks[-1] * 200, abs=0.51 if value > marks[-1] / 400 else 1.0)
        assert (found[index] > 0) == (value > 0)


@pytest.mark.parametrize(
    ("most", "marks"),
    [(0, [0, 1]), (1, [0, 1]), (2, [0, 1, 2]), (3, [0, 2, 4]), (7, [0, 4, 8]), (3290, [0, 2000, 4000]),
     (9.9, [0, 5, 10]), (24, [0, 20, 40])],
)  # fmt: skip
def test_the_axis_of_bars_ends_at_a_round_number(most: float, marks: list[float]) -> None:
    begin = wall(2025, 6, 1)
    picture = bars("x", "x", told(begin, begin + 3600, []), [most])
    assert [float(one.text or "") for one in elements(picture, "text", "e")] == marks


def test_every_bar_has_a_title_of_its_own_and_many_days_share_one() -> None:
    begin = wall(2025, 6, 1)
    picture = bars("x", "Heat", told(begin, begin + 3 * 86_400, []), [1.0, 2.5, 0.0], " kWh")
    titles = [one.text for one in elements(picture, "title")]
    assert titles == ["Heat a day", "Sun 1 Jun: 1 kWh", "Mon 2 Jun: 2.5 kWh"]
    year = bars("x", "Heat", told(begin, begin + 365 * 86_400 - 3600, []), [1.0] * 365, " kWh")
    bar_titles = [one.text for one in elements(year, "title")]
    assert bar_titles[:2] == ["Heat in 7 days", "Sun 1 Jun: 7 kWh"]
    assert len(bar_titles) == 1 + 53


def test_bars_say_how_much_it_is_in_all_and_when_most() -> None:
    begin = wall(2025, 6, 1)
    words = bars("x", "x", told(begin, begin + 3 * 86_400, []), [1.0, 250.4, 0.0], " Wh").caption
    assert words == "3 days, 251 Wh in all; best day: 2 Jun 2025, 250 Wh."


def test_one_day_is_one_day() -> None:
    begin = wall(2025, 6, 1)
    assert bars("x", "x", told(begin, begin + 60, []), [0.0]).caption == "1 day, 0 in all; best day: 1 Jun 2025, 0."


def names(found: Sequence[Picture]) -> list[str]:
    return [picture.name for picture in found]


def test_where_no_energy_is_known_there_is_the_time_on() -> None:
    assert names(pictures(MONTH, CUT_IN, CUT_OUT)) == ["charge", "hours", "energy"]
    assert names(pictures(RECORDS["an unknown load"], CUT_IN, CUT_OUT)) == ["charge", "hours", "on-time"]
