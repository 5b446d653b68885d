"""The installation check as the customer's paper: summary, diagram, findings, figures entered, signatures.

One file of HTML for a screen, a phone and A4. It names no path of the machine it was made on.
"""

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from html import escape
from itertools import accumulate, groupby
from typing import Any

from dumpload import __version__
from dumpload.check.diagram import STYLE as DIAGRAM_STYLE
from dumpload.check.diagram import diagram
from dumpload.check.table import BANK, CABLE, CONTACT, HEATER, INSTANCES, LOAD, WATER
from dumpload.check.text import PRACTICE_NOTE, headline, risk, rows, sections
from dumpload.html import bullets, page, section, typeset_all

Document = dict[str, Any]

# What heads the paper; who does not state it gets a line to write on.
HEAD = (
    ("installation.site", "Site"),
    ("installation.customer", "Customer"),
    ("installation.installer", "Installer"),
    ("installation.licence", "Licence"),
    ("installation.date", "Date"),
    ("installation.version", "Version"),
)

# Of a kind, on the page of summary; and what there is room for on it: lines, those of a title
# and of what says that there is more, characters in a line.
SHOWN = 7
ROOM_LINES, TITLE_LINES, LINE_CHARACTERS = 30.0, 3.5, 90

# In the order in which the current passes them.
PARTS = [part.name for part in (LOAD, CABLE, CONTACT, HEATER, WATER, BANK, INSTANCES)]

# Heading of a column of the summary, and the state counted in it.
COLUMNS = (
    ("fail", "Fail"),
    ("unanswered", "Not answered"),
    ("caution", "Caution"),
    ("pass", "Pass"),
    ("missing", "Not checked"),
)

SIGN = (
    ("Electrician", ("Name", "Licence", "Date", "Signature")),
    ("Plumber", ("Name", "Licence", "Date", "Signature")),
    ("Customer", ("Name", "Date", "Signature")),
)

DECLARATION = (
    "By signing, you confirm that you have seen the installation and found these figures on it. This paper was "
    "calculated from the figures entered; nothing was measured, and it is not a certificate."
)

# What is in our own words. What the owner entered is printed as it was: a "V2" there is no square.
OURS = ("findings", "not_checked", "relay", "law", "data_lost", "cautions")

STYLE = f"""
article {{ border: 1px solid var(--line); border-left-width: .4rem; padding: .6rem .8rem; margin: .6rem 0 }}
.fail {{ border-left-color: var(--fail) }}
.caution, .incomplete, .unanswered {{ border-left-color: var(--caution) }}
.pass {{ border-left-color: var(--pass) }} .info {{ border-left-color: var(--line) }}
dl {{ display: grid; grid-template-columns: 5.5rem 1fr; gap: .1rem .6rem; margin: 0 }} dt {{ color: var(--quiet) }}
.head {{ margin: 0 0 1rem }} .blank {{ border-bottom: 1px dotted var(--quiet); color: var(--quiet) }}
table {{ border-collapse: collapse; width: 100%; margin: .6rem 0; font-variant-numeric: tabular-nums }}
th, td {{ text-align: left; vertical-align: top; padding: .15rem .6rem .15rem 0; font-weight: 400;
  border-bottom: 1px solid var(--line) }}
.counts th:not(:first-child), .counts td {{ text-align: right; padding: .15rem 0 .15rem .5rem }}
thead th, caption {{ font-weight: 600 }} caption {{ text-align: left; padding-top: .3rem }} h3 {{ margin-top: 1rem }}
article h3, .sign h3 {{ margin-top: 0 }}
.entered code {{ display: block; font-size: .8rem; color: var(--quiet) }}
.entered td {{ width: 20% }} .entered td:last-child {{ width: 5rem }}
.entered .missing, .entered .default {{ font-style: italic }}
.asked {{ grid-template-columns: 17rem 1fr }}
.short {{ list-style: none; padding: 0 }} .short li {{ margin: .35rem 0 }} .short b {{ font-weight: 600 }}
.quiet {{ color: var(--quiet) }} a {{ color: inherit }}
.sign {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(13rem, 1fr)); gap: 1rem 2rem }}
.sign p {{ margin: 0; border-bottom: 1px solid var(--quiet); padding-top: 1.6rem; color: var(--quiet) }}
{DIAGRAM_STYLE}
@media (max-width: 30rem) {{ .asked, article dl {{ display: block }} .asked dd, article dd {{ margin-bottom: .4rem }}
  .counts th, .counts td {{ font-size: .72rem }}
  .entered th, .entered td {{ font-size: .8rem }} .entered td:last-child {{ width: 3.5rem }}
  .entered code {{ font-size: .7rem }} }}
@media print {{
  article, tr, li, .diagram, .signing {{ break-inside: avoid }} .page {{ break-before: page }}
  a {{ text-decoration: none }} h3, caption {{ break-after: avoid }} .entered {{ font-size: 8.5pt }}
  .entered code {{ display: inline }} .first {{ font-size: 9pt; line-height: 1.4; margin: 0 }}
}}
@page {{ size: A4; margin: 15mm 14mm 18mm;
  @bottom-left {{ content: "Installation check"; font: 8pt sans-serif; color: #555 }}
  @bottom-right {{ content: "Page " counter(page) " of " counter(pages); font: 8pt sans-serif; color: #555 }} }}
"""


