"""The report's page in a real browser: open to everyone, by day and by night, on a phone, on paper; nothing to load."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from browser import chromium, look, needs_axe
from chronicles import rough, told, wall
from judged import settings

from dumpload.replay.figures import figures
from dumpload.report.data import ReportData
from dumpload.report.day_log import Incident
from dumpload.report.page import report_page

pytestmark = [pytest.mark.browser, needs_axe]

PHONE_PX, DESK_PX = 360, 1280
LOOKED_AT = {"color-contrast", "definition-list", "document-title", "heading-order", "html-has-lang", "list", "region",
             "svg-img-alt", "td-headers-attr"}  # fmt: skip

SETTINGS = settings({"load.rated_w": 300, "load.rated_v": 24, "tank.volume_l": 40, "tank.target_c": 60})
BEGIN = wall(2025, 6, 16)
EVENTS = (Incident(BEGIN, "fault: " + "x" * 200), Incident(BEGIN + 60, "the program shut down normally"))
RECORDS = {
    "a month": rough(30, 4),
    "a year": rough(365, 3),
    "nothing": told(BEGIN, BEGIN, [], is_replay=True, events=EVENTS),
}
ONE_BY_ONE = pytest.mark.parametrize("one", RECORDS.values(), ids=RECORDS)


def page(one: ReportData) -> str:
    return report_page(one, figures(SETTINGS, one.result.summary), SETTINGS)


def is_label(line: str) -> bool:
    """Return whether this is about the contrast of a word in a picture: `test_report_colours` sees to those."""
    return line.startswith("color-contrast: ") and "<text " in line


@ONE_BY_ONE
@pytest.mark.parametrize(("width_px", "dark"), [(PHONE_PX, False), (PHONE_PX, True), (DESK_PX, False)])
def test_it_is_open_to_everyone_and_does_not_scroll_sideways(
    one: ReportData, dark: bool, width_px: int, tmp_path: Path
) -> None:
    seen = look(page(one), tmp_path, width_px=width_px, dark=dark)
    assert (seen.width_px, seen.dark) == (width_px, dark)
    assert seen.violations == []
    assert [line for line in seen.undecided if not is_label(line)] == []
    assert set(seen.passes) >= LOOKED_AT
    assert seen.content_px == width_px
    assert seen.refused == []


def printed(html: str, folder: Path) -> str:
    """Return the words on the paper, whatever lines they are in."""
    (folder / "page.html").write_text(html)
    chromium(folder / "page.html", "--no-pdf-header-footer", f"--print-to-pdf={folder / 'paper.pdf'}")
    done = subprocess.run(
        ["pdftotext", "-layout", folder / "paper.pdf", "-"], capture_output=True, text=True, check=True
    )
    return done.stdout


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="not there: pdftotext")
def test_on_paper_there_is_every_day(tmp_path: Path) -> None:
    one = RECORDS["a month"]
    words = printed(page(one), tmp_path)
    days = re.findall(r"^ *((?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+) .* (\d+:\d\d) +(\d+\.\d) +(\d+)$", words, re.MULTILINE)
    assert days == [
        (f"{day.date:%a} {day.date.day}", f"{round(day.on_time_s / 60) // 60}:{round(day.on_time_s / 60) % 60:02d}",
         f"{day.energy_wh / 1000:.1f}", f"{day.switch_ons}")
        for day in one.days
    ]  # fmt: skip
    assert "Local codes come first" in " ".join(words.split())
