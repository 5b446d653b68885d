"""What the relay did, or would have done, as a page of HTML: the sentence first, then pictures, then every day."""

from collections.abc import Iterable, Iterator
from datetime import datetime
from html import escape

from dumpload.cautions import CAUTIONS
from dumpload.config.model import Settings
from dumpload.core.explain import MEANINGS
from dumpload.core.law import Cause
from dumpload.core.text import duration
from dumpload.html import bullets, page, section, typeset
from dumpload.replay.document import OPEN_LOOP
from dumpload.replay.figures import Derived
from dumpload.replay.text import cause_label, remarks, rows, verdict
from dumpload.report.colours import DARK, LIGHT, rules
from dumpload.report.data import ReportData
from dumpload.report.days import STYLE as DAYS_STYLE
from dumpload.report.days import day_tables
from dumpload.report.pictures import Picture, pictures

SHOWN_GAPS = 12
SHOWN_EVENTS = 40

UNSEEN = "The program was killed or the power failed; that the pin went off then is not recorded."

STYLE = f"""
body {{ max-width: 56rem }}
figure {{ margin: 1rem 0 }} figcaption {{ font-size: .85rem; color: var(--quiet) }}
.wide {{ overflow-x: auto }} .wide svg {{ min-width: 36rem; width: 100% }} svg {{ display: block }}
dl {{ display: grid; grid-template-columns: 8rem 1fr; gap: .1rem .6rem }} dt {{ color: var(--quiet) }}
table {{ border-collapse: collapse; width: 100%; margin: .5rem 0 1.5rem; font-variant-numeric: tabular-nums }}
caption {{ text-align: left; font-weight: 600; padding: .3rem 0 }}
th, td {{ text-align: right; padding: .1rem .3rem; font-weight: 400; border-bottom: 1px solid var(--line) }}
th:first-child, td:first-child {{ text-align: left }} .days th:nth-child(2) {{ text-align: left }}
.days th {{ white-space: nowrap }} .days td:nth-child(2) {{ width: 60% }} .days svg {{ width: 100%; height: 3rem }}
{DAYS_STYLE}
.words th, .words td {{ text-align: left; vertical-align: top }} .words td {{ padding-right: 1rem }}
li, .words td {{ overflow-wrap: anywhere }}
nav {{ display: flex; flex-wrap: wrap; gap: .1rem .8rem }} nav a {{ color: inherit }}
{rules(LIGHT)}
@media screen and (prefers-color-scheme: dark) {{ {rules(DARK)} }}
@media (max-width: 40rem) {{ body {{ padding: .6rem }} dl {{ grid-template-columns: 6rem 1fr }}
  th, td {{ padding: .1rem; font-size: .85rem }} .days thead th {{ white-space: normal }} }}
@media print {{ tr, figure {{ break-inside: avoid }} .wide svg {{ min-width: 0 }} nav {{ display: none }}
  .days svg {{ height: 1.7rem }} }}
"""


# About what a page may have; the days are drawn as finely as that allows.
MOST_BYTES = 141_000


def report_page(one: ReportData, figures: Derived, settings: Settings) -> str:
    """Return the page. The thresholds that are drawn are those of these settings."""
    limits = (settings.control.cut_in_percent, settings.control.cut_out_percent)
    result, summary = one.result, one.result.summary
    what = "What the relay would have done" if one.is_replay else "What the relay did"
    body = [
        f'<p class="verdict">{escape(verdict(summary, is_replay=one.is_replay))}</p>',
        *([f"<p>{escape(OPEN_LOOP)}</p>"] if one.is_replay else []),
        *_terms(rows(result, figures, one.zone)),
        *(section("Notes on these figures", bullets(told)) if (told := [*remarks(result)]) else []),
        *section("Charts", map(figure, pictures(one, *limits))),
        *section("Why it went off", _causes(one)),
        *section("Gaps in the data", _gaps(one)),
        *(section("Events", _events(one)) if one.day_log.incidents else []),
        *section("Cautions", bullets(map(typeset, CAUTIONS))),
    ]
    title = f"{what}: {one.name}"
    room = MOST_BYTES - len(page(title, STYLE, body).encode(errors="replace"))
    days = section("Day by day", ['<div class="days">', *_months(one), *day_tables(one, *limits, room), "</div>"])
    return page(title, STYLE, [*body, *days])


def figure(picture: Picture) -> str:
    """Return a picture with its words; one that is wider than a phone can be moved sideways."""
    name = escape(picture.title)
    return (
        f'<figure><h3>{name}</h3><div class="wide" tabindex="0" role="group" aria-label="{name}">{picture.svg()}</div>'
        f"<figcaption>{escape(picture.words)}</figcaption></figure>"
    )


def cause_words(cause: Cause) -> tuple[str, str]:
    """Return the name of a cause, and what it means."""
    return cause_label(cause), UNSEEN if cause == Cause.NONE else MEANINGS[cause]


def _terms(pairs: Iterable[tuple[str, str]]) -> Iterator[str]:
    yield "<dl>"
    yield from (f"<dt>{escape(label)}<dd>{escape(typeset(value))}" for label, value in pairs)
    yield "</dl>"


def _table(head: tuple[str, ...], body: Iterable[tuple[str, ...]]) -> Iterator[str]:
    yield '<table class="words"><tr>' + "".join(f'<th scope="col">{escape(cell)}' for cell in head)
    yield from ("<tr>" + "".join(f"<td>{escape(cell)}" for cell in row) for row in body)
    yield "</table>"


def _causes(one: ReportData) -> Iterator[str]:
    if not one.offs:
        yield "<p>It never went off.</p>"
        return
    told = ((*cause_words(cause), f"{count}") for cause, count in one.offs.items())
    yield from _table(("Cause", "What it means", "Times"), told)


def _gaps(one: ReportData) -> Iterator[str]:
    gaps = sorted(one.day_log.lost, key=lambda span: -span.seconds)
    if not gaps:
        yield "<p>No gaps: there was always a live state of charge.</p>"
        return
    if len(gaps) > SHOWN_GAPS:
        yield f"<p>{len(gaps)} in all, {duration(sum(gap.seconds for gap in gaps))} together; the longest:</p>"
    shown = sorted(gaps[:SHOWN_GAPS])
    yield from _table(("From", "For"), ((_local(gap.begin, one), duration(gap.seconds)) for gap in shown))


def _events(one: ReportData) -> Iterator[str]:
    shown = one.day_log.incidents[-SHOWN_EVENTS:]
    yield from _table(("When", "What"), ((_local(event.wall, one), event.words) for event in shown))


def _months(one: ReportData) -> Iterator[str]:
    months = sorted({f"{day.date:%Y-%m}" for day in one.days})
    if len(months) > 1:
        yield "<nav>" + "".join(f'<a href="#m{month}">{month}</a>' for month in months[-13:]) + "</nav>"


def _local(wall: float, one: ReportData) -> str:
    return datetime.fromtimestamp(wall, one.zone).strftime("%Y-%m-%d %H:%M")