def check_page(document: Document) -> str:
    """Return the document as a page."""
    document = {**document, **typeset_all({key: document[key] for key in OURS})}
    entered = document["entered"]
    meanings = typeset_all({row["key"]: row["meaning"] for row in entered})
    known = {row["key"]: row["value"] for row in entered if row["value"] is not None}
    body = [
        *_head(document, known),
        *_summary(document, known),
        '<div class="page"></div>',
        *section("One-line diagram", [diagram(known)]),
        *section("What the settings mean", bullets(_meanings(document))),
        '<div class="page"></div>',
        *_findings(document),
        *_not_checked(document, meanings),
        '<div class="page"></div>',
        *section("Figures entered", _entered(entered, meanings)),
        *section("Before you act on any figure", bullets(document["cautions"])),
        '<div class="signing">',
        *section("Signatures", _signatures()),
        "</div>",
    ]
    return page(f"Installation check of {document['name']}", STYLE, body)


# ---- the page of summary ----


def _head(document: Document, known: Document) -> Iterator[str]:
    yield '<dl class="head">'
    for key, label in HEAD:
        value = known.get(key)
        yield f"<dt>{label}</dt>" + (f"<dd>{escape(str(value))}</dd>" if value else '<dd class="blank">not stated</dd>')
    yield f"<dt>Controller</dt><dd>{escape(document['name'])}, worked out by dumpload {__version__}</dd></dl>"


def _summary(document: Document, known: Document) -> Iterator[str]:
    # A long name needs further lines of the head, and those are higher.
    further = 2 * (len(document["name"]) // 40) + sum(
        len(str(known.get(key, ""))) // LINE_CHARACTERS for key, _ in HEAD
    )
    room = ROOM_LINES - 1.5 * further
    yield f'<p class="verdict {document["verdict"]}">{escape(headline(document))}</p>'
    yield from section("Summary", [*_counts(document), *_first(document, room)])


def _counts(document: Document) -> Iterator[str]:
    counts: Counter[tuple[str, str]] = Counter((finding["part"], finding["state"]) for finding in document["findings"])
    for item in document["not_checked"]:
        counts[item["part"], "unanswered" if item["safety"] else "missing"] += 1
    head = "".join(f'<th scope="col">{title}</th>' for _, title in COLUMNS)
    yield f'<table class="counts"><thead><tr><th scope="col">Part</th>{head}</tr></thead><tbody>'
    for part in sorted({part for part, _ in counts}, key=PARTS.index):
        cells = "".join(f"<td>{counts[part, state] or '-'}</td>" for state, _ in COLUMNS)
        yield f'<tr><th scope="row">{escape(part)}</th>{cells}</tr>'
    yield "</tbody></table>"


def _first(document: Document, room: float) -> Iterator[str]:
    """Yield what must be seen to before the first switch-on, as much as there is room for (in lines)."""
    urgent = [group for group in sections(document) if group[1][0]["state"] in {"fail", "unanswered", "caution"}]
    room -= TITLE_LINES * len(urgent)
    for title, findings in urgent:
        fitting = [
            finding for finding, cost in zip(findings, accumulate(map(_lines, findings)), strict=True) if cost <= room
        ]
        top = fitting[:SHOWN]
        room -= sum(map(_lines, top))
        yield f'<h3>{escape(title)}</h3><ul class="short first">'
        for finding in top:
            name = f'<a href="#{finding["id"]}"><b>{escape(finding["name"])}</b></a>'
            yield f"<li>{name}: {escape(_short(finding))}</li>"
        if len(findings) > len(top):
            more = f"and {len(findings) - len(top)} more" if top else str(len(findings))
            yield f'<li class="quiet">{more}, on the pages that follow</li>'
        yield "</ul>"


def _lines(finding: Document) -> float:
    """Return how many lines a finding takes on the page of summary, a little more rather than less."""
    return 0.4 + math.ceil(len(f"{finding['name']}: {_short(finding)}") / LINE_CHARACTERS)


