"""The check's page in a real browser: open to everyone, by day and by night, on a phone, and with nothing to load."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from browser import chromium, look, needs_axe
from five import ABSURD, CABIN, EXAMPLE, VAN
from judged import settings

from dumpload.check.document import check_document
from dumpload.check.page import check_page
from dumpload.config.model import Settings, load_settings

pytestmark = [pytest.mark.browser, needs_axe]

PHONE_PX, DESK_PX = 360, 1280
LOOKED_AT = {"color-contrast", "definition-list", "document-title", "heading-order", "html-has-lang", "list", "region",
             "svg-img-alt", "td-headers-attr", "empty-table-header"}  # fmt: skip

LONG = {f"installation.{key}": f"{key} " * 30 for key in ("site", "customer", "installer")} | {"name": "h" * 64}

INSTALLATIONS = pytest.mark.parametrize(
    "installation",
    [
        pytest.param(load_settings(EXAMPLE, {}), id="the barge"),
        pytest.param(settings(VAN), id="the van"),
        pytest.param(settings(CABIN), id="the cabin"),
        pytest.param(settings(), id="nothing known"),
    ],
)


def page(installation: Settings) -> str:
    return check_page(check_document(Path("/etc/dumpload/dumpload.toml"), installation))


def is_label(line: str) -> bool:
    """Return whether this is about the contrast of a word in the diagram: `test_page` sees to those colours."""
    return line.startswith("color-contrast: ") and "<text " in line


@INSTALLATIONS
@pytest.mark.parametrize(("width_px", "dark"), [(PHONE_PX, False), (PHONE_PX, True), (DESK_PX, False)])
def test_it_is_open_to_everyone_and_does_not_scroll_sideways(
    installation: Settings, dark: bool, width_px: int, tmp_path: Path
) -> None:
    seen = look(page(installation), tmp_path, width_px=width_px, dark=dark)
    assert (seen.width_px, seen.dark) == (width_px, dark)
    assert seen.violations == []
    assert [line for line in seen.undecided if not is_label(line)] == []
    assert set(seen.passes) >= LOOKED_AT
    assert seen.content_px == width_px
    assert seen.refused == []


def test_a_page_that_fails_is_open_to_everyone_too(tmp_path: Path) -> None:
    failing = page(settings({**ABSURD, **LONG}))
    assert failing.count('class="fail"') > 1
    assert failing.count("NOT FITTED") > 1
    seen = look(failing, tmp_path, width_px=PHONE_PX, dark=True)
    assert seen.violations == []
    assert seen.content_px == PHONE_PX


# On paper


def printed(installation: Settings, folder: Path) -> list[str]:
    """Return the words of each page that the browser prints."""
    file, pdf = folder / "paper.html", folder / "paper.pdf"
    file.write_text(page(installation))
    chromium(file, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    done = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True)
    return done.stdout.removesuffix("\f").split("\f")


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="not there: pdftotext")
@pytest.mark.parametrize(
    "installation",
    [
        pytest.param(load_settings(EXAMPLE, {}), id="the barge"),
        pytest.param(settings(ABSURD), id="a mistake in every section"),
        pytest.param(settings({**ABSURD, **LONG}), id="long names, too"),
        pytest.param(settings(), id="nothing known"),
    ],
)
def test_on_paper_the_summary_is_the_first_page_and_every_page_is_numbered(
    installation: Settings, tmp_path: Path
) -> None:
    pages = printed(installation, tmp_path)
    for number, words in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in words
    assert "Summary" in pages[0]
    assert "One-line diagram" in pages[1]
    assert "What the settings mean" in pages[1]
    assert "Signatures" in pages[-1]


# The examination itself is looked at, with pages made for it


@pytest.mark.parametrize(
    ("body", "refused"),
    [
        ('<img alt="x" src="http://192.0.2.1/x.png">', ["img-src http://192.0.2.1/x.png"]),
        ('<link rel="stylesheet" href="style.css">', ["style-src-elem file"]),
        ('<style>p { background: url("https://192.0.2.1/") }</style><p>x</p>', ["img-src https://192.0.2.1/"]),
        ('<script>fetch("http://192.0.2.1/").catch(() => 0)</script>', ["connect-src http://192.0.2.1/"]),
        ('<img alt="x" src="data:image/gif;base64,R0lGODlhAQABAAAAACw=">', []),
    ],
)
def test_what_a_page_would_load_is_noticed(body: str, refused: list[str], tmp_path: Path) -> None:
    assert look(f"<html><head></head><body>{body}</body></html>", tmp_path).refused == refused


def test_a_page_that_is_hard_to_use_is_noticed(tmp_path: Path) -> None:
    bad = page(settings(VAN)).replace("max-width: 50rem", "width: 50rem").replace('<html lang="en">', "<html>")
    seen = look(re.sub(r"--quiet: #\w+", "--quiet: #aaa", bad), tmp_path, width_px=PHONE_PX)
    assert {line.partition(":")[0] for line in seen.violations} == {"color-contrast", "html-has-lang"}
    assert seen.content_px > seen.width_px == PHONE_PX
