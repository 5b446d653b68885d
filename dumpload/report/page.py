"""What the relay did, or would have done, as a page of HTML: what a person asks first comes first, the rows last."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from html import escape

from dumpload.cautions import CAUTIONS
from dumpload.config.model import Settings
from dumpload.core.explain import MEANINGS
from dumpload.core.law import Cause
from dumpload.core.text import duration
from dumpload.core.window import HOUR_S
from dumpload.html import bullets, page, section, typeset
from dumpload.replay.document import OPEN_LOOP
from dumpload.replay.figures import Derived
from dumpload.replay.text import cause_label, remarks, rows, verdict
from dumpload.report import calendar, comparison, day_screen, energy_bar, first_screen
from dumpload.report.calendar import day_id, shades_rules
from dumpload.report.colours import DARK, LIGHT, rules
from dumpload.report.data import Day, ReportData
from dumpload.report.days import MOST_DAYS, day_tables, lines
from dumpload.report.days import STYLE as DAYS_STYLE
from dumpload.report.headline import Headline, missed_full
from dumpload.report.local_time import shown_day
from dumpload.report.off_time import LABELS, DayOff, days_off, hours_by_cause
from dumpload.report.pictures import Picture, lowest_shown, pictures

SHOWN_GAPS = 12
SHOWN_EVENTS = 40

# Up to this many days each get a screen; of a longer period only the last few.
ALL_SCREENS, FEW_SCREENS = 31, 5

# Maximum number of days whose reasons are listed.
SHOWN_REASONS = 31

UNSEEN = "The program was killed or the power failed; the switch-off itself was not recorded."

STYLE = f"""
body {{ max-width: 56rem }}
figure {{ margin: 1rem 0 }} figcaption {{ font-size: .85rem; color: var(--quiet) }}
svg {{ display: block }} .charts {{ display: grid; gap: 0 1.5rem;
  grid-template-columns: repeat(auto-fit, minmax(min(22rem, 100%), 1fr)) }} .charts svg, .bar {{ width: 100% }}
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
{calendar.STYLE}{comparison.STYLE}{day_screen.STYLE}{energy_bar.STYLE}{first_screen.STYLE}
{rules(LIGHT)}{shades_rules(LIGHT["shades"])}
@media screen and (prefers-color-scheme: dark) {{ {rules(DARK)}{shades_rules(DARK["shades"])} }}
@media (max-width: 40rem) {{ body {{ padding: .6rem }} dl {{ grid-template-columns: 6rem 1fr }}
  .figures {{ grid-template-columns: repeat(2, minmax(0, 1fr)) }}
  th, td {{ padding: .1rem; font-size: .85rem }} .days thead th {{ white-space: normal }} }}
@media print {{ @page {{ size: A4; margin: 14mm }} * {{ print-color-adjust: exact }}
  tr, figure, .months > div {{ break-inside: avoid }} nav {{ display: none }} .days svg {{ height: 1.7rem }} }}
