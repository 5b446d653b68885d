"""Sources of the heat as text."""

from collections.abc import Iterator

from dumpload.core.freshness import is_missing
from dumpload.replay.figures import Derived
from dumpload.replay.heat_sources import HeatSources

REPLAYED = "by the recorded battery power, as if the heater had not changed it"


def kwh(wh: float) -> str:
    """Format watt-hours as kWh."""
    return f"{wh / 1000:.0f} kWh" if wh >= 99_950 else f"{wh / 1000:.1f} kWh"  # noqa: PLR2004


def heat_rows(heat: HeatSources, figures: Derived) -> Iterator[tuple[str, str]]:
    """Yield label and text of each source."""
    yield "From battery", kwh(heat.battery) if heat.has_battery else _needs("battery_power")
    yield "From panels", "; ".join(_panels(heat, figures.throttle_percent))
    if heat.not_known and heat.has_battery:
        yield "Source unknown", f"{kwh(heat.not_known)}, while a power was not live"
    yield "Cycles", _cycles(heat, figures.capacity_wh)


def missing_signal(heat: HeatSources) -> str:
    """Return which signal the panels' part needs that was never live; "" if none."""
    if not heat.has_battery:
        return "battery_power"
    return "" if heat.has_solar else "solar_power"


def _panels(heat: HeatSources, throttle_percent: float) -> Iterator[str]:
    if signal := missing_signal(heat):
        yield _needs(signal)
        return
    least, most = kwh(heat.throttled_least), kwh(heat.throttled)
    bound = most if least == most else f"{least} to {most}"
    yield f"{bound} that would otherwise have been throttled (charge at or above {throttle_percent:g} %)"
    yield f"{kwh(heat.still_taken)} that the battery would still have taken"
    if heat.other:
        yield f"and {kwh(heat.other)} from another source"


def _cycles(heat: HeatSources, capacity_wh: float) -> str:
    if not heat.has_battery:
        return _needs("battery_power")
    if is_missing(capacity_wh):
        return _needs("battery.capacity_ah and battery.nominal_v")
    heater = f"the heater alone {heat.battery / capacity_wh:.2f}"
    return f"{heat.discharged / capacity_wh:.1f} equivalent full cycles of the battery, {heater}"


def _needs(what: str) -> str:
    return f"not known: needs {what}"
