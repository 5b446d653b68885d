"""The report as a page: the verdict first, all that the chronicle tells, nothing to load, and short however busy."""

from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
from chronicles import off, on, rough, told, wall
from judged import settings

from dumpload.config.model import Settings
from dumpload.core.explain import MEANINGS
from dumpload.core.law import Cause
from dumpload.records.record import ReadLog, RowError
from dumpload.replay.document import OPEN_LOOP
from dumpload.replay.figures import figures
from dumpload.report.data import ReportData
from dumpload.report.day_log import Incident
from dumpload.report.page import SHOWN_EVENTS, SHOWN_GAPS, UNSEEN, cause_words, report_page

SETTINGS = settings({"load.rated_w": 300, "load.rated_v": 24, "tank.volume_l": 40, "tank.target_c": 60})
MONTH = rough(30, 4)
MOST_BYTES = 150_000


class Reader(HTMLParser):
    """Takes a page apart: headings with what stands under them, and every tag with its attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.sections: dict[str, str] = {"": ""}
        self._open: list[str] = []
        self._heading = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._open.append(tag)
        if tag == "h2":
            self._heading = ""

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass
        if tag == "h2":
            self.sections[self._heading] = ""

    def handle_data(self, data: str) -> None:
        if "h2" in self._open:
            self._heading += data
        elif "style" not in self._open:
            self.sections[self._heading] = " ".join(f"{self.sections.get(self._heading, '')} {data}".split())


def page(one: ReportData, chosen: Settings = SETTINGS) -> str:
    return report_page(one, figures(chosen, one.result.summary), chosen)


def read(one: ReportData, chosen: Settings = SETTINGS) -> dict[str, str]:
    return Reader(page(one, chosen)).sections


def some(*causes: Cause, is_replay: bool = False, events: tuple[Incident, ...] = ()) -> ReportData:
    """A day with a run for each cause of going off, and no data but at noon."""
    begin = wall(2025, 6, 16)
    changes = [one for hour, cause in enumerate(causes)
               for one in (on(begin + 3600 * hour), off(begin + 3600 * hour + 1800, cause))]  # fmt: skip
    return told(begin, begin + 86_400, changes, samples={begin + 43_200: 98.0}, events=events, is_replay=is_replay)


# What it says


def test_the_verdict_comes_first() -> None:
    first = read(some(Cause.BELOW_CUT_OUT))[""]
    assert "What the relay did: barge Hot water on 0 of 1 day Heater off at the end of the record" in first
    assert OPEN_LOOP not in first


def test_a_replay_says_that_it_is_one_and_that_the_loop_is_open() -> None:
    first = read(some(Cause.BELOW_CUT_OUT, is_replay=True))[""]
    assert "What the relay would have done: barge Replay: hot water on 0 of 1 day" in first
    assert OPEN_LOOP in first


def test_its_sections_come_in_the_order_in_which_they_are_wanted() -> None:
    one = some(Cause.BELOW_CUT_OUT, events=(Incident(wall(2025, 6, 16, 3), "the program started"),))
    one.result.log.notes.append("something to know")
    assert [*read(one)][1:] == [
        "Day by day",
        "Where the heat came from",
        "Why it was off",
        "Cautions",
        "Notes on these figures",
        "In figures",
        "Charts",
        "Why it went off",
        "Gaps in the data",
        "Events",
        "Every day in figures",
    ]


def test_figures_have_their_labels() -> None:
    found = read(MONTH)["In figures"]
    for label in ("Record log.csv (CSV)", "From 2025-01-01", "On-time", "Switch-ons 120", "Energy", "Hot water enough"):
        assert label in found


def test_what_makes_a_figure_doubtful_comes_before_them() -> None:
    account = ReadLog()
    account.notes.append("the clock was stepped")
    account.drop(RowError(Path("log.csv"), 3, "time", "x", "a time"))
    found = read(MONTH._replace(result=MONTH.result._replace(log=account)))["Notes on these figures"]
    assert "the clock was stepped" in found
    assert "Row dropped: log.csv, line 3" in found


def test_every_cause_of_going_off_is_told_with_its_meaning_and_how_often() -> None:
    causes = [Cause.BELOW_CUT_OUT, Cause.OUTSIDE_WINDOW, Cause.BELOW_CUT_OUT, Cause.NONE]
    found = read(some(*causes))["Why it went off"]
    assert f"below_cut_out {MEANINGS[Cause.BELOW_CUT_OUT]} 2" in found
    assert f"outside_window {MEANINGS[Cause.OUTSIDE_WINDOW]} 1" in found
    assert f"not recorded {UNSEEN} 1" in found
    assert found.index("below_cut_out") < found.index("outside_window")


@pytest.mark.parametrize("cause", Cause)
def test_every_cause_there_is_has_a_name_and_a_meaning(cause: Cause) -> None:
    name, meaning = cause_words(cause)
    assert name
    assert meaning.endswith(".")


def test_a_relay_that_never_went_off_and_data_that_never_failed_are_told_so() -> None:
    begin = wall(2025, 6, 16)
    found = read(told(begin, begin + 60, [], samples={begin: 98.0, begin + 60: 98.0}))
    assert found["Why it went off"] == "It never went off."
    assert found["Gaps in the data"] == "No gaps: there was always a live state of charge."


def test_times_without_data_are_told_in_order_the_longest_if_there_are_many() -> None:
    assert read(some())["Gaps in the data"] == ("From For Mon 16 Jun 2025 00:00 12 h Mon 16 Jun 2025 12:01 11 h 59 min")
    begin = wall(2025, 6, 16)
    samples = {begin + 600.0 * number + 10 * number: 98.0 for number in range(40)}
    found = read(told(begin, max(samples), [], samples=samples))["Gaps in the data"]
    assert found.startswith("39 in all, 5 h 57 min together; the longest: From For")
    assert found.count("Mon 16 Jun 2025") == SHOWN_GAPS
    assert "00:01" in found


def test_what_else_happened_is_told_the_last_of_it_if_it_is_much() -> None:
    begin = wall(2025, 6, 16)
    events = tuple(Incident(begin + 60 * number, f"event {number}.") for number in range(100))
    found = read(some(events=events))["Events"]
    assert found.count("event") == SHOWN_EVENTS
    assert "Mon 16 Jun 2025 01:39 event 99." in found
    assert "event 59." not in found


def test_every_day_is_told_and_each_month_can_be_jumped_to() -> None:
    one = rough(80, 1)
    html = page(one)
    tags = Reader(html).tags
    links = [attributes["href"] or "" for tag, attributes in tags if tag == "a"]
    ids = [attributes["id"] for _tag, attributes in tags if "id" in attributes]
    assert {link for link in links if link.startswith("#m")} == {"#m2025-01", "#m2025-02", "#m2025-03"}
    assert [link for link in links if link.startswith("#d")] == [f"#d{day.date:%y%m%d}" for day in one.days]
    assert all(ids.count(link[1:]) == 1 for link in links)
    assert "<nav>" not in page(MONTH)


@pytest.mark.parametrize(
    "words",
    ["Scald", "Legionella", "60 °C", "20 and 45 °C", "thermostatic mixing valve", "Arc", "Fire", "rated for DC",
     "thermal cut-out", "relief valve", "fuse", "not a safety device", "Local codes come first",
     "licensed electrician"],
)  # fmt: skip
def test_whoever_reads_it_is_cautioned(words: str) -> None:
    assert words in read(MONTH)["Cautions"]


# What it is made of


def test_nothing_in_it_can_be_taken_for_html() -> None:
    nasty = '<script>alert("1")</script>&amp;"\'><img src=x>'
    account = ReadLog()
    account.notes.append(nasty)
    one = some(Cause.NONE, events=(Incident(wall(2025, 6, 16, 3), nasty),))
    result = one.result._replace(path=Path(f"/barge/{nasty}"), kind=nasty, log=account)
    found = page(one._replace(name=nasty, result=result))
    reader = Reader(found)
    assert not {tag for tag, _attributes in reader.tags} & {"script", "img"}
    for section in ("In figures", "Notes on these figures", "Events"):
        assert " ".join(nasty.split()) in reader.sections[section]
    assert len(reader.tags) == len(Reader(page(one._replace(result=one.result._replace(log=account)))).tags)


@pytest.mark.parametrize("one", [MONTH, rough(365, 4), some(Cause.DATA_LOST, is_replay=True)], ids=["m", "y", "d"])
def test_nothing_is_loaded_and_nothing_is_run(one: ReportData) -> None:
    found = page(one)
    for word in ("http:", "https:", "src=", "url(", "<script", "<link", "@import", "javascript:", "<style src"):
        assert word not in found
    assert "default-src 'none'" in found
    handlers = {name for _tag, attributes in Reader(found).tags for name in attributes if name.startswith("on")}
    assert handlers == set()


def test_every_id_is_there_once() -> None:
    ids = [attributes["id"] for _tag, attributes in Reader(page(rough(80, 2))).tags if "id" in attributes]
    assert len(ids) == len(set(ids)) > 8


def test_a_name_that_no_text_can_hold_is_shown_with_escapes() -> None:
    """A file's name is bytes; those that are no text come as half a character."""
    path = Path("log-\udcff\x1b[2J\u202e.csv")
    shown = page(MONTH._replace(result=MONTH.result._replace(path=path)))
    assert r"log-\udcff\x1b[2J\u202e.csv" in shown
    assert all(line.isprintable() for line in shown.split("\n"))


# How long it is


@pytest.mark.parametrize("switch_ons", [0, 6, 40])
def test_the_page_of_a_rough_year_is_short(switch_ons: int) -> None:
    found = page(rough(365, switch_ons))
    assert len(found.encode()) < MOST_BYTES
    assert found.count("<svg") >= 365


def test_a_year_with_every_section_at_its_longest_is_short_too() -> None:
    year = rough(366, 6)
    events = tuple(Incident(year.result.first + 3600 * hour, "fault: " + "words " * 15) for hour in range(200))
    account = ReadLog()
    account.notes += ["a remark of the usual length, which is about as long as this one is, or a little less"] * 8
    year.day_log.incidents = events
    one = year._replace(result=year.result._replace(log=account))
    assert len(page(one).encode()) < MOST_BYTES


def test_three_years_are_told_too() -> None:
    one = rough(1096, 5)
    found = page(one)
    assert len(found.encode()) < 1.1 * MOST_BYTES
    assert "Only the last 366 days are drawn one by one." in found
    assert (one.days[-1].date - one.days[0].date) == timedelta(days=1095)
    assert 'id="m2024-12"' not in found
