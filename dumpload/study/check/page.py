"""The installation check as a page of HTML: its findings, in order of danger. What all pages have is in `page`."""

from collections.abc import Iterable, Iterator
from html import escape
from typing import Any

from dumpload.study.check.text import DANGERS, SECTIONS, headline, whose
from dumpload.study.page import bullets, page, section

Document = dict[str, Any]

STYLE = """
article { border: 1px solid var(--line); border-left-width: .4rem; padding: .6rem .8rem; margin: .6rem 0 }
.fail { border-left-color: var(--fail) } .caution, .incomplete { border-left-color: var(--caution) }
.pass { border-left-color: var(--pass) }
dl { display: grid; grid-template-columns: 4.5rem 1fr; gap: .1rem .6rem; margin: 0 } dt { color: var(--quiet) }
@media print { article { break-inside: avoid } }
"""


def check_page(document: Document) -> str:
    """Return the document as a page."""
    body = [
        f"<p><code>{escape(document['config'])}</code></p>",
        f'<p class="verdict {document["verdict"]}">{escape(headline(document))}</p>',
        *_sections(document["findings"]),
        *_not_checked(document["not_checked"]),
        *section("What the settings mean", bullets(_meanings(document))),
        *section("Before anyone acts on a figure", bullets(document["cautions"])),
    ]
    return page(f"Installation check of {document['name']}", STYLE, body)


def _sections(findings: Iterable[Document]) -> Iterator[str]:
    every = list(findings)
    for state, title in SECTIONS:
        chosen = [finding for finding in every if finding["state"] == state]
        if chosen:
            yield from section(title, map(_article, chosen))


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
        yield from section("Not checked", bullets(lines))


def _meanings(document: Document) -> Iterator[str]:
    yield f"relay: {document['relay']}"
    yield from (f"law: {line}" for line in document["law"])
    yield f"lost data: {document['data_lost']}"
