"""One row for every day: its charge and time on from midnight to midnight, and its figures."""

import re
from itertools import pairwise

import pytest
from chronicles import off, on, rough, told, wall
from paths import corners, heights

from dumpload.replay.totals import LoadRating
from dumpload.report.data import ReportData
from dumpload.report.days import CHARGE, FINENESS, HEIGHT, STEPS, WIDTH, day_tables, lines
from dumpload.report.pictures import lowest_shown

CUT_IN, CUT_OUT = 97.0, 93.0
ROOM = 100_000
MONTH = rough(31, 4)


def rows(one: ReportData, room: int = ROOM) -> list[str]:
    return [line for line in day_tables(one, CUT_OUT, room, {}) if line.startswith("<tr>")]


def drawn(row: str, kind: str) -> str:
    found = re.search(rf'<path{kind} d="([^"]*)"/>', row)
    return found[1] if found else ""


def figures(row: str) -> list[str]:
    return re.findall(r"<t[hd]>([^<]*)(?=<|$)", row)


def test_a_row_tells_its_day_its_time_on_its_energy_and_its_switch_ons() -> None:
    begin = wall(2025, 6, 16)
    changes = [on(begin + 3600), off(begin + 3600 + 5430), on(begin + 80_000)]
    (monday, tuesday) = rows(told(begin, begin + 86_400 + 3600, changes))
    assert figures(monday)[0] == "Mon 16"
    assert figures(monday)[-3:] == ["3:17", "1.0", "2"]
    assert figures(tuesday)[-3:] == ["1:00", "0.3", "0"]


def test_a_day_of_which_no_energy_is_known_says_so() -> None:
    begin = wall(2025, 6, 16)
    (row,) = rows(told(begin, begin + 3600, [on(begin)], element=LoadRating()))
    assert figures(row)[-3:] == ["1:00", "-", "1"]


@pytest.mark.parametrize("hours", [23, 24, 25])
def test_a_day_is_drawn_from_midnight_to_midnight_however_long_it_is(hours: int) -> None:
    begin = {23: wall(2025, 3, 30), 24: wall(2025, 6, 16), 25: wall(2025, 10, 26)}[hours]
    end = begin + hours * 3600
    samples = {begin + quarter * 900: 98.0 for quarter in range(4 * hours)}
    changes = [on(begin + 6 * 3600), off(end - 6 * 3600)]
    (row,) = rows(told(begin, end, changes, samples=samples))
    ((first, *_rest),) = corners(drawn(row, " class=o"))
    assert first.x == pytest.approx(WIDTH * 6 / hours, abs=1)
    xs = [point.x for part in corners(drawn(row, "")) for point in part]
    assert (min(xs), max(xs)) == (0, WIDTH)


def test_a_strip_shows_the_time_on_to_the_quarter_of_an_hour() -> None:
    begin = wall(2025, 6, 16)
    (row,) = rows(told(begin, begin + 86_400, [on(begin + 6 * 3600), off(begin + 7 * 3600 + 450)]))
    tops = [heights(drawn(row, " class=o"), quarter + 0.5)[:1] for quarter in range(96)]
    assert [STEPS - top[0] for top in tops if top] == [10, 10, 10, 10, 5]
    assert tops.index([0.0]) == 24


@pytest.mark.parametrize("room", [1_000_000, 30_000, 10_000, 0])
def test_however_little_room_there_is_no_extreme_is_lost(room: int) -> None:
    low = lowest_shown(MONTH, CUT_OUT)
    for day, row in zip(MONTH.days, rows(MONTH, room), strict=True):
        ys = [point.y for part in corners(drawn(row, "")) for point in part]
        top, bottom = ((100 - value) / (100 - low) * CHARGE for value in (day.charge.high, day.charge.low))
        assert top - 1 < min(ys) <= top + 1e-5
        assert bottom - 1e-5 <= max(ys) < bottom + 1


def test_the_less_room_the_coarser_it_is_drawn() -> None:
    sizes = [sum(map(len, rows(MONTH, room))) for room in (1_000_000, 30_000, 18_000, 10_000)]
    assert all(finer > coarser for finer, coarser in pairwise(sizes))
    assert sizes[1] <= 31_000
    assert sizes[2] <= 19_000
    assert all(WIDTH % count == 0 for parts in FINENESS for count in parts)


def test_each_month_has_a_table_that_can_be_jumped_to() -> None:
    tables = [*day_tables(rough(89, 1), CUT_OUT, ROOM, {})]
    captions = re.findall(r'<caption id="m(\d{4}-\d\d)">([^<]*)</caption>', "".join(tables))
    assert captions == [("2025-01", "January 2025"), ("2025-02", "February 2025"), ("2025-03", "March 2025")]


def test_of_a_long_record_the_last_year_is_drawn_and_that_is_said() -> None:
    one = rough(800, 1)
    tables = [*day_tables(one, CUT_OUT, ROOM, {})]
    assert len(rows(one)) == 366
    assert "<p>Only the last 366 days are drawn one by one.</p>" in tables
    assert not any("Only the last" in line for line in day_tables(MONTH, CUT_OUT, ROOM, {}))


def test_thresholds_are_where_they_are_on_the_scale_of_the_strips() -> None:
    low = lowest_shown(MONTH, CUT_OUT)
    found = [float(part) for part in re.findall(r":([\d.]+)%", lines(MONTH, CUT_IN, CUT_OUT))]
    places = [(100 - percent) / (100 - low) * CHARGE / HEIGHT * 100 for percent in (CUT_IN, CUT_OUT)]
    assert found == pytest.approx(places, abs=0.06)
    told_words = "".join(day_tables(MONTH, CUT_OUT, ROOM, {}))
    assert f"from {low} % to 100 % of charge" in told_words


def test_a_day_without_anything_is_drawn_empty() -> None:
    begin = wall(2025, 6, 16)
    (row,) = rows(told(begin, begin + 86_400, []))
    assert (drawn(row, ""), drawn(row, " class=o")) == ("", "")
