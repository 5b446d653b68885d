"""The first figures of a report, the change against the period before, and the calendar's scale."""

import re
from pathlib import Path

import pytest
from chronicles import HEATER, off, on, rough, told, wall
from judged import settings
from weeks import BEGIN, DAY_S, KEYS, write_weeks

from dumpload.core.freshness import MISSING
from dumpload.replay.figures import figures, litres_at_40
from dumpload.replay.heat_sources import HeatSources
from dumpload.replay.heat_text import heat_rows
from dumpload.replay.totals import LoadRating
from dumpload.report.calendar import calendar, step
from dumpload.report.data import ReportData
from dumpload.report.headline import Headline, headline, is_hot, large_figures, missed_full, sentence, state_words
from dumpload.report.local_time import Span
from dumpload.report.report import Report, report_document, report_of_history, report_text

SETTINGS = settings(KEYS)
WEEK = Span(BEGIN + 7 * DAY_S, BEGIN + 14 * DAY_S)
BEFORE = Headline(7, 7, 500.0, 17_000.0, 100.0, 0.0)


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_weeks(tmp_path_factory.mktemp("weeks") / "history.db")


@pytest.fixture(scope="module")
def week(history: Path) -> Report:
    return report_of_history(history, SETTINGS, WEEK)


def short(*, load: LoadRating = HEATER, on_h: float = 3.0) -> ReportData:
    begin = wall(2025, 6, 16)
    return told(begin, begin + DAY_S, [on(begin + 36_000), off(begin + 36_000 + on_h * 3600)], element=load)


def test_a_litre_takes_the_energy_that_handbooks_give() -> None:
    """From 10 to 40 degC: 4.19 kJ/(kg K) (IAPWS tables, from memory) times 30 K, within 0.5 %."""
    assert litres_at_40(1000.0, 10.0) == pytest.approx(3600.0 / (4.19 * 30), rel=5e-3)
    assert litres_at_40(1000.0, 40.0) != litres_at_40(1000.0, 40.0)  # NaN: it is as warm as that already


def test_a_day_has_hot_water_if_its_heat_makes_20_litres() -> None:
    cold_c = 10.0
    assert is_hot(short(on_h=3.0).days[0], cold_c)
    assert not is_hot(short(on_h=2.0).days[0], cold_c)  # 600 Wh are 17 litres
    assert is_hot(short(load=LoadRating(), on_h=0.1).days[0], cold_c)


def test_the_sentence_says_on_how_many_days() -> None:
    one = BEFORE._replace(hot=5)
    assert sentence(one, is_replay=False, load_known=True) == "Hot water on 5 of 7 days"
    assert sentence(one, is_replay=True, load_known=True) == "Replay: hot water on 5 of 7 days"
    assert sentence(one._replace(days=1, hot=1), is_replay=False, load_known=False) == "Heater on on 1 of 1 day"


def test_whether_it_is_on_is_said_with_since_when_and_why() -> None:
    assert state_words(short()) == (
        "Heater off at the end of the record, Tue 17 Jun 00:00; off since Mon 16 Jun 13:00 (charge fell below the"
        " cut-out)."
    )
    begin = wall(2025, 6, 16)
    assert "Heater on at the end of the record" in state_words(told(begin, begin + 7200, [on(begin + 60)]))
    assert "it was never on" in state_words(told(begin, begin + 7200, []))


def test_figures_come_with_the_change_against_the_period_before() -> None:
    now = Headline(7, 5, 389.0, 13_500.0, 100.0, 23_400.0)
    found = [(one.value, one.change) for one in large_figures(now, BEFORE, is_replay=False)]
    assert found == [
        ("389 l", "down 111 l"),
        ("13.5 kWh", "down 3.5 kWh"),
        ("0.1 kWh", "as before"),
        ("5 of 7", "down 2 days"),
        ("6 h 30 min", "up 6 h 30 min"),
    ]
    assert {one.change for one in large_figures(now, None, is_replay=False)} == {""}
    unknown = [*large_figures(now._replace(battery_wh=MISSING), BEFORE, is_replay=False)][2]
    assert (unknown.value, unknown.change) == ("not known", "")


