"""Chart of the trade-off: operations a day against sun caught, for all settings tried."""

import math
from collections.abc import Iterator

from dumpload.report.pictures import BOTTOM, LEFT, TOP, WIDTH, Picture
from dumpload.tune.aims import Score
from dumpload.tune.month import MONTH_DAYS, WH_A_KWH
from dumpload.tune.tune import Proposal, Tuning

HEIGHT = 240
# About how many labels an axis has.
LABELS = 6
RADIUS, SMALL = 4, 1.8


def trade_off(tuning: Tuning) -> Picture:
    """Return the chart; the bar of a proposal is the interval of its difference in sun caught from today's."""
    proposals = [proposal for proposal in (tuning.now, *tuning.proposals) if proposal is not None]
    axes = _Axes([_point(score) for score in (*tuning.cloud, *(proposal.score for proposal in proposals))])
    best = set(tuning.best)
    parts = [
        *axes.frame(),
        f'<text x="{LEFT + 4}" y="{TOP + 12}">kWh of sun a month</text>',
        f'<text class="e" x="{WIDTH - 4}" y="{HEIGHT - BOTTOM - 6}">switch-ons a day</text>',
        *(axes.dot(_point(score), "w" if number in best else "g", SMALL) for number, score in enumerate(tuning.cloud)),
    ]
    for number, proposal in enumerate(proposals):
        parts += _marked(axes, proposal, str(number) if number else "today")
    caption = (
        f"One dot per settings ({len(tuning.cloud)} in all): switch-ons a day to the right, sun caught in a month "
        f"(kWh) upwards. Blue: no others are better in every respect (including battery and hot evenings). Numbered: "
        f"the proposals, with the 90 % interval of their difference from today's settings."
        f"{'' if tuning.whole else ' Partial: the search was interrupted.'}"
    )
    return Picture("trade-off", "Sun caught, and operations a day", caption, HEIGHT, parts)


def _point(score: Score) -> tuple[float, float]:
    return score.operations, score.caught_wh * MONTH_DAYS / WH_A_KWH


def _marked(axes: "_Axes", proposal: Proposal, label: str) -> Iterator[str]:
    x, y = _point(proposal.score)
    if proposal.more is not None:
        low, high = (y + part - proposal.more.caught_kwh.value for part in proposal.more.caught_kwh[1:])
        yield f'<path class="u" d="M{axes.x(x):.1f} {axes.y(low):.1f}V{axes.y(high):.1f}"/>'
    yield axes.dot((x, y), "a" if proposal.more is None else "q", RADIUS)
    end = ' class="e"' if axes.x(x) > WIDTH - LEFT else ""
    yield f'<text{end} x="{axes.x(x) + (-7 if end else 7):.1f}" y="{axes.y(y) + 4:.1f}">{label}</text>'


class _Axes:
    """Axes of the chart: operations from 0 to the right, sun caught upwards over its range."""

    def __init__(self, points: list[tuple[float, float]]) -> None:
        self.x_step = _step(max(x for x, _ in points))
        self.most = self.x_step * (math.floor(max(x for x, _ in points) / self.x_step) + 1)
        low, high = min(y for _, y in points), max(y for _, y in points)
        self.y_step = _step(max(high - low, 0.1 * abs(high), 0.1))
        self.low = self.y_step * math.floor(low / self.y_step)
        self.high = self.y_step * (math.floor(high / self.y_step) + 1)

    def x(self, value: float) -> float:
        return LEFT + value / self.most * (WIDTH - LEFT - 4)

    def y(self, value: float) -> float:
        inside = min(self.high, max(self.low, value))
        return TOP + (self.high - inside) / (self.high - self.low) * (HEIGHT - TOP - BOTTOM)

    def dot(self, point: tuple[float, float], kind: str, radius: float) -> str:
        x, y = self.x(point[0]), self.y(point[1])
        return f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}"/>'

    def frame(self) -> Iterator[str]:
        for number in range(round((self.high - self.low) / self.y_step) + 1):
            value = self.low + number * self.y_step
            yield f'<path class="x" d="M{LEFT} {self.y(value):.1f}H{WIDTH}"/>'
            yield f'<text class="e" x="{LEFT - 5}" y="{self.y(value) + 4:.1f}">{value:g}</text>'
        for number in range(round(self.most / self.x_step)):
            value = number * self.x_step
            yield f'<text x="{self.x(value):.1f}" y="{HEIGHT - BOTTOM + 14}">{value:g}</text>'


def _step(span: float) -> float:
    """Return the step of an axis: 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(max(span, 1e-3) / LABELS))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power * LABELS >= span)
