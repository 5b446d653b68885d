"""The installation check as a page: whole, well-formed, self-contained, and safe whatever the names are."""

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from judged import LEAVE_OUT, settings
from surveyed import BARGE

from dumpload.check.document import Document, check_document
from dumpload.check.page import SHOWN, check_page
from dumpload.check.text import PRACTICE_NOTE, headline
from dumpload.html import typeset

HEAD = {
    "installation.site": "The lower <b>basin</b> & lock",
    "installation.customer": "The owner",
    "installation.date": "2026-05-02",
}
BAD = {**BARGE, **HEAD, "contact.dc_v": 24, "tank.dry_fire_guard": False}


def document(**changes: Any) -> Document:
    keys = {key: value for key, value in {**BAD, **changes}.items() if key != "battery.night_wh"}
    return check_document(Path("/barge/private/dumpload.toml"), settings(keys))


class Reader(HTMLParser):
    """Takes a page apart; what is opened must be closed in turn."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)


def read(**changes: Any) -> Reader:
    reader = Reader()
    reader.feed(check_page(document(**changes)))
    reader.close()
    return reader


def said(**changes: Any) -> str:
    return " ".join(" ".join(read(**changes).words).split())


def test_it_is_well_formed_and_says_all_that_the_document_says() -> None:
    reader, found, words = read(), document(), said()
    assert reader.open == []
    for one in found["findings"]:
        assert f"{one['part']}: {one['name']}" in words
        assert all(typeset(one[key]) in words for key in ("figure", "limit", "source", "change"))
    assert headline(found) in words
    assert "thresholds and battery: floor against the night needs battery.night_wh" in words
    assert found["data_lost"] in words
    assert all(typeset(line) in words for line in (*found["law"], *found["cautions"]))
    assert words.count("Local codes and a licensed electrician decide.") == sum(
        one["trade"] == "electrician" and one["state"] in {"fail", "caution"} for one in found["findings"]
    )


def test_the_head_has_who_and_where_and_leaves_room_for_what_is_not_stated() -> None:
    words = said()
    assert "Site The lower <b>basin</b> & lock Customer The owner Installer not stated Licence not stated" in words
    assert "Date 2026-05-02 Version not stated" in words
    blank = [attrs for tag, attrs in read().tags if tag == "dd" and attrs.get("class") == "blank"]
    assert len(blank) == 3


def test_the_summary_counts_every_check_once() -> None:
    found = document()
    rows = re.findall(r'<tr><th scope="row">([^<]*)</th>((?:<td>[^<]*</td>)+)</tr>', check_page(found))
    counts = {
        part: [int(cell) for cell in re.findall(r"<td>([^<]*)</td>", cells.replace("-", "0"))] for part, cells in rows
    }
    sums = [sum(column) for column in zip(*counts.values(), strict=True)]
    state = found["counts"]
    unsafe = state["unanswered"]
    assert sums == [state["fail"], unsafe, state["caution"], state["pass"], state["not_checked"] - unsafe]


def test_the_summary_leads_to_what_must_be_seen_to_and_counts_the_rest() -> None:
    bare = {key: LEAVE_OUT for key in BAD if not key.startswith("installation.")}
    page = check_page(document(**bare))
    summary = page[page.index("<h2>Summary") : page.index("<h2>One-line diagram")]
    links = re.findall(r'href="#([^"]*)"', summary)
    assert links
    assert all(page.count(f'id="{link}"') == 1 for link in links)
    assert "rated for 24 V DC; required: at least 28.8 V DC, the highest bus voltage" in check_page(document())
    shown = len(re.findall(r"<li><a href", summary[: summary.index("Think about these")]))
    assert 0 < shown <= SHOWN
    assert f"and {document(**bare)['counts']['unanswered'] - shown} more, on the pages that follow" in summary


def test_every_figure_is_entered_with_its_unit_and_whether_it_was_given() -> None:
    words = said()
    for line in (
        "Nominal area of one conductor. wiring.area_mm2 6 mm² given",
        "wiring.conductor_c 75 °C default",
        "battery.resistance_mohm 6 mΩ given",
        "driver.base_ohm 1000 Ω given",
        "contact.dc_w - missing",
        "permissive.window 09:00-17:00 default",
        "tank.sealed yes given",
        "tank.dry_fire_guard no given",
        "relay.pin 17 given",
    ):
        assert line in words, line


def test_whoever_answers_a_question_is_told_what_it_means() -> None:
    assert "battery.night_wh Energy needed from sunset until the panels produce again." in said()


def test_three_people_can_sign() -> None:
    words = said()
    assert "it is not a certificate" in words
    assert "Electrician Name Licence Date Signature Plumber Name Licence Date Signature Customer Name Date" in words


def test_nothing_of_the_machine_is_in_it() -> None:
    history = {"history.path": "/barge/private/history.sqlite3", "mqtt.host": "broker.private"}
    page = check_page(document(**history))
    assert "private" not in page
    assert "dumpload.toml" not in page


def test_units_are_printed_with_their_signs() -> None:
    words = re.sub(r"[a-z_]+\.[a-z_0-9]+", "", said())  # names of settings
    assert not re.findall(r"\b(?:degC|mm2|mohm|ohm)\b|\bV2\b|\bI2\b|\^2", words)


def test_common_practice_is_explained_once() -> None:
    words = said()
    assert words.count(PRACTICE_NOTE) == 1
    assert "no source" not in words


def test_the_verdict_comes_first_and_every_state_is_a_word_not_only_a_colour() -> None:
    reader, found = read(), document()
    words = [word.strip() for word in reader.words if word.strip()]
    assert words.index(headline(found)) < words.index("Summary") < words.index("Passed")
    boxes = [attrs["class"] for tag, attrs in reader.tags if tag == "article"]
    assert boxes[0] == "fail"
    states = [
        match[1].lower() for word in words if (match := re.match(r"(FAIL|CAUTION|PASS|INFO): [a-z' ]+: ", f"{word} "))
    ]
    expected = [one["state"] for one in found["findings"]]
    assert sorted(states) == sorted(expected)
    assert boxes == [state for state in expected if state in {"fail", "caution"}]


def test_it_needs_nothing_from_anywhere() -> None:
    page = check_page(document())
    assert not re.search(r"https?:|//|url\(|@import|<script|<link|<img|src=", page)
    assert all(value.startswith("#") for value in re.findall(r'href="([^"]*)"', page))
    tags = {tag for tag, _ in read().tags}
    assert tags <= {"html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "h3", "p", "code", "article",
                    "dl", "dt", "dd", "ul", "li", "a", "b", "div", "span", "table", "thead", "tbody", "tr", "th", "td",
                    "caption", "figure", "svg", "desc", "path", "text"}  # fmt: skip


def test_every_id_is_there_once() -> None:
    ids = [attrs["id"] for _, attrs in read().tags if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_it_adapts_to_phone_night_and_paper() -> None:
    page = check_page(document())
    assert 'name="viewport"' in page
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page
    assert '<html lang="en">' in page


def test_names_cannot_break_out() -> None:
    page = check_page(document())
    assert "<b>basin" not in page
    assert "The lower &lt;b&gt;basin&lt;/b&gt; &amp; lock" in page


def test_pages_are_numbered_in_print() -> None:
    page = check_page(document())
    assert 'content: "Page " counter(page) " of " counter(pages)' in page
