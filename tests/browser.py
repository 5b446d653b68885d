"""A page in a real browser: what axe-core finds, what the page would load, how wide it gets, and pictures of it.

Needs chromium on the path and, for `look`, the file of axe.min.js named by AXE_CORE. By hand, for a person to look at:
`python tests/browser.py PAGE.html FOLDER` puts pictures of two phones, a tablet
and a desk there, by day and by night, and a sheet of paper.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from html import escape, unescape
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from waiting import PATIENCE_S

CHROMIUM = shutil.which("chromium") or ""
AXE = Path(os.environ.get("AXE_CORE") or "/nowhere/axe.min.js")

MISSING = [
    name for name, there in (("chromium", CHROMIUM), ("axe.min.js, named by AXE_CORE", AXE.is_file())) if not there
]

needs_axe = pytest.mark.skipif(bool(MISSING), reason=f"not there: {' and '.join(MISSING)}")

# No resource whatever may be loaded; what a page tries to load is refused before it leaves, and noted.
POLICY = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:"
WATCH = f"""<meta http-equiv="Content-Security-Policy" content="{POLICY}">
<script>
var refused = [];
document.addEventListener("securitypolicyviolation", e => refused.push(e.effectiveDirective + " " + e.blockedURI));
</script>"""
ASK = """<script>
window.addEventListener("load", async () => {
  const width_px = innerWidth, content_px = document.documentElement.scrollWidth;
  const dark = matchMedia("(prefers-color-scheme: dark)").matches;
  const found = await axe.run({preload: false});
  const told = rules => rules.flatMap(rule => rule.nodes.map(node => `${rule.id}: ${rule.help}: ${node.html}`));
  const passes = found.passes.map(rule => rule.id);
  const answer = {violations: told(found.violations), undecided: told(found.incomplete), passes, refused, width_px,
    content_px, dark};
  parent.document.querySelector("#answer").textContent = JSON.stringify(answer);
});
</script>"""
READ = """<script>
window.addEventListener("load", () => {
  const walker = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT), words = [];
  const range = document.createRange();
  while (walker.nextNode()) {
    range.selectNodeContents(walker.currentNode);
    const {bottom, height} = range.getBoundingClientRect();
    if (height && bottom <= innerHeight) words.push(walker.currentNode.data.trim());
  }
  parent.document.querySelector("#answer").textContent = words.join(" ");
});
</script>"""
# A window is never narrower than 500 pixels, a frame is as narrow as it is told to be.
FRAME = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>A frame</title>
<style>:root { color-scheme: light dark } body { margin: 0 } iframe { border: 0; display: block }</style></head>
<body><iframe style="width: %dpx; height: %dpx" srcdoc="%s"></iframe><pre id="answer"></pre></body></html>"""


class Seen(NamedTuple):
    """What the browser made of a page."""

    # Of axe-core's rules, all of them, with the element.
    violations: list[str]
    # What axe-core could not tell and leaves to a person.
    undecided: list[str]
    # The rules that held, so that a page that was never looked at is noticed.
    passes: list[str]
    # What the page would have loaded, from a network or from a file.
    refused: list[str]
    width_px: int
    content_px: int
    dark: bool


def chromium(page: Path, *flags: str, dark: bool = False) -> str:
    """Open a local file without a screen and without a network; return what the browser prints."""
    with tempfile.TemporaryDirectory(prefix="chromium-") as profile:
        command = [
            CHROMIUM,
            "--headless",
            "--no-sandbox",  # refuses to run as root otherwise; the page is our own
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-background-networking",
            "--disable-component-update",
            "--no-first-run",
            "--hide-scrollbars",
            "--window-size=1280,1000",
            "--host-resolver-rules=MAP * ~NOTFOUND",
            f"--user-data-dir={profile}",
            f"--blink-settings=preferredColorScheme={0 if dark else 1}",
            *flags,
            page.resolve().as_uri(),
        ]
        process = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert process.returncode == 0, process.stderr
    return process.stdout


def framed(html: str, file: Path, width_px: int, height_px: int) -> Path:
    """Write a page that shows this one in a frame of that size."""
    file.write_text(FRAME % (width_px, height_px, escape(html)))
    return file


def look(html: str, folder: Path, *, width_px: int = 1000, dark: bool = False) -> Seen:
    """Let axe-core examine a page as wide as that; `folder` takes the copy that is opened.

    The page's own policy is taken away: it would keep the examination out, and hide what the page would load.
    """
    asking = f"<script>{AXE.read_text()}</script>\n{ASK}"
    unguarded = re.sub("<meta http-equiv=.Content-Security-Policy[^>]*>", "", html)
    watched = unguarded.replace("<head>", "<head>" + WATCH, 1).replace("</body>", asking + "</body>", 1)
    copy = framed(watched, folder / "examined.html", width_px, 800)
    dom = chromium(copy, "--dump-dom", "--virtual-time-budget=20000", dark=dark)
    match = re.search(r'<pre id="answer">(.+?)</pre>', dom, re.DOTALL)
    assert match, f"the page did not get as far as axe-core's answer: {dom[-300:]}"
    answer: dict[str, Any] = json.loads(unescape(match[1]))
    return Seen(**answer)


def first_words(html: str, folder: Path, *, width_px: int, height_px: int) -> str:
    """Return the words that are wholly within the first screen, as a person reads them."""
    unguarded = re.sub("<meta http-equiv=.Content-Security-Policy[^>]*>", "", html)
    copy = framed(unguarded.replace("</body>", READ + "</body>", 1), folder / "read.html", width_px, height_px)
    dom = chromium(copy, "--dump-dom", "--virtual-time-budget=5000")
    match = re.search(r'<pre id="answer">(.*?)</pre>', dom, re.DOTALL)
    assert match, "the page was not read"
    return " ".join(unescape(match[1]).split())


def picture(html: str, png: Path, *, width_px: int, height_px: int, dark: bool = False) -> None:
    """Take a picture of the top of a page."""
    copy = framed(html, png.with_suffix(".html"), width_px, height_px)
    chromium(copy, f"--screenshot={png}", f"--window-size={max(width_px, 500)},{height_px}", dark=dark)
    copy.unlink()


def main(page: Path, folder: Path) -> None:
    """Take the pictures for a person."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, width_px in (("narrow", 360), ("phone", 390), ("tablet", 768), ("desk", 1280)):
        for light in ("day", "night"):
            png = folder / f"{name}-{light}.png"
            picture(page.read_text(), png, width_px=width_px, height_px=3000, dark=light == "night")
    chromium(page, "--no-pdf-header-footer", f"--print-to-pdf={folder / 'paper.pdf'}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]).resolve())
