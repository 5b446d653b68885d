"""Where the heat came from, as one labelled stacked bar; an unknown part says what it needs."""

from collections.abc import Iterator, Sequence
from html import escape
from typing import NamedTuple

from dumpload.replay.figures import Derived
from dumpload.replay.heat_sources import HeatSources
from dumpload.replay.heat_text import REPLAYED, heat_rows, kwh, missing_signal

STYLE = """
.sources { list-style: none; padding: 0; margin: .3rem 0 } .sources svg { display: inline-block; margin-right: .4rem;
  vertical-align: middle }
"""
WIDTH, HEIGHT = 360, 26


class Segment(NamedTuple):
    """One part of the bar: its class in the style of pictures, its label, and Wh."""

    kind: str
    label: str
    wh: float


def energy_bar(heat: HeatSources | None, figures: Derived, missed_full: int, *, is_replay: bool) -> Iterator[str]:
    """Yield the bar, its legend and what it takes to read it."""
    if heat is None or not heat.total:
        yield "<p>No heat is known of.</p>"
        return
    parts = [part for part in _parts(heat, figures) if part.wh > 0]
    yield _bar(parts, heat.total)
    yield '<ul class="sources">'
    yield from (f"<li>{_swatch(part.kind)}<b>{kwh(part.wh)}</b> {escape(part.label)}</li>" for part in parts)
    yield "</ul>"
    signal = missing_signal(heat)
    if signal:
        yield f"<p>What came from the panels is not known: needs {signal}.</p>"
    elif heat.throttled > heat.throttled_least:
        yield (
            f"<p>Otherwise throttled: at most {kwh(heat.throttled)}, at least {kwh(heat.throttled_least)}; the rest of"
            " it the battery may still have taken.</p>"
        )
    cycles = dict(heat_rows(heat, figures))["Cycles"]
    yield f"<p>Battery: {escape(cycles)}. It missed full on {missed_full} day{'' if missed_full == 1 else 's'}.</p>"
    if is_replay:
        yield f"<p>In a replay this is reckoned {REPLAYED}.</p>"


def _parts(heat: HeatSources, figures: Derived) -> Sequence[Segment]:
    needs = f": needs {signal}" if (signal := missing_signal(heat)) else ", while a power was not live"
    return (
        Segment("a", f"from the panels, otherwise throttled (charge {figures.throttle_percent:g} % or more)",
             heat.throttled),
        Segment("q", "from the panels, which the battery would still have taken", heat.still_taken),
        Segment("w", "from the battery", heat.battery),
        Segment("g", "from another source, such as an alternator or a shore charger", heat.other),
        Segment("n", f"source not known{needs}", heat.not_known),
    )  # fmt: skip


def _bar(parts: Sequence[Segment], total: float) -> str:
    label = "; ".join(f"{kwh(part.wh)} {part.label}" for part in parts)
    parts_svg, x = [], 0.0
    for part in parts:
        width = part.wh / total * WIDTH
        parts_svg.append(
            f'<rect class="{part.kind}" x="{x + 1:.1f}" y="2" width="{max(1.0, width - 2):.1f}" height="{HEIGHT - 4}">'
            f"<title>{escape(part.label)}: {kwh(part.wh)}</title></rect>"
        )
        x += width
    size = f'viewBox="0 0 {WIDTH} {HEIGHT}" preserveAspectRatio="none"'
    return f'<svg class="bar" {size} role="img" aria-label="{escape(label)}">{"".join(parts_svg)}</svg>'


def _swatch(kind: str) -> str:
    rect = f'<rect class="{kind}" x="1" y="1" width="12" height="12"/>'
    return f'<svg width="14" height="14" aria-hidden="true">{rect}</svg>'