def test_the_period_before_is_as_many_days_and_none_if_it_is_not_recorded(history: Path, week: Report) -> None:
    assert week.before is not None
    first = report_of_history(history, SETTINGS, Span(BEGIN, WEEK.begin))
    assert week.before == headline(first.data, first.figures)
    assert first.before is None
    assert report_of_history(history, SETTINGS).before is None


def test_a_week_of_the_barge_has_its_energy_explained(week: Report) -> None:
    """The barge's own reckoning: the load takes what the controller lets it, and the sources close to that."""
    heat = week.data.result.heat
    assert heat is not None
    assert heat.total == pytest.approx(week.data.result.summary.energy_wh)
    assert heat.throttled > heat.still_taken > 0
    document = report_document(week)
    assert document["hot_water_days"] == 5
    assert document["days"][1]["in_short"].startswith("never reached 97 %")
    assert document["days"][2]["in_short"].startswith("no data from 09:2")
    assert document["days_battery_missed_full"] == missed_full(week.data)
    assert missed_full(week.data) == sum(day["highest_state_of_charge"] < 99 for day in document["days"]) > 0
    assert document["heat_sources"]["from_battery_wh"] == pytest.approx(heat.battery, abs=1e-3)
    assert sum(day["off_time_s_by_cause"].get("data_lost", 0) for day in document["days"]) == pytest.approx(
        document["off_time_s_by_cause"]["data_lost"], abs=0.1
    )


def test_the_terminal_is_told_the_same(week: Report) -> None:
    text = report_text(week)
    assert "From battery  0.1 kWh" in text
    assert "that would otherwise have been throttled" in text
    assert "equivalent full cycles" in text
    assert "  Tue 17 Jun never reached 97 %" in text


def test_what_a_missing_signal_keeps_unknown_names_the_signal() -> None:
    one = figures(SETTINGS, short().result.summary)
    assert dict(heat_rows(HeatSources(not_known=900.0), one)) == {
        "From battery": "not known: needs battery_power",
        "From panels": "not known: needs battery_power",
        "Cycles": "not known: needs battery_power",
    }
    assert dict(heat_rows(HeatSources(battery=900.0, has_battery=True), one))["From panels"] == (
        "not known: needs solar_power"
    )


def test_the_scale_of_the_calendar_has_five_steps_and_nothing_is_none() -> None:
    assert [step(size, 100.0) for size in (0, 0.1, 20, 20.1, 60, 99, 100)] == [0, 1, 1, 2, 3, 5, 5]
    assert step(0.0, 0.0) == 0


def test_a_calendar_begins_at_its_weekday(week: Report) -> None:
    days = week.data.days[1:3]
    found = "".join(calendar(days, {day.date: "" for day in days}))
    assert "<b>June 2025</b>" in found
    assert 'href=#d250617 title="0.0 kWh" style="grid-column:2">17</a>' in found
    assert 'href=#d250618 title="0.1 kWh">18</a>' in found


def test_a_year_is_a_row_a_month_and_not_a_step_of_the_tab_key_a_day() -> None:
    one = rough(365, 3)
    html = "".join(calendar(one.days, {day.date: "" for day in one.days}))
    assert re.findall(r'<a href="#m(\d{4}-\d\d)">', html) == [f"2025-{month:02d}" for month in range(1, 13)]
    rows = re.findall(r'aria-label="(\w+) 2025: ([\d.]+) kWh; most on (\d+) (\w+)"[^>]*>(.*?)</svg>', html)
    for number, (name, total, best, _month, drawn) in enumerate(rows, 1):
        days = [day for day in one.days if day.date.month == number]
        assert name == f"{days[0].date:%B}"
        assert float(total) == pytest.approx(sum(day.energy_wh for day in days) / 1000, abs=0.5)
        assert int(best) == max(days, key=lambda day: day.energy_wh).date.day
        [bars] = re.findall(r'class="h" d="([^"]+)"', drawn)
        assert bars.count("M") == sum(day.energy_wh > 0 for day in days)
    assert len(rows) == 12


def test_a_quarter_is_still_drawn_day_by_day() -> None:
    one = rough(85, 3)
    assert "".join(calendar(one.days, {day.date: "" for day in one.days})).count("<a class=k") == 85
