"""What a phone shows first: verdict, whether the heater is on, why not on the last days without, and five figures."""

from collections.abc import Iterator, Sequence
from html import escape

from dumpload.core.freshness import is_missing
from dumpload.replay.figures import Derived
from dumpload.report.data import ReportData
from dumpload.report.headline import Headline, headline, is_hot, large_figures, sentence, state_words
from dumpload.report.local_time import shown_day
from dumpload.report.off_time import DayOff

SHOWN_REASONS = 3

STYLE = """
.verdict { font-size: 1.25rem; margin: .4rem 0 } .now { margin: .4rem 0 }
.why { margin: .4rem 0; padding-left: 1.1rem }
.figures { display: grid; grid-template-columns: repeat(auto-fit, minmax(8.5rem, 1fr)); gap: .4rem .8rem;
  margin: .8rem 0 } .figures div { border-top: 2px solid var(--line) } .figures dd { font-size: 1.4rem;
  line-height: 1.2; font-weight: 600 } .figures dd small { display: block; font-size: .8rem; font-weight: 400;
  color: var(--quiet) } .figures dt { font-size: .85rem }
"""


def first_screen(data: ReportData, figures: Derived, offs: Sequence[DayOff], before: Headline | None) -> Iterator[str]:
    """Yield it."""
    now = headline(data, figures)
    load_known = not is_missing(now.energy_wh)
    yield f'<p class="verdict">{escape(sentence(now, is_replay=data.is_replay, load_known=load_known))}</p>'
    yield f'<p class="now">{escape(state_words(data))}</p>'
    without = [(day, off) for day, off in zip(data.days, offs, strict=True) if not is_hot(day, figures.cold_c)]
    if without:
        yield '<ul class="why">'
        for day, off in without[-SHOWN_REASONS:]:
            yield f"<li>{shown_day(day.date)}: {escape(off.reason)}</li>"
        yield "</ul>"
    yield '<dl class="figures">'
    for figure in large_figures(now, before, is_replay=data.is_replay):
        change = f"<small>{escape(figure.change)}</small>" if figure.change else ""
        yield f"<div><dt>{escape(figure.label)}</dt><dd>{escape(figure.value)}{change}</dd></div>"
    yield "</dl>"
    if before is not None:
        yield f"<p><small>Changes are against the {before.days} days before.</small></p>"
