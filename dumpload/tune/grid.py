"""The settings tried by a search: evenly spread points within the bounds of config, check and record."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from dumpload.check.document import CHECKS
from dumpload.check.figures import Grade
from dumpload.check.table import run_checks
from dumpload.config.layers import ConfigError, Layers, leaves
from dumpload.config.model import Settings, flat, judge
from dumpload.config.to_core import controller_setup
from dumpload.core.controller import Setup
from dumpload.core.signals import Signal
from dumpload.forecast.evidence import Floats
from dumpload.forecast.model import Model

CUT_IN, CUT_OUT, FLOOR = "control.cut_in_percent", "control.cut_out_percent", "control.floor_percent"
MIN_ON, MIN_OFF, CONFIRM = "control.min_on_s", "control.min_off_s", "control.confirm_s"
VOLTS_IN, VOLTS_OUT = "permissive.voltage_cut_in", "permissive.voltage_cut_out"
DRAIN, DRAIN_S, REST_S = "permissive.drain_limit_w", "permissive.drain_limit_s", "permissive.drain_rest_s"
MAX_ON = "permissive.max_on_s"
# Every key that a search may change, in the order in which they are shown.
VARIED = (CUT_IN, CUT_OUT, MIN_ON, MIN_OFF, CONFIRM, VOLTS_IN, VOLTS_OUT, DRAIN, DRAIN_S, REST_S)

# Common practice, no source: below the first (percent) no charger throttles; the widest band between cut-in and cut-out
# (percent); dwells from the usual to half an hour, and no confirmation shorter than the default (s).
LOWEST_CUT_IN, WIDEST_BAND = 85.0, 15.0
DWELLS_S, CONFIRMS_S = (60.0, 120.0, 300.0, 600.0, 900.0, 1800.0), (30.0, 60.0, 120.0, 300.0, 600.0)
# Common practice, no source: a bank of LiFePO4 at rest, and the bands of a voltage permissive (V per cell).
REST_CELL_V, BANDS_CELL_V = 3.34, (0.05, 0.25)
# Steps of bus voltage and drain limit (V, W).
VOLT_STEP, WATT_STEP, LEAST_DRAIN_W = 0.1, 10.0, 50.0
DIMENSIONS = 8


class Candidate(NamedTuple):
    """Settings to try, and their law."""

    settings: Settings
    law: Setup


class Bounds(NamedTuple):
    """Bounds of a search.

    `step`: resolution of the state of charge (percent). `volts`, `drain_w`: None: that permissive is left as it is.
    `keeps_volts`, `keeps_drain`: it is in use, and is never taken away.
    """

    step: float
    lowest: float
    floor: float
    dwells_s: Sequence[float]
    volts: tuple[float, float] | None
    lowest_v: float
    cells: int
    drain_w: tuple[float, float] | None
    keeps_volts: bool
    keeps_drain: bool


def bounds_of(model: Model, settings: Settings) -> Bounds:
    """Return the bounds of a search around these settings, by what the record shows of charger and monitor."""
    values = flat(settings)
    floor = values[FLOOR]
    longest_s = values.get(MAX_ON, np.inf)
    cells, evidence = model.plates.cells, model.evidence
    charger = model.sight.charger
    top_v = charger.absorption_v if np.isnan(charger.float_v) else charger.float_v
    low_v = max(REST_CELL_V * cells, values.get("battery.lowest_v", 0.0) + BANDS_CELL_V[1] * cells)
    has_volts = evidence.has(Signal.BATTERY_VOLTAGE) and settings.telemetry.battery_voltage is not None
    has_power = evidence.has(Signal.BATTERY_POWER) and settings.telemetry.battery_power is not None
    return Bounds(
        step=max(0.5, float(np.ceil(evidence.charge_step * 2.0 - 1e-6)) / 2.0),
        lowest=max(floor + 1.0, min(LOWEST_CUT_IN, values[CUT_IN] - 2.0)),
        floor=floor,
        dwells_s=[dwell_s for dwell_s in DWELLS_S if dwell_s <= longest_s] or [longest_s],
        volts=(low_v, top_v - VOLT_STEP) if has_volts and low_v < top_v - VOLT_STEP else None,
        lowest_v=values.get("battery.lowest_v", 0.0),
        cells=cells,
        drain_w=(LEAST_DRAIN_W, max(LEAST_DRAIN_W + WATT_STEP, model.plates.rated_w)) if has_power else None,
        keeps_volts=VOLTS_IN in values,
        keeps_drain=DRAIN in values,
    )


def points(count: int, dimensions: int = DIMENSIONS) -> Floats:
    """Return points of the unit cube, of which the first n are spread evenly for every n.

    The additive recurrence of the generalised golden ratio (Roberts, "The unreasonable effectiveness of quasirandom
    sequences", 2018; from memory).
    """
    root = 2.0
    for _ in range(64):  # the root of x^(d+1) = x + 1
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    steps = (1.0 / root) ** np.arange(1, dimensions + 1)
    spread: Floats = (0.5 + np.outer(np.arange(1, count + 1), steps)) % 1.0
    return spread


def keys_at(bounds: Bounds, point: Sequence[float]) -> dict[str, Any]:
    """Return the keys at a point of the unit cube; None: not set."""
    charge, band, on, off, confirm, volts, gap, drain = point
    step = bounds.step
    cut_in = _stepped(bounds.lowest + charge * (100.0 - bounds.lowest), step)
    width = max(step, _stepped(step * (WIDEST_BAND / step) ** band, step))
    keys: dict[str, Any] = {
        CUT_IN: cut_in,
        CUT_OUT: max(bounds.floor, cut_in - width),
        MIN_ON: _one_of(bounds.dwells_s, on),
        MIN_OFF: _one_of(DWELLS_S, off),
        CONFIRM: _one_of(CONFIRMS_S, confirm),
    }
    if bounds.volts:
        keys |= _volts(bounds, *bounds.volts, _part(volts, used=bounds.keeps_volts), gap)
    if bounds.drain_w:
        part, (low, high) = _part(drain, used=bounds.keeps_drain), bounds.drain_w
        keys[DRAIN] = None if part is None else _stepped(low + part * (high - low), WATT_STEP)
    return keys


def _volts(bounds: Bounds, low: float, high: float, part: float | None, gap: float) -> dict[str, float | None]:
    if part is None:
        return {VOLTS_IN: None, VOLTS_OUT: None}
    cut_in = _stepped(low + part * (high - low), VOLT_STEP)
    least, most = BANDS_CELL_V
    cut_out = _stepped(cut_in - bounds.cells * (least + gap * (most - least)), VOLT_STEP)
    return {VOLTS_IN: cut_in, VOLTS_OUT: max(cut_out, bounds.lowest_v)}


def _part(value: float, *, used: bool) -> float | None:
    """Return a position in the range of an optional permissive; None: leave it out, half of the time."""
    if used:
        return value
    return None if value < 0.5 else 2.0 * value - 1.0  # noqa: PLR2004


def _one_of(values: Sequence[float], part: float) -> float:
    return values[min(len(values) - 1, int(part * len(values)))]


def _stepped(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)


def candidates(
    settings: Settings, bounds: Bounds, count: int, watch: Callable[[float], None] = lambda _part: None
) -> Iterator[Candidate]:
    """Yield today's settings, then up to `count` - 1 others that pass config and check."""
    yield Candidate(settings, controller_setup(settings))
    values, fails = flat(settings), failed(settings)
    seen, yielded = {_marked(values)}, 1
    for number, point in enumerate(points(4 * count)):
        keys = {**values, **keys_at(bounds, point)}
        if yielded == count or _marked(keys) in seen:
            continue
        seen.add(_marked(keys))
        other = changed(keys)
        if other is not None and failed(other) <= fails:
            yielded += 1
            watch(max(yielded / count, number / (4 * count)))
            yield Candidate(other, controller_setup(other))


def _marked(keys: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(keys.get(name) for name in VARIED)


def changed(values: Mapping[str, Any]) -> Settings | None:
    """Return the settings of these dotted keys (None: not set); None if they break a rule of the config."""
    tables: dict[str, Any] = {}
    for key, value in values.items():
        *above, name = key.split(".")
        table = tables
        for part in above:
            table = table.setdefault(part, {})
        if value is not None:
            table[name] = value
    path = Path("proposal")
    try:
        return judge(Layers(path, tables, {key: "" for key, _ in leaves(tables)}, {}, []), {})
    except ConfigError:
        return None


def distance(settings: Settings, other: Settings) -> float:
    """Return the distance between settings: thresholds by range, times by ratio, 1 per permissive added or removed."""
    here, there = flat(settings), flat(other)
    far: float = sum(abs(here[name] - there[name]) / WIDEST_BAND for name in (CUT_IN, CUT_OUT))
    far += sum(abs(math.log((here[name] + 1.0) / (there[name] + 1.0))) for name in (MIN_ON, MIN_OFF, CONFIRM)) / 10.0
    for name in (VOLTS_IN, DRAIN):
        far += here.get(name) != there.get(name)
    return far


def failed(settings: Settings) -> set[str]:
    """Return the ids of the checks that fail."""
    findings, _missing = run_checks(CHECKS, flat(settings))
    return {finding.check.id for finding in findings if finding.verdict.state is Grade.FAIL}
