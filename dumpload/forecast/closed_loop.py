"""The whole closed-loop replay, from a record to figures."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from dumpload.config.model import Settings
from dumpload.config.to_core import controller_setup
from dumpload.core.signals import Signal
from dumpload.forecast import gates, interval
from dumpload.forecast.evidence import EvidenceError, gather
from dumpload.forecast.model import build
from dumpload.forecast.repeat import repeating
from dumpload.forecast.step import compiled_sail
from dumpload.records.record import ReadLog, Record


class Forecast(NamedTuple):
    """Forecast for other settings. `outcome` None: the record cannot be used at all."""

    verdict: gates.GateResult
    outcome: interval.ForecastOutcome | None
    signals: Sequence[Signal]


def forecast(
    record: Record,
    settings: Settings,
    recorded_with: Settings,
    log: ReadLog,
    *,
    run: Callable[..., Any] | None = None,
    watch: Callable[[float], None] = lambda _part: None,
    say: Callable[[str], None] = lambda _line: None,
) -> Forecast:
    """Forecast what `settings` would have done with a record made under `recorded_with`.

    Raises:
        RecordError: the record cannot be read.
    """
    try:
        evidence = gather(record.read(log))
        model = build(evidence, settings, recorded_with)
    except EvidenceError as error:
        return Forecast(gates.GateResult("refused", (f"{error}.",)), None, ())
    law, run = controller_setup(settings), run or compiled_sail(say)
    model = repeating(model, run)
    sums = interval.sums_of(model, law, run, watch)
    least_part = least_part_of(evidence.has)
    outcome = interval.outcome_of(model, law, sums, least_part=least_part)
    return Forecast(gates.verdict(model, law, outcome, least_part), outcome, tuple(sorted(evidence.signals)))


def least_part_of(has: Callable[..., bool]) -> float:
    """Return the least half-width of the energy's interval (part) that the recorded signals allow."""
    if not has(Signal.BATTERY_POWER, Signal.BATTERY_VOLTAGE):
        return interval.WITHOUT_POWER
    return 0.0 if has(Signal.LOAD_POWER) or has(Signal.SOLAR_POWER) else interval.WITHOUT_LOAD
