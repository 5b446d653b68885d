"""One page of HTML that needs no network, no script and no font of its own: its head, and a style for what all have.

Readable light and dark, on a phone and on paper; colour is never the only sign of anything.
"""

import re
from collections.abc import Iterable
from html import escape
from typing import Any

from dumpload.core.printable import printable

STYLE = """
:root { color-scheme: light dark; --ink: #1b1b1b; --quiet: #555; --paper: #fff; --line: #8886;
  --fail: #b3261e; --caution: #8a5a00; --pass: #1c6b3c }
@media screen and (prefers-color-scheme: dark) { :root { --ink: #eee; --quiet: #b4b4b4; --paper: #161616;
  --fail: #ff9d94; --caution: #ffcc66; --pass: #7fd6a2 } }
html { background: var(--paper); color: var(--ink) }
body { font: 1rem/1.5 system-ui, sans-serif; max-width: 50rem; margin: 0 auto; padding: 1rem }
h1 { font-size: 1.4rem; overflow-wrap: anywhere }
h2 { font-size: 1.15rem; margin-top: 2rem } h3 { font-size: 1rem; margin: 0 0 .3rem }
.verdict { font-weight: 600; border: 1px solid var(--line); border-left-width: .4rem; padding: .6rem .8rem }
code, dd { overflow-wrap: anywhere } dd { margin: 0 }
@media print { html { font-size: 10pt } body { max-width: none; padding: 0 } h2 { break-after: avoid } }
"""


# How a unit is printed, by how a terminal is sent it. A word that is part of a setting's name (area_mm2) is left alone.
SIGNS = {"degC": "°C", "degF": "°F", "mm2": "mm²", "mohm": "mΩ", "kohm": "kΩ", "ohm": "Ω", "^2": "²"}
_SIGN = re.compile(r"\b(?:degC|degF|mm2|mohm|kohm|ohm)\b|\^2(?!\d)")
_SQUARE = re.compile(r"\b([VI])2\b")


def typeset(text: str) -> str:
    """Return a text with the signs of its units as a printer sets them: degC, mm2, mohm, ohm, V2 and V^2."""
    return _SQUARE.sub(r"\1²", _SIGN.sub(lambda match: SIGNS[match[0]], text))


def typeset_all(document: Any) -> Any:
    """Return a document with every text in it typeset."""
    if isinstance(document, dict):
        return {key: typeset_all(value) for key, value in document.items()}
    if isinstance(document, list):
        return [typeset_all(value) for value in document]
    return typeset(document) if isinstance(document, str) else document


# A page loads nothing.
POLICY = "default-src 'none'; style-src 'unsafe-inline'"


def page(title: str, style: str, body: Iterable[str], policy: str = POLICY, head: str = "") -> str:
    """Return the whole page: `title` is plain text, `style` is added to what all pages have, `body` is HTML.

    `policy`: its content security policy; `head`: HTML that is added to the head.
    """
    name = escape(title)
    lines = "\n".join(body)
    # Records and settings may have been made by strangers: controls, and what turns text around, are shown as escapes.
    return printable(
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        f"<title>{name}</title>\n<style>{STYLE}{style}</style>\n{head}</head>\n"
        f"<body>\n<main>\n<h1>{name}</h1>\n{lines}\n</main>\n</body>\n</html>\n",
        lines=True,
    )


def section(title: str, body: Iterable[str]) -> list[str]:
    """Return a heading, plain text, and what follows it, HTML."""
    return [f"<h2>{escape(title)}</h2>", *body]


def bullets(lines: Iterable[str]) -> list[str]:
    """Return a list of lines of plain text."""
    return ["<ul>", *(f"<li>{escape(line)}</li>" for line in lines), "</ul>"]
