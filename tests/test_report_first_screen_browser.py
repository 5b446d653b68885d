"""Four answers that a phone shows without scrolling: is it on, how much hot water, why not on Tuesday, what battery."""

import re
from pathlib import Path

import pytest
from browser import CHROMIUM, chromium, first_words, look, needs_axe
from judged import settings
from weeks import BEGIN, DAY_S, KEYS, write_weeks

from dumpload.records.record import TableFormat
from dumpload.replay.compare import run_trials
from dumpload.report.day_log import DayLog
from dumpload.report.local_time import Span
from dumpload.report.report import report_of_history, report_of_trials, zone_of

pytestmark = [pytest.mark.browser, pytest.mark.skipif(not CHROMIUM, reason="not there: chromium")]

PHONE = {"width_px": 390, "height_px": 800}
SETTINGS = settings(KEYS)
# Above the paper's edge: A4 in points (ISO 216: 210 mm x 297 mm).
A4_PT = (595.3, 841.9)


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_weeks(tmp_path_factory.mktemp("weeks") / "history.db")


@pytest.fixture(scope="module")
def week(history: Path) -> str:
    return report_of_history(history, SETTINGS, Span(BEGIN + 7 * DAY_S, BEGIN + 14 * DAY_S)).page


@pytest.fixture(scope="module", params=[390, 360])
def screen(request: pytest.FixtureRequest, week: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The words on the first 800 pixels of a phone."""
    return first_words(week, tmp_path_factory.mktemp("screen"), width_px=request.param, height_px=800)


# The first screen


def test_is_it_on(screen: str) -> None:
    assert "Heater off at the end of the record, Mon 23 Jun 00:00; off since Sun 22 Jun 17:00" in screen


def test_did_i_get_hot_water_this_week_and_how_much(screen: str) -> None:
    assert "Hot water on 5 of 7 days" in screen
    assert re.search(r"Water at 40 °C \d+ l down \d+ l", screen)
    assert re.search(r"Into the heater \d+\.\d kWh", screen)


def test_why_not_on_tuesday(screen: str) -> None:
    assert re.search(r"Tue 17 Jun: never reached 97 %, highest 8\d\.\d %", screen)
    assert re.search(r"Wed 18 Jun: no data from 09:2\d to 15:4\d", screen)


def test_did_it_cost_me_battery(screen: str) -> None:
    assert re.search(r"From the battery \d+\.\d kWh up \d+\.\d kWh", screen)


def test_what_is_further_down_is_not_on_it(screen: str) -> None:
    """Otherwise the tests above would hold for any page."""
    assert "Cautions" not in screen
    assert "Every day in figures" not in screen


# All of the page


@needs_axe
@pytest.mark.parametrize(("width_px", "dark"), [(360, False), (390, True), (768, False), (1280, True)])
def test_a_real_week_is_open_to_everyone(week: str, width_px: int, dark: bool, tmp_path: Path) -> None:
    seen = look(week, tmp_path, width_px=width_px, dark=dark)
    assert seen.violations == []
    assert [line for line in seen.undecided if not ("color-contrast" in line and "<text " in line)] == []
    assert (seen.width_px, seen.content_px, seen.refused) == (width_px, width_px, [])


@needs_axe
@pytest.mark.parametrize("width_px", [390, 1280])
def test_text_of_twice_the_size_does_not_make_it_scroll_sideways(week: str, width_px: int, tmp_path: Path) -> None:
    """WCAG 2.2, criterion 1.4.4: up to 200 percent without loss of content."""
    large = week.replace("</style>", "html { font-size: 200% }</style>", 1)
    assert look(large, tmp_path, width_px=width_px).content_px == width_px


@needs_axe
def test_several_settings_side_by_side_are_open_to_everyone(history: Path, tmp_path: Path) -> None:
    chosen = {f"at {cut_in}": settings(KEYS | {"control.cut_in_percent": cut_in}) for cut_in in (97, 98, 99)}
    logs = [DayLog(zone_of(SETTINGS)) for _ in chosen]
    page = report_of_trials(run_trials(history, TableFormat(), chosen, observers=logs), logs).page
    assert "B differs from A in:" in page
    assert page.count('<div class="strips">') == 1
    seen = look(page, tmp_path, width_px=360)
    assert (seen.violations, seen.content_px) == ([], 360)


def test_it_is_printed_on_a4(week: str, tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text(week)
    chromium(tmp_path / "page.html", "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'paper.pdf'}")
    sizes = re.findall(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", (tmp_path / "paper.pdf").read_bytes())
    assert sizes
    for size in sizes:
        assert [*map(float, size)] == pytest.approx(A4_PT, abs=1)
