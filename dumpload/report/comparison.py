"""Several settings tried on one record, on the page: figures side by side, the days above each other, and in words."""

from collections.abc import Iterator, Sequence
from html import escape

from dumpload.core.freshness import is_missing
from dumpload.core.text import duration
from dumpload.html import typeset
from dumpload.replay.compare import LETTERS, Trial, comparison_verdict, differences, trial_figures
from dumpload.replay.heat_text import kwh
from dumpload.report.data import Day, ReportData
from dumpload.report.local_time import Span, shares, shown_day
from dumpload.report.pictures import area

# Maximum number of days drawn as strips: the last ones of the record.
SHOWN_DAYS = 14
PARTS = 96

STYLE = """
.compared td, .compared th { text-align: right } .compared th:first-child { text-align: left }
.wide { overflow-x: auto }
.strips { display: grid; grid-template-columns: 1rem 1fr 4rem; gap: 1px .4rem; align-items: center;
  font-variant-numeric: tabular-nums } .strips h3 { grid-column: 1 / -1; margin: .5rem 0 0 }
.strips svg { width: 100%; height: .9rem; border-bottom: 1px solid var(--line) } .strips span:nth-of-type(2n) {
  text-align: right; white-space: nowrap }
"""


def comparison(trials: Sequence[Trial], reports: Sequence[ReportData]) -> Iterator[str]:
    """Yield the section; nothing where only one was tried."""
    if len(trials) < 2:  # noqa: PLR2004
        return
    yield "<h2>Settings compared</h2>"
    yield f"<p>{escape(comparison_verdict(trials))}</p><ul>"
    yield from (f"<li><b>{letter}</b> {escape(trial.name)}" for letter, trial in zip(LETTERS, trials, strict=False))
    yield "</ul>"
    yield from _table(trials)
    yield "<h3>What differs</h3><ul>"
    yield from (f"<li>{escape(typeset(line.strip()))}" for line in differences(trials))
    yield "</ul><h3>When the heater would have been on, midnight to midnight</h3>"
    yield from _strips(reports)


def _table(trials: Sequence[Trial]) -> Iterator[str]:
    rows = [trial_figures(trial) for trial in trials]
    heads = "".join(f"<th scope=col>{letter}" for letter in LETTERS[: len(rows)])
    yield '<div class="wide" tabindex="0" role="group" aria-label="Settings side by side"><table class="compared">'
    yield f"<tr><td>{heads}"
    for label in rows[0]:
        yield f"<tr><th scope=row>{escape(label)}" + "".join(f"<td>{escape(row[label])}" for row in rows)
    yield "</table></div>"


def _strips(reports: Sequence[ReportData]) -> Iterator[str]:
    days = reports[0].days[-SHOWN_DAYS:]
    yield '<div class="strips">'
    for at, day in enumerate(days, len(reports[0].days) - len(days)):
        yield f"<h3>{shown_day(day.date)}</h3>"
        for letter, data in zip(LETTERS, reports, strict=False):
            yield f"<span>{letter}</span>{_strip(data, day.span)}<span>{_amount(data.days, at, day)}</span>"
    yield "</div>"


def _strip(data: ReportData, span: Span) -> str:
    on = area(shares(data.runs, span, PARTS), 1, 10)
    path = f'<path class="o" d="{on}"/>' if on else ""
    return f'<svg viewBox="0 0 {PARTS} 10" preserveAspectRatio="none" aria-hidden="true">{path}</svg>'


def _amount(days: Sequence[Day], at: int, like: Day) -> str:
    """Return how much there was on that day, which another zone's days may not have."""
    if at >= len(days) or days[at].span != like.span:
        return ""
    day = days[at]
    return duration(day.on_time_s) if is_missing(day.energy_wh) else kwh(day.energy_wh)
