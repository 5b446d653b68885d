"""The live page in a real browser: follows by itself, complete without script, by keyboard, at every width."""

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser import CHROMIUM, chromium, first_words, look, needs_axe
from driven_browser import Driven
from live_pages import PAGES, page
from rig import Barge
from serving import Page
from waiting import eventually
from weeks import KEYS, write_weeks

pytest_plugins = ["daemon_fixtures"]
pytestmark = [pytest.mark.browser, pytest.mark.skipif(not CHROMIUM, reason="not there: chromium")]

WITHIN_S = 60.0


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_weeks(tmp_path_factory.mktemp("weeks") / "history.db")


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Driven]:
    one = Driven(tmp_path / "profile")
    one.size(390, 800)
    yield one
    one.close()


@pytest.fixture
def served(barge: Barge, tmp_path: Path, history: Path) -> Iterator[Page]:
    """The real page over the real daemon, with the history of two weeks."""
    (tmp_path / "run").mkdir()
    keys = {key: value for key, value in KEYS.items() if not key.endswith(("name", "window", "max_age_s"))}
    daemon = barge.daemon(**keys)
    daemon.environ = {"RUNTIME_DIRECTORY": str(tmp_path / "run")}
    daemon.start()
    barge.await_presence("up")
    one = Page(daemon.config, tmp_path / "run", "--history", str(history)).start()
    eventually(lambda: one.ask("/healthz").status == 200, "the page to hear the daemon")
    yield one
    one.kill()


def address(served: Page, path: str = "/") -> str:
    return f"http://127.0.0.1:{served.port}{path}"


# ---- by itself, and without script ----


@pytest.mark.broker
def test_it_follows_by_itself_says_when_it_cannot_and_comes_back(barge: Barge, served: Page, browser: Driven) -> None:
    browser.open(address(served))
    assert "The heater is off" in browser.words
    eventually(lambda: "Live: updates automatically." in browser.words, "the stream", WITHIN_S)
    barge.source.set(98)
    eventually(lambda: "The heater is on" in browser.words and "98.0 %" in browser.words, "the heater on", WITHIN_S)
    barge.daemons[0].stop()
    eventually(lambda: "No answer from the daemon" in browser.words, "the daemon to be missed", WITHIN_S)
    barge.daemons[0].start()
    eventually(lambda: "The heater is" in browser.words, "the daemon to be found", WITHIN_S)
    served.kill()
    eventually(lambda: "No connection. This page may be out of date." in browser.words, "its end", WITHIN_S)
    assert browser.say("getComputedStyle(document.getElementById('state')).opacity") == "0.6"
    served.start()
    eventually(lambda: "Live: updates automatically." in browser.words, "it to come back", WITHIN_S)
    assert browser.say("getComputedStyle(document.getElementById('state')).opacity") == "1"
    loaded = browser.say("performance.getEntriesByType('resource').map(one => new URL(one.name).pathname)")
    assert set(loaded) <= {"/live.js", "/events"}, "nothing else is loaded, and nothing from elsewhere"


@pytest.mark.broker
def test_without_script_and_by_keyboard_alone_it_is_complete(barge: Barge, served: Page, browser: Driven) -> None:
    browser.script(on=False)
    browser.open(address(served))
    assert "The heater is off" in browser.words
    assert "Today, " in browser.words
    barge.source.set(98)
    barge.expect("on", "surplus")
    eventually(lambda: "is <b>on</b>" in served.ask("/").text, "the page to know", WITHIN_S)
    assert "The heater is off" in browser.words
    reached = []
    while "Refresh" not in reached:
        browser.press("Tab")
        reached.append(browser.say("document.activeElement.innerText"))
        assert browser.say("getComputedStyle(document.activeElement).outlineStyle") != "none", "the focus is seen"
    assert reached == ["Now", "Today", "7 days", "30 days", "Year", "Refresh"]
    browser.press("Enter")
    eventually(lambda: "The heater is on" in browser.words, "the page as it is now", WITHIN_S)


