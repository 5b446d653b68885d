"""A search as an HTML page: result, trade-off chart, and the settings side by side."""

from collections.abc import Iterator
from html import escape

from dumpload.cautions import CAUTIONS
from dumpload.forecast.interval import Figure
from dumpload.html import bullets, page, section, typeset
from dumpload.report.colours import DARK, LIGHT, rules
from dumpload.tune.document import NOTHING_BETTER, basis, headline, settings_text
from dumpload.tune.picture import trade_off
from dumpload.tune.tune import Proposal, Tuning

STYLE = f"""
svg {{ display: block; width: 100% }}
figure {{ margin: 1rem 0 }} figcaption {{ color: var(--quiet); font-size: .85rem }}
table {{ border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums }}
th, td {{ text-align: left; vertical-align: top; font-weight: 400; padding: .3rem .5rem .3rem 0;
  border-bottom: 1px solid var(--line) }}
.wide {{ overflow-x: auto }}
{rules(LIGHT)}
@media screen and (prefers-color-scheme: dark) {{ {rules(DARK)} }}
"""
HEADS = ("", "Settings", "Sun caught, kWh", "Heat, kWh", "Operations", "Hot evenings", "From the battery")
# Decimals of each figure of a month.
DIGITS = (1, 1, 0, 0)


def tuning_page(tuning: Tuning) -> str:
    """Return the page of a search that was not refused."""
    return page("Better settings", STYLE, _body(tuning))


def _body(tuning: Tuning) -> Iterator[str]:
    yield f'<p class="verdict">{escape(headline(tuning))}</p>'
    yield f"<p>{escape(typeset(basis(tuning)))}</p>"
    picture = trade_off(tuning)
    yield f"<figure>{picture.svg()}<figcaption>{escape(picture.caption)}</figcaption></figure>"
    yield '<div class="wide"><table><thead><tr>'
    yield "".join(f'<th scope="col">{escape(head)}</th>' for head in HEADS)
    yield "</tr></thead><tbody>"
    for number, proposal in enumerate([tuning.now, *tuning.proposals]):
        if proposal is not None:
            yield _row(str(number) if number else "today", proposal)
    yield "</tbody></table></div>"
    notes = [*tuning.verdict.reasons, *tuning.remarks]
    if tuning.as_good and tuning.proposals:
        notes.append(f"{NOTHING_BETTER}: {', '.join(tuning.as_good)}.")
    for number, proposal in enumerate(tuning.proposals, 1):
        notes += [f"{number}: {reason}" for reason in proposal.reasons]
    if notes:
        yield from section("Notes on these figures", bullets(notes))
    yield from section("Before you act on any figure", bullets(map(typeset, CAUTIONS)))


def _row(label: str, proposal: Proposal) -> str:
    more = [None] * len(proposal.month) if proposal.more is None else list(proposal.more)
    figures = [_cell(*pair) for pair in zip(proposal.month, more, DIGITS, strict=True)]
    description = settings_text(proposal.settings) + (f". Best at: {', '.join(proposal.aims)}" if proposal.aims else "")
    cells = "".join(f"<td>{cell}</td>" for cell in (escape(description), *figures, escape(proposal.from_battery)))
    return f'<tr><th scope="row">{label}</th>{cells}</tr>'


def _cell(figure: Figure, more: Figure | None, digits: int) -> str:
    text = f"{figure.value:.{digits}f} ({figure.low:.{digits}f} to {figure.high:.{digits}f})"
    if more is None:
        return text
    return f"{text}<br>more: {more.value:+.{digits}f} ({more.low:+.{digits}f} to {more.high:+.{digits}f})"
