"""A forecast as JSON and as text: the difference first, every figure with its interval."""

from collections.abc import Iterator
from textwrap import wrap
from typing import Any

from dumpload.core.signals import signal_name
from dumpload.forecast.closed_loop import Forecast
from dumpload.forecast.interval import Figure, ForecastOutcome

WIDTH = 80
_LABEL = 26
_NAMES = ("energy_wh", "difference_wh_per_day", "switch_ons", "on_time_s", "caught_wh")
# Part of a day's heat from the bank; too uncertain to print as a number.
_LITTLE, _MUCH = 0.15, 0.35


def forecast_document(forecast: Forecast) -> dict[str, Any]:
    """Return the JSON document."""
    document: dict[str, Any] = {"trust": forecast.verdict.trust, "reasons": list(forecast.verdict.reasons)}
    document["signals"] = [signal_name(signal) for signal in forecast.signals]
    outcome = forecast.outcome
    if outcome is None:
        return {**document, **dict.fromkeys(_NAMES)}
    figures = {name: outcome.figures[name]._asdict() for name in _NAMES}
    if forecast.verdict.trust == "refused":  # kept apart, for whoever judges the method
        return {**document, **dict.fromkeys(_NAMES), "withheld": figures}
    document |= figures
    document |= {
        "recorded": {"energy_wh": outcome.recorded_wh, "switch_ons": outcome.recorded_ons, "days": outcome.days},
        "hindcast": outcome.hindcast,
        "from_bank": from_bank(outcome),
    }
    return document


def from_bank(outcome: ForecastOutcome) -> str:
    """Return how much of the heat came from the bank instead of surplus: "low", "medium" or "high"."""
    part = outcome.from_bank_wh * outcome.days / max(1.0, outcome.figures["energy_wh"].value)
    return "low" if part < _LITTLE else "medium" if part < _MUCH else "high"


def forecast_text(forecast: Forecast) -> str:
    """Return a forecast as text, 80 columns wide."""
    return "\n".join(_lines(forecast))


def _lines(forecast: Forecast) -> Iterator[str]:
    outcome = forecast.outcome
    if outcome is None or forecast.verdict.trust == "refused":
        yield "No forecast is possible for these settings from this record:"
        for reason in forecast.verdict.reasons:
            yield from wrap(f"! {reason}", WIDTH, subsequent_indent="  ")
        return
    yield from wrap(_headline(outcome), WIDTH)
    yield ""
    figures = outcome.figures
    yield _row("Difference (B - A)", figures["difference_wh_per_day"], 1.0, "Wh a day", sign="+")
    yield _row("Sun caught", figures["caught_wh"], outcome.days, "Wh a day")
    yield _row("Switch-ons", figures["switch_ons"], outcome.days, "a day", digits=1)
    yield _row("Energy", figures["energy_wh"], outcome.days, "Wh a day")
    yield _row("On-time", figures["on_time_s"], 3600.0 * outcome.days, "h a day", digits=1)
    yield f"{'From the battery':{_LABEL}}{from_bank(outcome)}"
    yield ""
    yield from wrap(_check(outcome), WIDTH)
    for reason in forecast.verdict.reasons:
        yield from wrap(f"! {reason}", WIDTH, subsequent_indent="  ")


def _headline(outcome: ForecastOutcome) -> str:
    figure = outcome.figures["difference_wh_per_day"]
    days = f"{outcome.days:.0f} days"
    if figure.low <= 0.0 <= figure.high:
        return (
            f"Over {days} of record, these settings (B) would have given about as much heat as the recorded ones (A)."
        )
    more = "more" if figure.value > 0 else "less"
    return f"Over {days} of record, these settings (B) would have given {abs(figure.value):.0f} Wh a day {more} heat."


def _row(label: str, figure: Figure, divisor: float, unit: str, *, digits: int = 0, sign: str = "") -> str:
    value, low, high = (f"{bound / divisor:{sign}.{digits}f}" for bound in figure)
    return f"{label:{_LABEL}}{value:>7} {unit:9} (90 %: {low} to {high})"


def _check(outcome: ForecastOutcome) -> str:
    return (
        f"Check: forecast the same way, the recorded settings give {100 * outcome.hindcast:.0f} % of the measured "
        f"energy and {outcome.hindcast_ons:.0f} of {outcome.recorded_ons:.0f} switch-ons."
    )
