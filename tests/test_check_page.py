"""The installation check as a page: whole, well-formed, self-contained, and safe whatever the names are."""

import re
from html.parser import HTMLParser
from pathlib import Path

from judged import settings
from surveyed import BARGE

from dumpload.study.check.document import Document, check_document
from dumpload.study.check.page import check_page
from dumpload.study.check.text import headline

BAD = {**BARGE, "contact.dc_v": 24, "tank.dry_fire_guard": False}


def document() -> Document:
    keys = {key: value for key, value in BAD.items() if key != "battery.night_wh"}
    return check_document(Path("/barge/<b>&dumpload.toml"), settings(keys))


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


def read() -> Reader:
    reader = Reader()
    reader.feed(check_page(document()))
    reader.close()
    return reader


def test_it_is_well_formed_and_says_all_that_the_document_says() -> None:
    reader, found = read(), document()
    assert reader.open == []
    words = " ".join(" ".join(reader.words).split())
    for one in found["findings"]:
        assert f"{one['part']}: {one['name']}" in words
        assert all(one[key] in words for key in ("figure", "limit", "source", "change"))
    assert headline(found) in words
    assert "floor against the night, not checked: needs battery.night_wh" in words
    assert found["data_lost"] in words
    assert all(line in words for line in (*found["law"], *found["cautions"]))
    assert words.count("Local codes and a licensed electrician decide.") == 1


def test_the_verdict_comes_first_and_every_state_is_a_word_not_only_a_colour() -> None:
    reader = read()
    words = [word.strip() for word in reader.words if word.strip()]
    assert words.index(headline(document())) < words.index("Passed")
    articles = [attrs["class"] for tag, attrs in reader.tags if tag == "article"]
    headings = [word for word in words if re.match(r"(FAIL|CAUTION|PASS|INFO): [a-z]", word) and word != words[3]]
    assert articles[0] == "fail"
    assert len(articles) == len(document()["findings"])
    assert [heading.partition(":")[0].lower() for heading in headings][-len(articles) :] == articles


def test_it_needs_nothing_from_anywhere() -> None:
    page = check_page(document())
    assert not re.search(r"https?:|//|url\(|@import|<script|<link|<img|src=", page)
    tags = {tag for tag, _ in read().tags}
    assert tags <= {"html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "h3", "p", "code", "article",
                    "dl", "dt", "dd", "ul", "li"}  # fmt: skip


def test_it_adapts_to_phone_night_and_paper() -> None:
    page = check_page(document())
    assert 'name="viewport"' in page
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page
    assert '<html lang="en">' in page


def test_names_cannot_break_out() -> None:
    page = check_page(document())
    assert "<b>" not in page
    assert "/barge/&lt;b&gt;&amp;dumpload.toml" in page