@pytest.mark.broker
def test_a_report_is_read_by_keyboard_alone(served: Page, browser: Driven) -> None:
    browser.open(address(served, "/report/2025-06"))
    assert "Hot water on 12 of 14 days" in browser.words
    assert "2025-06" not in browser.say("document.querySelector('nav').innerText")
    reached = []
    for _ in range(40):
        browser.press("Tab")
        name = browser.say("document.activeElement.innerText || document.activeElement.ariaLabel || 'chart'")
        if browser.say("document.activeElement === document.body"):
            break
        reached.append(name)
        assert browser.say("getComputedStyle(document.activeElement).outlineStyle") != "none", name
    assert reached[:5] == ["Now", "Today", "7 days", "30 days", "Year"]
    assert reached[5:19] == [str(day) for day in range(9, 23)], "the days of the calendar"
    browser.open(address(served, "/report/2025-06"))
    for _ in range(14):
        browser.press("Tab")
    assert browser.say("document.activeElement.innerText") == "17"
    browser.press("Enter")
    eventually(lambda: browser.say("location.hash") == "#d250617", "the day", WITHIN_S)
    assert 0 <= browser.say("document.querySelector(':target').getBoundingClientRect().top") < 400


@pytest.mark.broker
@needs_axe
def test_a_served_report_is_open_to_everyone_with_its_links(served: Page, tmp_path: Path) -> None:
    for path in ("/report/2025-06", "/report/2024"):
        eventually(lambda path=path: served.ask(path).status != 503, path, WITHIN_S)  # type: ignore[misc]
        seen = look(served.ask(path).text, tmp_path, width_px=360)
        assert seen.violations == [], path
        assert (seen.content_px, seen.refused) == (360, [])


# ---- for everybody ----


@needs_axe
@pytest.mark.parametrize(
    ("name", "width_px", "dark"),
    [("off", 360, False), ("off", 390, True), ("off", 768, False), ("off", 1280, True), ("on", 390, False),
     ("locked", 360, True), ("away", 390, False), ("never heard", 390, True)],
)  # fmt: skip
def test_it_is_open_to_everyone(history: Path, name: str, width_px: int, dark: bool, tmp_path: Path) -> None:
    seen = look(page(history, *PAGES[name]), tmp_path, width_px=width_px, dark=dark)
    assert seen.violations == []
    assert [line for line in seen.undecided if not ("color-contrast" in line and "<text " in line)] == []
    assert (seen.width_px, seen.content_px, seen.dark) == (width_px, width_px, dark)
    assert seen.refused == ["script-src-elem file"], "its own script, and nothing else"


@needs_axe
@pytest.mark.parametrize("width_px", [360, 1280])
def test_text_of_twice_the_size_does_not_make_it_scroll_sideways(history: Path, width_px: int, tmp_path: Path) -> None:
    """WCAG 2.2, criterion 1.4.4: up to 200 percent without loss of content."""
    large = page(history, *PAGES["off"]).replace("</style>", "html { font-size: 200% }</style>", 1)
    assert look(large, tmp_path, width_px=width_px).content_px == width_px


@pytest.mark.parametrize("width_px", [360, 390])
def test_a_phone_answers_at_first_sight(history: Path, width_px: int, tmp_path: Path) -> None:
    words = first_words(page(history, *PAGES["on"]), tmp_path, width_px=width_px, height_px=800)
    assert "The heater is on" in words
    assert "Since 14:02 UTC. The state of charge reached the cut-in" in words
    assert "Next: off when the state of charge falls below 93 %, or at 17:00 UTC at the latest." in words
    assert re.search(r"Battery charge 98.2.% Heater 296.W From the panels 412.W Out of the battery 34.W", words)
    assert re.search(r"Tank 52.°C", words)
    assert re.search(r"On today 2.h.5.min 611 Wh", words)
    assert "Today, Mon 16 Jun" in words


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="not there: pdftotext")
def test_on_paper_there_is_the_state_with_its_time_and_no_links(history: Path, tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text(page(history, *PAGES["on"]))
    chromium(tmp_path / "page.html", "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'paper.pdf'}")
    done = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "paper.pdf", "-"], capture_output=True, text=True, check=True
    )
    assert "The heater is on" in done.stdout
    assert "As of 14:20:05 UTC." in done.stdout
    assert not {"Refresh", "Now", "30 days"} & set(re.split(r"\s{2,}|\n", done.stdout))
    assert done.stdout.count("\f") == 1, "one sheet"
