"""A search as JSON and as text: today's settings, then each proposal and its difference from today's."""

from collections.abc import Iterator
from textwrap import wrap
from typing import Any

from dumpload.config.model import Settings, flat
from dumpload.core.text import duration
from dumpload.forecast.interval import Figure
from dumpload.tune import grid
from dumpload.tune.month import MONTH_DAYS, Month
from dumpload.tune.parts import varied
from dumpload.tune.tune import Proposal, Tuning

WIDTH = 80
_LABEL, _INDENT = 22, "   "
NOTHING_BETTER = "No settings tried are clearly better than today's at"
NO_DIFFERENCE = "No difference that this record can show"
_ROWS = (
    ("caught_kwh", "Sun caught", "kWh", 1),
    ("heat_kwh", "Heat", "kWh", 1),
    ("operations", "Operations", "", 0),
    ("hot_evenings", "Hot evenings", "", 0),
)


def tuning_document(tuning: Tuning) -> dict[str, Any]:
    """Return the JSON document."""
    document: dict[str, Any] = {"trust": tuning.verdict.trust, "reasons": list(tuning.verdict.reasons)}
    if tuning.now is None:
        return {**document, "now": None, "proposals": []}
    return document | {
        "partial": not tuning.whole,
        "settings_asked": tuning.requested,
        "settings_tried": tuning.tried,
        "settings_within_limits": tuning.within,
        "learned_days": tuning.learned_days,
        "reported_days": tuning.reported_days,
        "now": _proposal(tuning.now),
        "proposals": [_proposal(proposal) for proposal in tuning.proposals],
        "no_difference_at": list(tuning.as_good),
        "remarks": list(tuning.remarks),
    }


def _proposal(proposal: Proposal) -> dict[str, Any]:
    document: dict[str, Any] = {
        "best_at": list(proposal.aims),
        "settings": varied(proposal.settings),
        "month": _month(proposal.month),
    }
    if proposal.more is not None:
        document |= {"more_than_now": _month(proposal.more)}
    return document | {
        "from_battery": proposal.from_battery,
        "trust": proposal.trust,
        "reasons": list(proposal.reasons),
    }


def _month(month: Month) -> dict[str, Any]:
    return {name: figure._asdict() for name, figure in month._asdict().items()}


def tuning_text(tuning: Tuning) -> str:
    """Return a search as text, 80 columns wide."""
    return "\n".join(_lines(tuning))


def _lines(tuning: Tuning) -> Iterator[str]:
    if tuning.now is None:
        yield "This record is not sufficient for advice on settings:"
        yield from _warnings(tuning.verdict.reasons)
        return
    yield from wrap(headline(tuning), WIDTH)
    yield ""
    yield from wrap(basis(tuning), WIDTH)
    yield ""
    yield from _block("Today", tuning.now)
    for number, proposal in enumerate(tuning.proposals, 1):
        yield ""
        yield from _block(f"{number}", proposal)
    if tuning.as_good and tuning.proposals:
        yield ""
        yield from wrap(f"{NOTHING_BETTER}: {', '.join(tuning.as_good)}.", WIDTH)
    if tuning.remarks or tuning.verdict.reasons:
        yield ""
    yield from _warnings((*tuning.verdict.reasons, *tuning.remarks))


def headline(tuning: Tuning) -> str:
    """Return the result in a sentence or two."""
    partial = f"Partial: interrupted after {tuning.tried} of {tuning.requested} settings. " if not tuning.whole else ""
    if not tuning.within:
        return f"{partial}None of the {tuning.tried} settings tried stays within the limits{_limits(tuning)}."
    if not tuning.proposals:
        return f"{partial}{NO_DIFFERENCE}: today's settings are as good as the best of the {tuning.tried} tried."
    count = len(tuning.proposals)
    return (
        f"{partial}{count} setting{'s' * (count > 1)} worth choosing between, of {tuning.tried} tried{_limits(tuning)}."
    )


def _limits(tuning: Tuning) -> str:
    limits = []
    if tuning.limits.lowest_percent > 0.0:
        limits.append(f"never on below {tuning.limits.lowest_percent:g} % charge")
    if tuning.limits.operations != float("inf"):
        limits.append(f"at most {tuning.limits.operations:g} operations a day")
    return f" ({', '.join(limits)})" if limits else ""


def basis(tuning: Tuning) -> str:
    """Return the basis of the figures."""
    return (
        f"Chosen on {tuning.learned_days} days of the record, evaluated on the other {tuning.reported_days}. Figures "
        f'are for {MONTH_DAYS:g} days like those, with the 90 % interval in brackets; "more" is compared with today\'s '
        f"settings. An operation is one switch-on. An evening counts as hot with 40 degC water at 18:00."
    )


def _block(number: str, proposal: Proposal) -> Iterator[str]:
    yield from wrap(f"{number}{':' if proposal.more is None else '.'} {settings_text(proposal.settings)}", WIDTH,
                    subsequent_indent=_INDENT)  # fmt: skip
    if proposal.aims:
        yield from wrap(
            f"Best at: {', '.join(proposal.aims)}.", WIDTH, initial_indent=_INDENT, subsequent_indent=_INDENT
        )
    for name, label, unit, digits in _ROWS:
        more = None if proposal.more is None else getattr(proposal.more, name)
        yield _row(label, getattr(proposal.month, name), more, unit, digits)
    yield f"{_INDENT}{'From the battery':{_LABEL}}{proposal.from_battery}"
    if proposal.more is not None:
        yield from _warnings(proposal.reasons, _INDENT)


def _row(label: str, figure: Figure, more: Figure | None, unit: str, digits: int) -> str:
    value = f"{figure.value:.{digits}f} {unit}".strip()
    text = f"{_INDENT}{label:{_LABEL}}{value:10}({figure.low:.{digits}f} to {figure.high:.{digits}f})"
    if more is None:
        return text
    return f"{text:51}more: {_signed(more.value, digits)} ({_signed(more.low, digits)} to {_signed(more.high, digits)})"


def _signed(value: float, digits: int) -> str:
    return f"{round(value, digits) + 0.0:+.{digits}f}"


def settings_text(settings: Settings) -> str:
    """Return the searched settings as text."""
    values = flat(settings)
    parts = [
        f"cut-in {values[grid.CUT_IN]:g} %, cut-out {values[grid.CUT_OUT]:g} %",
        f"confirmed for {_time(values[grid.CONFIRM])}",
        f"at least {_time(values[grid.MIN_ON])} on and {_time(values[grid.MIN_OFF])} off",
    ]
    if values.get(grid.VOLTS_IN) is not None:
        parts.append(f"bus at {values[grid.VOLTS_IN]:g} V to run, off below {values[grid.VOLTS_OUT]:g} V")
    if values.get(grid.DRAIN) is not None:
        parts.append(
            f"off if the battery supplies more than {values[grid.DRAIN]:g} W for {_time(values[grid.DRAIN_S])}"
        )
    return ", ".join(parts)


def _time(seconds: float) -> str:
    return duration(seconds).removesuffix(" 00 s")


def _warnings(reasons: tuple[str, ...], indent: str = "") -> Iterator[str]:
    for reason in reasons:
        yield from wrap(f"! {reason}", WIDTH, initial_indent=indent, subsequent_indent=f"{indent}  ")
