"""The installation check as one page of HTML that needs no network, no script and no font of its own.

Readable light and dark, on a phone and on paper; colour is never the only sign of anything.
"""

from collections.abc import Iterable, Iterator
from html import escape
from typing import Any

from dumpload.study.check_text import DANGERS, SECTIONS, headline, whose

Document = dict[str, Any]

STYLE = """
:root { color-scheme: light dark; --line: #8886; --fail: #b3261e; --caution: #8a5a00; --pass: #1c6b3c }
@media (prefers-color-scheme: dark) { :root { --fail: #ff9d94; --caution: #ffcc66; --pass: #7fd6a2 } }
body { font: 1rem/1.5 system-ui, sans-serif; max-width: 50rem; margin: 0 auto; padding: 1rem }
h1 { font-size: 1.4rem } h2 { font-size: 1.15rem; margin-top: 2rem } h3 { font-size: 1rem; margin: 0 0 .3rem }
.verdict, article { border: 1px solid var(--line); border-left-width: .4rem; padding: .6rem .8rem; margin: .6rem 0 }
.verdict { font-weight: 600 }
.fail { border-left-color: var(--fail) } .caution, .incomplete { border-left-color: var(--caution) }
.pass { border-left-color: var(--pass) }
dl { display: grid; grid-template-columns: 4.5rem 1fr; gap: .1rem .6rem; margin: 0 } dt { opacity: .75 }
dd { margin: 0; overflow-wrap: anywhere } code { overflow-wrap: anywhere }
@media print { body { max-width: none; padding: 0 } article { break-inside: avoid } h2 { break-after: avoid } }
"""


def check_page(document: Document) -> str:
    """Return the document as a page."""
    title = f"Installation check of {escape(document['name'])}"
    body = "\n".join(
        [
            f"<h1>{title}</h1>",
            f"<p><code>{escape(document['config'])}</code></p>",
            f'<p class="verdict {document["verdict"]}">{escape(headline(document))}</p>',
            *_sections(document["findings"]),
            *_not_checked(document["not_checked"]),
            *_list("What the settings mean", _meanings(document)),
            *_list("Before anyone acts on a figure", document["cautions"]),
        ]
    )
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n<title>{title}</title>\n'
        f"<style>{STYLE}</style>\n</head>\n<body>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def _sections(findings: Iterable[Document]) -> Iterator[str]:
    every = list(findings)
    for state, title in SECTIONS:
        chosen = [finding for finding in every if finding["state"] == state]
        if chosen:
            yield f"<h2>{escape(title)}</h2>"
            yield from map(_article, chosen)


def _article(finding: Document) -> str:
    risk = "" if finding["state"] == "pass" else f" ({DANGERS[finding['danger']]})"
    heading = escape(f"{finding['state'].upper()}: {finding['part']}: {finding['name']}{risk}")
    rows = [(name, finding[name]) for name in ("figure", "limit", "source")]
    if finding["change"]:
        rows.append(("change", finding["change"] + whose(finding)))
    cells = "".join(f"<dt>{name}</dt><dd>{escape(text)}</dd>" for name, text in rows)
    return f'<article class="{finding["state"]}"><h3>{heading}</h3><dl>{cells}</dl></article>'


def _not_checked(missing: list[Document]) -> Iterator[str]:
    if missing:
        lines = (f"{one['part']}: {one['name']}, not checked: needs {', '.join(one['needs'])}" for one in missing)
        yield from _list("Not checked", lines)


def _meanings(document: Document) -> Iterator[str]:
    yield f"relay: {document['relay']}"
    yield from (f"law: {line}" for line in document["law"])
    yield f"lost data: {document['data_lost']}"


def _list(title: str, lines: Iterable[str]) -> Iterator[str]:
    yield f"<h2>{escape(title)}</h2>"
    yield "<ul>"
    yield from (f"<li>{escape(line)}</li>" for line in lines)
    yield "</ul>"
