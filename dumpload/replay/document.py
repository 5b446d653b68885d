"""A replay as a JSON document."""

from typing import Any

from dumpload.core.explain import cause_name
from dumpload.core.text import number_or_null, utc_text
from dumpload.replay.figures import Derived, energy_source
from dumpload.replay.heat_sources import HeatSources
from dumpload.replay.replay import Result
from dumpload.replay.totals import Change, Summary

Document = dict[str, Any]

OPEN_LOOP = (
    "Open loop: the record stays as it was. This is what the relay would have done only if running the heater had"
    " changed nothing; in reality the heater discharges the battery, so runs would be shorter."
)


def replay_document(result: Result, figures: Derived) -> Document:
    """Return one replay: times in RFC 3339 UTC, seconds, watt-hours, percent; null where there is nothing to say."""
    log = result.log
    return {
        "record": str(result.path),
        "kind": result.kind,
        "open_loop": OPEN_LOOP,
        "samples": result.samples,
        "accepted": result.accepted,
        "rejected": result.rejected,
        "rows": log.rows,
        "dropped": log.dropped,
        "bad_rows": [str(error) for error in log.bad],
        "torn": log.torn or None,
        "notes": log.notes,
        "first": utc_text(result.first),
        "last": utc_text(result.last),
        "changes": [_change(change) for change in result.changes],
        "summary": _summary(result.summary, figures),
        "heat_sources": None if result.heat is None else _heat(result.heat, figures),
    }


def _change(change: Change) -> Document:
    return {
        "at": utc_text(change.wall),
        "relay": change.position.name.lower(),
        "cause": cause_name(change.cause),
        "state_of_charge": number_or_null(change.state_of_charge),
    }


def _summary(summary: Summary, figures: Derived) -> Document:
    return {
        "switch_ons": summary.switch_ons,
        "on_time_s": number_or_null(summary.on_time_s),
        "on_time_per_day_s": number_or_null(summary.on_time_per_day_s),
        "energy_wh": number_or_null(summary.energy_wh),
        "lowest_state_of_charge_on": number_or_null(summary.lowest_state_of_charge_on),
        "data_lost_s": number_or_null(summary.data_lost_s),
        "span_s": number_or_null(summary.span_s),
        "switch_ons_per_day": number_or_null(summary.switch_ons_per_day),
        "longest_run_s": number_or_null(summary.longest_run_s),
        "shortest_run_s": number_or_null(summary.shortest_run_s),
        "still_on": summary.still_on,
        "energy_source": energy_source(summary),
        "energy_measured_wh": number_or_null(summary.measured.wh),
        "energy_by_voltage_wh": number_or_null(summary.by_voltage.wh),
        "energy_by_rating_wh": number_or_null(summary.by_rating.wh),
        "assumed_on_time_s": number_or_null(summary.assumed_s),
        "hot_tanks": number_or_null(figures.hot_tanks),
        "contact_life_years": number_or_null(figures.contact_life_years),
    }


def _heat(heat: HeatSources, figures: Derived) -> Document:
    """Return where the heat came from: Wh; null where the power that it needs was never live."""
    panels = {
        "from_panels_throttled_wh": heat.throttled,
        "from_panels_throttled_at_least_wh": heat.throttled_least,
        "from_panels_battery_would_have_taken_wh": heat.still_taken,
        "from_other_wh": heat.other,
    }
    cycles = heat.discharged / figures.capacity_wh
    return {
        "from_battery_wh": number_or_null(heat.battery) if heat.has_battery else None,
        **{key: number_or_null(wh) if heat.has_battery and heat.has_solar else None for key, wh in panels.items()},
        "not_known_wh": number_or_null(heat.not_known),
        "throttle_percent": figures.throttle_percent,
        "equivalent_full_cycles": number_or_null(cycles) if heat.has_battery else None,
    }