def _short(finding: Document) -> str:
    """Return a finding in one sentence: what is missing, what was found, and what a failure falls short of."""
    if finding["state"] == "unanswered":
        return f"needs {', '.join(finding['needs'])}"
    return (
        f"{finding['figure']}; required: {finding['limit']}" if finding["state"] == "fail" else str(finding["figure"])
    )


# ---- the findings ----


def _findings(document: Document) -> Iterator[str]:
    for title, findings in sections(document):
        if findings[0]["state"] in {"pass", "info"}:
            yield from section(title, ['<ul class="short">', *map(_line, findings), "</ul>"])
        else:
            yield from section(title, map(_article, findings))
    if any(finding["common_practice"] for finding in document["findings"]):
        yield f'<p class="quiet">{escape(PRACTICE_NOTE)}</p>'


def _article(finding: Document) -> str:
    danger = f" ({risk(finding)})" if risk(finding) else ""
    heading = escape(f"{finding['state'].upper()}: {finding['part']}: {finding['name']}{danger}")
    cells = "".join(f"<dt>{label}</dt><dd>{escape(text)}</dd>" for label, text in rows(finding))
    return f'<article id="{finding["id"]}" class="{finding["state"]}"><h3>{heading}</h3><dl>{cells}</dl></article>'


def _line(finding: Document) -> str:
    """Return a finding that needs no action, as briefly as possible."""
    (_, figure), *rest = rows(finding)
    more = "; ".join(f"{label}: {text}" for label, text in rest)
    name = escape(f"{finding['state'].upper()}: {finding['part']}: {finding['name']}")
    text = f'{escape(figure)} <span class="quiet">({escape(more)})</span>'
    return f'<li id="{finding["id"]}"><b>{name}</b>: {text}</li>'


def _not_checked(document: Document, meanings: Mapping[str, str]) -> Iterator[str]:
    """Yield what could not be checked, and what each missing setting means: the questions to take along."""
    missing = [item for item in document["not_checked"] if not item["safety"]]
    if not missing:
        return
    yield from section("Not checked, because data are missing", ['<ul class="short">'])
    for item in missing:
        yield f"<li><b>{escape(item['part'])}: {escape(item['name'])}</b> needs {escape(', '.join(item['needs']))}</li>"
    yield "</ul>"
    keys = dict.fromkeys(
        key for item in document["not_checked"] for need in item["needs"] for key in need.split(" or ")
    )
    yield from section("What to find out", ['<dl class="asked">'])
    for key in keys:
        yield f"<dt><code>{escape(key)}</code></dt><dd>{escape(meanings.get(key, ''))}</dd>"
    yield "</dl>"


def _meanings(document: Document) -> Iterator[str]:
    yield f"relay: {document['relay']}"
    yield from (f"rules: {line}" for line in document["law"])
    yield f"lost data: {document['data_lost']}"


# ---- the figures entered, and who signs ----


def _entered(entered: Iterable[Document], meanings: Mapping[str, str]) -> Iterator[str]:
    heads = {key for key, _ in HEAD}
    rows = [row for row in entered if row["key"] not in heads]
    yield "<p>Each with its value, and whether that was given, is a default, or is missing.</p>"
    for table, group in groupby(rows, key=lambda row: str(row["key"]).rpartition(".")[0]):
        yield f'<table class="entered"><caption>{escape(table)}</caption><tbody>'
        for row in group:
            name = f"{escape(meanings[row['key']])} <code>{escape(row['key'])}</code>"
            value, state = escape(_value(row)), row["state"]
            yield f'<tr><th scope="row">{name}</th><td>{value}</td><td class="{state}">{state}</td></tr>'
        yield "</tbody></table>"


def _value(row: Document) -> str:
    value = row["value"]
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "-"
    text = f"{value:.10g}" if isinstance(value, float) else str(value).replace("_", " ")
    return f"{text} {UNITS.get(row['unit'], row['unit'])}".strip()


# Units that the settings spell in ASCII.
UNITS = {
    "percent": "%",
    "degC": "°C",
    "mm2": "mm²",
    "mohm": "mΩ",
    "ohm": "Ω",
    "ratio": "",
    "times": "",
    "times/d": "a day",
}


def _signatures() -> Iterator[str]:
    yield f'<p>{escape(DECLARATION)}</p><div class="sign">'
    for who, lines in SIGN:
        yield f"<div><h3>{who}</h3>" + "".join(f"<p>{line}</p>" for line in lines) + "</div>"
    yield "</div>"