"""

# About what a page may have; the days are drawn as finely as that allows.
MOST_BYTES = 141_000


def report_page(
    data: ReportData,
    figures: Derived,
    settings: Settings,
    before: Headline | None = None,
    compared: Iterable[str] = (),
) -> str:
    """Return the page. The thresholds that are drawn are those of these settings.

    `before`: the figures of the period before; `compared`: HTML on other settings beside these.
    """
    limits = (settings.control.cut_in_percent, settings.control.cut_out_percent)
    offs = days_off(data, settings)
    screened = data.days if len(data.days) <= ALL_SCREENS else data.days[-FEW_SCREENS:]
    rest = {day.date: day_id(day.date) for day in data.days[-MOST_DAYS:] if day not in screened}
    anchors = {**rest, **{day.date: day_id(day.date) for day in screened}}
    body = [
        *first_screen.first_screen(data, figures, offs, before),
        *calendar.calendar(data.days[-MOST_DAYS:], anchors),
        *([f"<p>{escape(OPEN_LOOP)}</p>"] if data.is_replay else []),
        *compared,
        *section("Day by day", _screens(data, screened, offs, limits)),
        *section("Where the heat came from", _sources(data, figures)),
        *section("Why it was off", _off_time(data, offs)),
        *section("Cautions", bullets(map(typeset, CAUTIONS))),
        *_technical(data, figures, limits),
    ]
    title = f"{'What the relay would have done' if data.is_replay else 'What the relay did'}: {data.name}"
    room = MOST_BYTES - len(page(title, STYLE, body).encode(errors="replace"))
    tables = day_tables(data, limits[1], room, rest)
    wide = f'<div class="wide days" tabindex="0" role="group" aria-label="Every day" style="{lines(data, *limits)}">'
    days = section("Every day in figures", [wide, *_months(data), *tables, "</div>"])
    return page(title, STYLE, [*body, *days])


def _technical(data: ReportData, figures: Derived, limits: tuple[float, float]) -> Iterator[str]:
    """Yield the technical sections, for readers who want details."""
    if notes := [*remarks(data.result)]:
        yield from section("Notes on these figures", bullets(notes))
    yield from section("In figures", _in_figures(data, figures))
    yield from section("Charts", ['<div class="charts">', *map(figure, pictures(data, *limits)), "</div>"])
    yield from section("Why it went off", _causes(data))
    yield from section("Gaps in the data", _gaps(data))
    if data.day_log.incidents:
        yield from section("Events", _events(data))


def _sources(data: ReportData, figures: Derived) -> Iterator[str]:
    return energy_bar.energy_bar(data.result.heat, figures, missed_full(data), is_replay=data.is_replay)


def figure(picture: Picture) -> str:
    """Return a picture with its caption."""
    return (
        f"<figure><h3>{escape(picture.title)}</h3>{picture.svg()}"
        f"<figcaption>{escape(picture.caption)}</figcaption></figure>"
    )


def cause_words(cause: Cause) -> tuple[str, str]:
    """Return the name of a cause, and what it means."""
    return cause_label(cause), UNSEEN if cause == Cause.NONE else MEANINGS[cause]


def _screens(
    data: ReportData, days: Sequence[Day], offs: Sequence[DayOff], limits: tuple[float, float]
) -> Iterator[str]:
    low = lowest_shown(data, limits[1])
    if len(days) < len(data.days):
        yield f"<p>The last {len(days)} days; those before are below, under Every day in figures.</p>"
    yield (f"<p>Dashed: cut-in, {limits[0]:g} %. Dotted: cut-out, {limits[1]:g} %. A break in a curve: no data.</p>")
    yield day_screen.scales(data, low, *limits)
    yield from day_screen.screens(data, days, [off.reason for off in offs[-len(days) :]], low)


def _off_time(data: ReportData, offs: Sequence[DayOff]) -> Iterator[str]:
    causes = hours_by_cause(offs)
    if not causes:
        yield "<p>It was never off.</p>"
        return
    yield from _table(("Hours off", "Why"), ((f"{s / HOUR_S:.1f}", LABELS[cause]) for cause, s in causes))
    days = [*zip(data.days, offs, strict=True)][-SHOWN_REASONS:]
    if len(days) < len(data.days):
        yield f"<p>The last {len(days)} days:</p>"
    yield from _table(("Day", "In short"), ((shown_day(day.date), off.reason) for day, off in days))


def _in_figures(data: ReportData, figures: Derived) -> Iterator[str]:
    yield f"<p>{escape(verdict(data.result.summary, is_replay=data.is_replay))}</p>"
    yield from _terms(rows(data.result, figures, data.zone))


def _terms(pairs: Iterable[tuple[str, str]]) -> Iterator[str]:
    yield "<dl>"
    yield from (f"<dt>{escape(label)}<dd>{escape(typeset(value))}" for label, value in pairs)
    yield "</dl>"


def _table(head: tuple[str, ...], body: Iterable[tuple[str, ...]]) -> Iterator[str]:
    yield '<table class="words"><tr>' + "".join(f'<th scope="col">{escape(cell)}' for cell in head)
    yield from ("<tr>" + "".join(f"<td>{escape(cell)}" for cell in row) for row in body)
    yield "</table>"


def _causes(data: ReportData) -> Iterator[str]:
    if not data.offs:
        yield "<p>It never went off.</p>"
        return
    offs = ((*cause_words(cause), f"{count}") for cause, count in data.offs.items())
    yield from _table(("Cause", "What it means", "Times"), offs)


def _gaps(data: ReportData) -> Iterator[str]:
    gaps = sorted(data.day_log.lost, key=lambda span: -span.seconds)
    if not gaps:
        yield "<p>No gaps: there was always a live state of charge.</p>"
        return
    if len(gaps) > SHOWN_GAPS:
        yield f"<p>{len(gaps)} in all, {duration(sum(gap.seconds for gap in gaps))} together; the longest:</p>"
    longest = sorted(gaps[:SHOWN_GAPS])
    yield from _table(("From", "For"), ((_local(gap.begin, data), duration(gap.seconds)) for gap in longest))


def _events(data: ReportData) -> Iterator[str]:
    latest = data.day_log.incidents[-SHOWN_EVENTS:]
    yield from _table(("When", "What"), ((_local(event.wall, data), event.text) for event in latest))


def _months(data: ReportData) -> Iterator[str]:
    months = sorted({f"{day.date:%Y-%m}" for day in data.days})
    if len(months) > 1:
        links = (f'<a href="#m{month}">{date.fromisoformat(f"{month}-01"):%b %Y}</a>' for month in months[-13:])
        yield "<nav>" + "".join(links) + "</nav>"


def _local(wall: float, data: ReportData) -> str:
    local = datetime.fromtimestamp(wall, data.zone)
    return f"{shown_day(local.date())} {local:%Y %H:%M}"
