"""The installation check as a page of HTML: its findings, in order of danger. What all pages have is in `page`."""

from collections.abc import Iterable, Iterator
from html import escape
from typing import Any

from dumpload.study.check.text import PRACTICE_NOTE, headline, risk, rows, sections
from dumpload.study.page import bullets, page, section

Document = dict[str, Any]

STYLE = """
article { border: 1px solid var(--line); border-left-width: .4rem; padding: .6rem .8rem; margin: .6rem 0 }
.fail { border-left-color: var(--fail) } .caution, .incomplete, .unanswered { border-left-color: var(--caution) }
.pass { border-left-color: var(--pass) } .info { border-left-color: var(--line) }
dl { display: grid; grid-template-columns: 5.5rem 1fr; gap: .1rem .6rem; margin: 0 } dt { color: var(--quiet) }
@media print { article { break-inside: avoid } }
"""


def check_page(document: Document) -> str:
    """Return the document as a page."""
    body = [
        f"<p><code>{escape(document['config'])}</code></p>",
        f'<p class="verdict {document["verdict"]}">{escape(headline(document))}</p>',
        *_sections(document),
        *_not_checked([one for one in document["not_checked"] if not one["safety"]]),
        *section("What the settings mean", bullets(_meanings(document))),
        *_practice_note(document["findings"]),
        *section("Before anyone acts on a figure", bullets(document["cautions"])),
    ]
    return page(f"Installation check of {document['name']}", STYLE, body)


def _sections(document: Document) -> Iterator[str]:
    for title, findings in sections(document):
        yield from section(title, map(_article, findings))


def _article(finding: Document) -> str:
    danger = f" ({risk(finding)})" if risk(finding) else ""
    heading = escape(f"{finding['state'].upper()}: {finding['part']}: {finding['name']}{danger}")
    cells = "".join(f"<dt>{label}</dt><dd>{escape(text)}</dd>" for label, text in rows(finding))
    return f'<article class="{finding["state"]}"><h3>{heading}</h3><dl>{cells}</dl></article>'


def _practice_note(findings: Iterable[Document]) -> Iterator[str]:
    if any(finding["common_practice"] for finding in findings):
        yield f"<p>{escape(PRACTICE_NOTE)}</p>"


def _not_checked(missing: list[Document]) -> Iterator[str]:
    if missing:
        lines = (f"{one['part']}: {one['name']}, not checked: needs {', '.join(one['needs'])}" for one in missing)
        yield from section("Not checked", bullets(lines))


def _meanings(document: Document) -> Iterator[str]:
    yield f"relay: {document['relay']}"
    yield from (f"law: {line}" for line in document["law"])
    yield f"lost data: {document['data_lost']}"
